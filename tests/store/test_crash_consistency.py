"""Power cuts at every sync of random sessions, and each call that fails once. ``tests/long`` does more of the same."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.failing_disk import each_call_fails_once
from support.session_world_on_disk import Crashing


@pytest.mark.parametrize("faults", [False, True], ids=["sound", "failing"])
def test_a_power_cut_at_any_sync_of_a_session_takes_nothing_acknowledged(tmp_path: Path, faults: bool) -> None:
    assert Crashing(tmp_path, seed=1, requests=12, faults=faults).cuts > 50


def test_whichever_call_of_a_session_fails_it_is_31_and_nothing_acknowledged_is_gone(tmp_path: Path) -> None:
    assert each_call_fails_once(tmp_path, every=10) > 50
