"""Motion between preview and image, recorded images, half-turn symmetric boards."""

import json
import time

import numpy as np
import pytest

from eyebolt.session import DetectionFact, ImageFact, ReplyFact, TimingsFact
from eyebolt.store.names import list_sessions
from eyebolt_sim.cell import CellOptions, prepare_cell
from eyebolt_sim.pose_format import PoseFormat
from support.daemon_process import Robot
from support.folder_camera_cell import grid_errors_mm, record_cell, write_station
from support.recorded_facts import newest_facts


@pytest.mark.parametrize("motion_check", ["two-images", "off"])
def test_a_creeping_arm_is_21_and_a_standing_one_is_kept(start_daemon, tmp_path, motion_check):
    station = write_station(
        tmp_path,
        camera_lines=(
            'source = "simulated"',
            f'endpoint = "ipc://{tmp_path}/camera"',
            f'motion_check = "{motion_check}"',
        ),
    )
    cell = prepare_cell(station, CellOptions(seed=3, waypoints=3))
    arm, (first, second, _) = cell.moving_arm(), cell.captures
    daemon = start_daemon(station)
    with cell.camera_server(arm) as server, Robot(daemon.port) as robot:
        robot.say("hello 0")
        pose = PoseFormat().format_pose(first.base_T_flange)
        assert robot.final(f"capture 1 {pose}")[0] == 0
        served = server.frames_served
        # Some hundred millimetres in a minute and a half: a few millimetres a second.
        arm.move_to(second.joints_rad, 90.0, time.monotonic())
        creeping = robot.final(f"check 2 {pose}")[0]
        assert server.frames_served - served == (2 if motion_check == "two-images" else 1)
        assert creeping == (21 if motion_check == "two-images" else 0)
    seen = newest_facts(station, DetectionFact)
    if motion_check == "off":
        assert all(fact.view.motion_check is None and fact.view.motion_unchecked_reason for fact in seen)
        return
    standing, moving = (fact.view.motion_check for fact in seen)
    assert standing.shift_px < 0.05
    assert moving.shift_px > 0.15
    assert min(standing.interval_ms, moving.interval_ms) >= 150.0
    images = newest_facts(station, ImageFact)
    assert len(images) == 2, "the image before is compared, not kept"
    measure = newest_facts(station, ReplyFact)[-1].measure
    assert (measure.value, measure.unit) == (moving.shift_px, "px")
    took = newest_facts(station, TimingsFact)[-1].ms
    assert took.wait >= 150.0
    assert min(took.transfer, took.detect, took.view_check, took.disk) > 0
    assert took.solve is None


def test_recorded_images_are_not_compared_and_the_record_has_the_reason(recorded_cell, start_daemon, tmp_path):
    station = recorded_cell.station(tmp_path)
    daemon = start_daemon(station)
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        for seq in (1, 2):
            assert robot.final(recorded_cell.capture(seq))[:3] == (0, seq, seq)
    views = [fact.view for fact in newest_facts(station, DetectionFact)]
    assert [view.motion_check for view in views] == [None, None]
    assert all(view.motion_unchecked_reason for view in views)
    assert [fact.frame.name for fact in newest_facts(station, ImageFact)] == ["000.png", "001.png"]


def test_a_half_turn_symmetric_chessboard_is_solved(start_daemon, eyebolt, tmp_path):
    """Twelve by eight squares: in a rolled view the corners are numbered from the other end."""
    lines = ('kind = "chessboard"', "columns = 12", "rows = 8", "square_mm = 15.0")
    (tmp_path / "cell").mkdir()
    cell = record_cell(tmp_path / "cell", waypoints=12, seed=6, board_lines=lines)
    # Of so few kept pairs the bound of the p95 is above the 1 mm of the other stations.
    station = cell.station(tmp_path / "run", board_lines=lines, tolerance_mm=1.5)
    daemon = start_daemon(station)
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        codes = [robot.final(cell.capture(seq))[0] for seq in range(1, 13)]
        assert robot.final("solve 20")[0] == 0
    # Where the image's edge cuts the board off, such a board cannot be found.
    kept = sum(code <= 3 for code in codes)
    assert kept >= 8
    assert {code for code in codes if code > 3} <= {20}
    (session,) = list_sessions(tmp_path / "run" / "sessions")
    result = json.loads((session / "result.json").read_text())
    assert result["pairs"] == {"used": kept, "excluded": []}
    errors_mm = grid_errors_mm(np.array(result["transform"]["matrix_m"]), cell.hand_eye)
    assert np.sqrt((errors_mm**2).mean()) < 2 * result["expected_error_mm"]["p95"]
    _, said, _ = eyebolt("solve", session, "--json")
    assert json.loads(said)["pairs"]["used"] == kept
