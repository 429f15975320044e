"""Short form of `tests/long/test_long_kill_and_recover.py`."""

from support.kill_runs import KilledSessions


def test_kills_at_random_instants_lose_no_reply(pushed_cell, tmp_path):
    sessions = KilledSessions(pushed_cell, tmp_path, pairs=5, seed=1)
    sessions.live(kills=3)
    assert len(sessions.restarts) == 3
    assert sum(len(replies) for replies in sessions.answered) > 0
