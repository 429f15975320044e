"""Touches of a placed board in the simulated cell: the real tip is on the corner, whatever the errors of the arm."""

import time

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.boards import board_from_mm
from eyebolt.boards.detect import find_board
from eyebolt.cameras.simulated import SimulatedCamera
from eyebolt.errors import InputFault
from eyebolt_sim.arm import Arm, faulty_arm, inverse_kinematics
from eyebolt_sim.cell import CellOptions, prepare_cell, remote_arm
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.robot_link import connect_to_daemon
from eyebolt_sim.robot_program import RobotProgram
from eyebolt_sim.touch_plan import Pointer, TouchPlan, spread_corners
from eyebolt_sim.transforms import matrix, transform_points
from eyebolt_sim.views import visible_fraction
from eyebolt_sim.waypoints import Waypoint

TIPS = {"free": "tip_mm = [3.0, -2.0, 150.0]", "vertical": "tip_mm = [3.0, -2.0, -150.0]"}
JOINTS = np.array([0.1, 0.5, -2.0, 0.1, 0.6, 0.3])
WAYPOINT = Waypoint(JOINTS, Arm().forward(JOINTS))


def cell_of(make_station, mount, turns, **options):
    rotation = "angle-z" if turns == "vertical" else "quaternion-wxyz"
    station = make_station(
        mount=mount, turns=turns, rotation=rotation, robot_lines=(TIPS[turns],), near_mm=400.0, far_mm=700.0
    )
    return prepare_cell(station, CellOptions(seed=2, waypoints=6, **options))


@pytest.mark.parametrize("turns", ["free", "vertical"])
@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_without_errors_the_stated_tip_is_on_each_corner_and_the_board_in_view(make_station, mount, turns):
    cell = cell_of(make_station, mount, turns, touches=5, robot_noise_mm=0, robot_noise_deg=0)
    tip_m = np.array(cell.station.robot.tip_mm) / 1e3
    corners = cell.board.shape.corners_m
    for number, reported in cell.touch_plan.touches:
        corner = transform_points(cell.touch_plan.base_T_board, corners[[number]])[0]
        assert np.abs(reported[:3, :3] @ tip_m + reported[:3, 3] - corner).max() < 1e-9
        if turns == "vertical":
            assert np.abs(reported[2, :3] - [0, 0, 1]).max() < 1e-9, "the flange rotates about the vertical only"
    if mount == "fixed":
        view = cell.view_from_outward(np.eye(4), cell.touch_plan.base_T_board)
        assert np.abs(cell.scene.hand_eye @ view - cell.touch_plan.base_T_board).max() < 1e-12
        assert visible_fraction(cell.lens, cell.board.shape, view, 8.0) > 0.8
    else:
        assert not cell.touch_plan.needs_placing
        assert cell.touch_plan.view_waypoint is cell.captures[0]
        assert np.abs(cell.touch_plan.base_T_board - cell.scene.nuisance).max() == 0


def test_an_arm_with_joint_errors_reports_another_pose_with_its_real_tip_on_the_corner(make_station):
    cell = cell_of(make_station, "fixed", "free", touches=4, robot_noise_mm=0, robot_noise_deg=0, joint_error_deg=0.1)
    real = faulty_arm(np.random.default_rng([2, 13]), 0.1, 0.0)
    tip_m = np.array(cell.station.robot.tip_mm) / 1e3
    errors_m = []
    for number, reported in cell.touch_plan.touches:
        corner = transform_points(cell.touch_plan.base_T_board, cell.board.shape.corners_m[[number]])[0]
        tips = [transform_points(real.forward(q), tip_m[None])[0] for q in inverse_kinematics(reported)]
        assert min(np.linalg.norm(tip - corner) for tip in tips) < 1e-5
        errors_m.append(np.linalg.norm(transform_points(reported, tip_m[None])[0] - corner))
    assert max(errors_m) > 2e-4


def test_the_errors_of_tip_and_placement_have_the_stated_standard_deviation():
    pointers = [Pointer.draw([1, 2, 150], 0.3, np.random.default_rng(seed)) for seed in range(300)]
    errors_mm = np.array([p.true_tip_m - p.tip_m for p in pointers]) * 1e3
    assert np.std(errors_mm) == pytest.approx(0.3, rel=0.1)
    assert {p.placement_sigma_mm for p in pointers} == {0.3}
    assert pointers[0].tip_m.tolist() == [0.001, 0.002, 0.15]


def test_touched_corners_are_far_apart_and_repeated_if_there_are_too_few():
    corners = np.array([[x, y, 0.0] for y in range(3) for x in range(4)])
    assert spread_corners(corners, 4) == [0, 11, 2, 8]
    assert spread_corners(corners[:3], 5) == [0, 2, 1, 0, 2]


