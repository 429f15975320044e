"""What `tests/journal/test_crash_disk.py` does with one session, with hundreds. Each prints what it did."""

import pytest

from support.failing_disk import each_call_fails_once
from support.session_world_on_disk import Crashing

pytestmark = [pytest.mark.long, pytest.mark.timeout(0)]
SESSIONS = 300


def test_power_cuts_at_every_sync_of_hundreds_of_sessions(tmp_path):
    cuts = 0
    for seed in range(SESSIONS):
        place = tmp_path / str(seed)
        place.mkdir()
        cuts += Crashing(place, seed, requests=12, faults=seed % 2 == 1).cuts
    print(f"{SESSIONS} sessions, {cuts} power cuts, nothing acknowledged was gone")


def test_each_call_fails_once_with_each_error(tmp_path):
    print(f"{each_call_fails_once(tmp_path, every=1)} sessions with one failing call each")
