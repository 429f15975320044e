"""Short form of `tests/bench/soak`: a handful of sessions and two restarts; no handle leaked, no reply lost."""

from support.soak_runs import soak


def test_many_sessions_leak_no_handle_and_lose_no_reply(pushed_cell, tmp_path):
    costs = soak(pushed_cell, tmp_path, lives=[8, 8, 28], session=5)
    # At the first one the camera may not have called yet.
    _, early, *_, end = costs[-1]
    assert end.captures == 28 and end.handles <= early.handles