def test_touches_without_a_stated_tip_are_refused(make_station):
    station = make_station(near_mm=400.0, far_mm=700.0)
    with pytest.raises(InputFault) as caught:
        prepare_cell(station, CellOptions(seed=2, waypoints=6, touches=3))
    assert caught.value.code == "sim-tip"
    assert "tip_mm" in caught.value.remedy


class RecordingArm:
    def __init__(self):
        self.placed_boards, self.moves = [], []

    def move_to(self, joints_rad, seconds, now_s):
        self.moves.append(joints_rad)

    def place_board(self, base_T_board):
        self.placed_boards.append(base_T_board)


def run_program(daemon, touch_plan, tool=None):
    printed, arm = [], RecordingArm()
    link = connect_to_daemon("127.0.0.1", daemon.port, 2.0)
    try:
        program = RobotProgram(link, arm, PoseFormat(), np.eye(4) if tool is None else tool, 1e6, printed.append)
        return program.run([WAYPOINT], [], touch_plan), printed, arm
    finally:
        link.close()


def answering(**others):
    def answer(line):
        verb, seq, *_ = line.split()
        return others.get(verb, "0,SEQ,1,0" if verb != "hello" else "0,0,0,10").replace("SEQ", seq)

    return answer


def touch_plan(mount):
    reported = matrix(Rotation.from_euler("x", 180, degrees=True), [0.4, 0.1, 0.3])
    view_waypoint = WAYPOINT if mount == "arm" else None
    return TouchPlan(np.eye(4), mount == "fixed", view_waypoint, [(3, reported), (17, reported)])


def test_for_a_fixed_camera_the_board_is_placed_and_touched(scripted_daemon):
    daemon = scripted_daemon(answering())
    outcome, printed, arm = run_program(daemon, touch_plan("fixed"))
    assert daemon.lines[3:] == [
        "place 13",
        "touch 14 3 400.000 100.000 300.000 0.000000 1.000000 0.000000 0.000000",
        "touch 15 17 400.000 100.000 300.000 0.000000 1.000000 0.000000 0.000000",
        "solve 16", "result 17", "bye 18",
    ]  # fmt: skip
    assert len(arm.placed_boards) == 1
    assert outcome.stop_code is None
    assert printed[1:4] == ["place: 0", "touch 1/2: corner 3: 0", "touch 2/2: corner 17: 0"]


def test_with_the_camera_on_the_arm_place_has_the_pose_of_the_view(scripted_daemon):
    daemon = scripted_daemon(answering())
    _, _, arm = run_program(daemon, touch_plan("arm"))
    assert daemon.lines[3] == f"place 13 {PoseFormat().format_pose(WAYPOINT.base_T_flange)}"
    assert arm.placed_boards == []


def test_the_poses_of_touches_include_the_active_tool(scripted_daemon):
    daemon = scripted_daemon(answering())
    run_program(daemon, touch_plan("fixed"), tool=matrix(np.eye(3), [0, 0, 0.1]))
    assert daemon.lines[4].split()[3:6] == ["400.000", "100.000", "200.000"]


def test_a_board_whose_place_is_refused_is_not_touched_and_a_stop_ends_the_program(scripted_daemon):
    daemon = scripted_daemon(answering(place="20,SEQ,1,0"))
    outcome, _, _ = run_program(daemon, touch_plan("fixed"))
    assert [line.split()[0] for line in daemon.lines[3:]] == ["place", "solve", "result", "bye"]
    assert outcome.stop_code is None
    daemon = scripted_daemon(answering(touch="31,SEQ,1,0"))
    outcome, _, _ = run_program(daemon, touch_plan("fixed"))
    assert daemon.lines[-1].split()[0] == "touch"
    assert outcome.stop_code == 31


def test_the_image_shows_a_board_that_another_process_placed(make_station):
    cell = cell_of(make_station, "fixed", "free", touches=3)
    with cell.camera_server(cell.moving_arm()):
        camera, arm = SimulatedCamera(cell.station.camera.endpoint), remote_arm(cell.station)
        try:
            arm.place_board(cell.touch_plan.base_T_board)
            pixels = camera.grab(time.monotonic_ns(), 10.0).pixels
        finally:
            arm.close()
            camera.close()
    detection = find_board(pixels, board_from_mm("charuco", 12, 9, 15.0, 11.0, "5X5_100"))
    view = np.linalg.inv(cell.scene.hand_eye) @ cell.touch_plan.base_T_board
    predicted = cell.lens.project(transform_points(view, cell.board.shape.corners_m))[detection.ids]
    assert len(detection.ids) > 60
    assert np.abs(detection.corners_px - predicted).max() < 0.5
