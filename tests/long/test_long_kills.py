"""What `tests/daemon/test_killed_sessions.py` does a few times, hundreds of times; and the time of a restart."""

import statistics

import pytest
from killed_sessions import KilledSessions
from pushed_cell import record_pushed_cell

pytestmark = [pytest.mark.long, pytest.mark.timeout(0)]
KILLS = 300
PAIRS = 20
MANY_PAIRS = 200
BAR_S = 2.0


def place_for(tmp_path, name):
    place = tmp_path / name
    place.mkdir()
    return place


def test_hundreds_of_kills_take_nothing_that_was_told(tmp_path):
    cell = record_pushed_cell(place_for(tmp_path, "cell"), waypoints=PAIRS + 10, seed=4)
    sessions = KilledSessions(cell, place_for(tmp_path, "station"), PAIRS, seed=1)
    sessions.live(KILLS)
    answers = sum(len(told) for told in sessions.told)
    print(f"{KILLS} kills, {len(sessions.told)} sessions, {answers} answers: every one is there")


def test_a_restart_with_many_pairs_is_soon_over(tmp_path):
    """Prints how soon: the computer that runs this may be busy."""
    cell = record_pushed_cell(place_for(tmp_path, "cell"), waypoints=MANY_PAIRS + 100, seed=4)
    sessions = KilledSessions(cell, place_for(tmp_path, "station"), MANY_PAIRS + 100, seed=2)
    sessions.work_until(MANY_PAIRS)
    sessions.restarts.clear()
    sessions.live(20)
    pairs, seconds = zip(*sessions.restarts, strict=True)
    assert min(pairs) >= MANY_PAIRS
    said = f"median {statistics.median(seconds):.2f} s, longest {max(seconds):.2f} s (bar {BAR_S:.0f} s)"
    print(f"from start to the reply to status with {min(pairs)} to {max(pairs)} pairs: {said}")
