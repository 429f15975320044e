"""Short form of `tests/long/test_long_kill_and_recover.py`."""

from support.kill_runs import KilledSessions
from support.push_camera_cell import record_pushed_cell


def test_kills_at_random_instants_lose_no_reply(tmp_path):
    (tmp_path / "cell").mkdir()
    (tmp_path / "station").mkdir()
    cell = record_pushed_cell(tmp_path / "cell", waypoints=12, seed=4)
    sessions = KilledSessions(cell, tmp_path / "station", pairs=5, seed=1)
    sessions.live(kills=3)
    assert len(sessions.restarts) == 3
    assert sum(len(replies) for replies in sessions.answered) > 0
