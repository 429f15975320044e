"""Short form of `tests/bench/soak`: a handful of sessions and two restarts; no handle leaked, no reply lost."""

from support.push_camera_cell import record_pushed_cell
from support.soak_runs import soak


def test_many_sessions_leak_no_handle_and_lose_no_reply(tmp_path):
    for name in ("cell", "station"):
        (tmp_path / name).mkdir()
    cell = record_pushed_cell(tmp_path / "cell", waypoints=12, seed=4)
    costs = soak(cell, tmp_path / "station", lives=[12, 12, 28], session=5)
    # At the first one the camera may not have called yet.
    _, early, *_, end = costs[-1]
    assert end.captures == 28 and end.handles <= early.handles
