"""Faults of a simulated cell: their names, start waypoints and sizes."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.errors import InputFault
from eyebolt_sim.board_texture import draw_board_texture
from eyebolt_sim.cell import CellOptions, prepare_cell
from eyebolt_sim.cell_faults import CELL_FAULTS, NO_FAULT, ActiveFault, FaultName, StartingFault, parse_cell_fault
from eyebolt_sim.lens import simple_lens
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.transforms import matrix

FACE = draw_board_texture("chessboard", 8, 5, 25.0)
LENS = simple_lens(640, 480, 700.0, [0.01, 0, 0, 0, 0])
POSES = [
    matrix(Rotation.from_euler("ZYX", [20 * k, 10 + 3 * k, -7 * k], degrees=True), [0.3 + 0.05 * k, 0.1 * k, 0.5])
    for k in range(8)
]


def sent(fault, index):
    """The pose that the program sends at the waypoint ``index``, counted from 0."""
    active_fault = ActiveFault(fault)
    active_fault.advance_to(index + 1)
    return fault.reported(POSES, index, active_fault.started)


def displacement(before, after):
    """Shift in mm and rotation in deg from one pose to another."""
    change = np.linalg.inv(before) @ after
    return np.linalg.norm(change[:3, 3]) * 1e3, np.rad2deg(Rotation.from_matrix(change[:3, :3]).magnitude())


CHANGES = {
    "none": set(),
    "wrong-rotation-format": {"format"},
    "wrong-length-unit": {"format"},
    "inverted-poses": {"poses"},
    "next-pose": {"poses"},
    "stale-pose": {"poses"},
    "tool-changed": {"poses"},
    "frame-changed": {"poses"},
    "skipped-move": {"arm"},
    "board-moved": {"view"},
    "camera-moved": {"view"},
    "board-scale": {"board"},
    "focal-length": {"lens"},
    "focus-changed": {"lens"},
    "distortion": {"lens"},
}


@pytest.mark.parametrize("fault", [NO_FAULT, *CELL_FAULTS.values()], ids=lambda fault: fault.name)
def test_a_fault_corrupts_one_thing_only(fault):
    changed = set()
    if fault.pose_format(PoseFormat()) != PoseFormat():
        changed.add("format")
    if any((sent(fault, k) != POSES[k]).any() for k in range(len(POSES))):
        changed.add("poses")
    if any(fault.skips_move_to(k) for k in range(len(POSES))):
        changed.add("arm")
    if any((fault.view(POSES[0], started) != POSES[0]).any() for started in (False, True)):
        changed.add("view")
    if any(
        (fault.lens(LENS, started).project([0.1, 0.2, 1]) != LENS.project([0.1, 0.2, 1])).any() for started in (0, 1)
    ):
        changed.add("lens")
    if fault.board(FACE).texels_per_m != FACE.texels_per_m:
        changed.add("board")
    assert changed == CHANGES[fault.name]


def test_poses_are_wrong_from_the_start_waypoint_on():
    tool, frame, stale = (
        parse_cell_fault("tool-changed@4"),
        parse_cell_fault("frame-changed"),
        parse_cell_fault("stale-pose@3"),
    )
    for k in range(3):
        assert (sent(tool, k) == POSES[k]).all()
    for k in range(3, 8):
        assert displacement(POSES[k], sent(tool, k)) == (pytest.approx(120), pytest.approx(30))
    assert [bool((sent(frame, k) == POSES[k]).all()) for k in range(8)] == [True] * 4 + [False] * 4
    assert (sent(stale, 2) == POSES[1]).all()
    assert (sent(stale, 3) == POSES[3]).all()
    next_pose = parse_cell_fault("next-pose")
    assert [(sent(next_pose, k) == POSES[min(k + 1, 7)]).all() for k in range(8)] == [True] * 8
    assert np.abs(sent(parse_cell_fault("inverted-poses"), 5) @ POSES[5] - np.eye(4)).max() < 1e-12
    assert [parse_cell_fault("skipped-move@6").skips_move_to(k) for k in range(8)] == [False] * 5 + [True] + [False] * 2


def test_board_camera_and_lens_change_by_the_stated_amount():
    for name, shift_mm, rotation_deg in (("board-moved", 2, 1), ("camera-moved", 3, 0.5)):
        fault = parse_cell_fault(name)
        assert (fault.view(POSES[2], False) == POSES[2]).all()
        board_moved = displacement(POSES[2], fault.view(POSES[2], True))
        camera_moved = displacement(np.linalg.inv(POSES[2]), np.linalg.inv(fault.view(POSES[2], True)))
        moved = board_moved if name == "board-moved" else camera_moved
        assert moved == (pytest.approx(shift_mm), pytest.approx(rotation_deg))
    off_axis, principal_point = [0.2, 0.1, 1.0], LENS.matrix[:2, 2]
    longer = parse_cell_fault("focal-length").lens(LENS, False)
    assert longer.project(off_axis) - principal_point == pytest.approx(
        (LENS.project(off_axis) - principal_point) * 1.02
    )
    focus = parse_cell_fault("focus-changed")
    assert focus.lens(LENS, False).project(off_axis) == pytest.approx(LENS.project(off_axis))
    assert focus.lens(LENS, True).project(off_axis) - principal_point == pytest.approx(
        (LENS.project(off_axis) - principal_point) * 1.01
    )
    distorted = parse_cell_fault("distortion").lens(LENS, False)
    assert distorted.distortion[0] == pytest.approx(0.01 - 0.15)
    assert FACE.texels_per_m / parse_cell_fault("board-scale").board(FACE).texels_per_m == pytest.approx(1.02)


@pytest.mark.parametrize(
    ("stated", "written"),
    [
        ("quaternion-wxyz", "quaternion-xyzw"),
        ("quaternion-xyzw", "quaternion-wxyz"),
        ("rotation-vector", "euler-ZYX"),
        ("euler-ZYX", "euler-XYZ"),
        ("euler-ZYZ", "euler-zyz"),
    ],
)
def test_a_wrong_rotation_format_reads_as_another_rotation(stated, written):
    pose_format = parse_cell_fault("wrong-rotation-format").pose_format(PoseFormat(rotation=stated))
    assert pose_format.rotation == written
    numbers = [float(number) for number in pose_format.format_pose(POSES[3]).split()]
    assert displacement(POSES[3], pose_format.parse_pose(numbers))[1] < 0.01
    assert displacement(POSES[3], PoseFormat(rotation=stated).parse_pose(numbers))[1] > 1


@pytest.mark.parametrize("spec", ["slip", "board-moved@", "board-moved@1", "board-moved@x", "@3"])
def test_the_remedy_of_an_invalid_specification_shows_valid_ones(spec):
    with pytest.raises(InputFault) as refused:
        parse_cell_fault(spec)
    assert refused.value.code == "sim-fault"
    if spec.startswith("board-moved"):
        assert "board-moved@N" in refused.value.remedy
    else:
        assert all(name in refused.value.remedy for name in CELL_FAULTS)


def test_only_a_starting_fault_has_a_start_waypoint():
    for fault in CELL_FAULTS.values():
        if isinstance(fault, StartingFault):
            assert parse_cell_fault(f"{fault.name}@7").start_waypoint == 7  # type: ignore[attr-defined]
            assert parse_cell_fault(f"{fault.name}@7").spec == f"{fault.name}@7"
            continue
        with pytest.raises(InputFault) as refused:
            parse_cell_fault(f"{fault.name}@7")
        assert refused.value.code == "sim-fault"


def test_every_name_has_one_fault():
    assert {NO_FAULT.name, *CELL_FAULTS} == set(FaultName)
    assert all(fault.name == name for name, fault in CELL_FAULTS.items())


def test_another_session_begins_without_the_fault():
    active_fault = ActiveFault(parse_cell_fault("board-moved@3"))
    started = []
    for waypoint in (1, 2, 3, 4, 1):
        active_fault.advance_to(waypoint)
        started.append(active_fault.started)
    assert started == [False, False, True, True, False]


def test_a_fault_that_would_begin_after_the_last_waypoint_is_refused(make_station):
    with pytest.raises(InputFault) as refused:
        prepare_cell(make_station(), CellOptions(waypoints=8, fault=parse_cell_fault("board-moved@9")))
    assert refused.value.code == "sim-fault"


def test_a_single_angle_has_no_wrong_counterpart():
    with pytest.raises(InputFault) as refused:
        parse_cell_fault("wrong-rotation-format").pose_format(PoseFormat(rotation="angle-z"))
    assert refused.value.code == "sim-fault"
