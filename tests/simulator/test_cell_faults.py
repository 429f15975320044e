"""What is laid over a simulated cell: named, begun at its waypoint, and as large as its words say."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.errors import InputFault
from eyebolt_sim.board_texture import print_board
from eyebolt_sim.cell import CellChoices, prepare_cell
from eyebolt_sim.cell_faults import CELL_FAULTS, NO_FAULT, FaultInForce, cell_fault
from eyebolt_sim.lens import simple_lens
from eyebolt_sim.pose_format import PoseTerms
from eyebolt_sim.transforms import matrix

FACE = print_board("chessboard", 8, 5, 25.0)
LENS = simple_lens(640, 480, 700.0, [0.01, 0, 0, 0, 0])
POSES = [
    matrix(Rotation.from_euler("ZYX", [20 * k, 10 + 3 * k, -7 * k], degrees=True), [0.3 + 0.05 * k, 0.1 * k, 0.5])
    for k in range(8)
]


def sent(fault, place):
    """The pose that a program sends at a place, from 0, when it goes from one to the next."""
    in_force = FaultInForce(fault)
    in_force.captures_at(place + 1)
    return fault.reported(POSES, place, in_force.begun)


def between(before, after):
    """Shift in mm and turn in degrees from one pose to the other."""
    change = np.linalg.inv(before) @ after
    return np.linalg.norm(change[:3, 3]) * 1e3, np.rad2deg(Rotation.from_matrix(change[:3, :3]).magnitude())


CHANGES = {
    "none": set(),
    "other-rotation": {"terms"},
    "other-length": {"terms"},
    "inverted": {"poses"},
    "ahead": {"poses"},
    "old-pose": {"poses"},
    "tool-changes": {"poses"},
    "frame-changes": {"poses"},
    "arm-stays": {"arm"},
    "board-slips": {"view"},
    "camera-knocked": {"view"},
    "larger-board": {"board"},
    "longer-lens": {"lens"},
    "focus-moves": {"lens"},
    "bent-lens": {"lens"},
}


@pytest.mark.parametrize("fault", [NO_FAULT, *CELL_FAULTS.values()], ids=lambda fault: fault.name)
def test_a_fault_changes_what_its_name_says_and_nothing_else(fault):
    changed = set()
    if fault.terms(PoseTerms()) != PoseTerms():
        changed.add("terms")
    if any((sent(fault, k) != POSES[k]).any() for k in range(len(POSES))):
        changed.add("poses")
    if any(fault.stands_still(k) for k in range(len(POSES))):
        changed.add("arm")
    if any((fault.view(POSES[0], begun) != POSES[0]).any() for begun in (False, True)):
        changed.add("view")
    if any((fault.lens(LENS, begun).project([0.1, 0.2, 1]) != LENS.project([0.1, 0.2, 1])).any() for begun in (0, 1)):
        changed.add("lens")
    if fault.board(FACE).texels_per_m != FACE.texels_per_m:
        changed.add("board")
    assert changed == CHANGES[fault.name]


def test_poses_go_wrong_from_the_waypoint_that_is_named_on():
    tool, frame, old = cell_fault("tool-changes@4"), cell_fault("frame-changes"), cell_fault("old-pose@3")
    for k in range(3):
        assert (sent(tool, k) == POSES[k]).all()
    for k in range(3, 8):
        shift_mm, turn_deg = between(POSES[k], sent(tool, k))
        assert (shift_mm, turn_deg) == (pytest.approx(120), pytest.approx(30))
    assert [bool((sent(frame, k) == POSES[k]).all()) for k in range(8)] == [True] * 4 + [False] * 4
    assert (sent(old, 2) == POSES[1]).all()
    assert (sent(old, 3) == POSES[3]).all()
    ahead = cell_fault("ahead")
    assert [(sent(ahead, k) == POSES[min(k + 1, 7)]).all() for k in range(8)] == [True] * 8
    assert np.abs(sent(cell_fault("inverted"), 5) @ POSES[5] - np.eye(4)).max() < 1e-12
    assert [cell_fault("arm-stays@6").stands_still(k) for k in range(8)] == [False] * 5 + [True] + [False] * 2


def test_board_camera_and_lens_change_by_what_is_said():
    for name, shift_mm, turn_deg in (("board-slips", 2, 1), ("camera-knocked", 3, 0.5)):
        fault = cell_fault(name)
        assert (fault.view(POSES[2], False) == POSES[2]).all()
        board_moved = between(POSES[2], fault.view(POSES[2], True))
        camera_moved = between(np.linalg.inv(POSES[2]), np.linalg.inv(fault.view(POSES[2], True)))
        moved = board_moved if name == "board-slips" else camera_moved
        assert moved == (pytest.approx(shift_mm), pytest.approx(turn_deg))
    off_axis, straight = [0.2, 0.1, 1.0], LENS.matrix[:2, 2]
    longer = cell_fault("longer-lens").lens(LENS, False)
    assert longer.project(off_axis) - straight == pytest.approx((LENS.project(off_axis) - straight) * 1.02)
    focus = cell_fault("focus-moves")
    assert focus.lens(LENS, False).project(off_axis) == pytest.approx(LENS.project(off_axis))
    assert focus.lens(LENS, True).project(off_axis) - straight == pytest.approx(
        (LENS.project(off_axis) - straight) * 1.01
    )
    bent = cell_fault("bent-lens").lens(LENS, False)
    assert bent.distortion[0] == pytest.approx(0.01 - 0.15)
    assert FACE.texels_per_m / cell_fault("larger-board").board(FACE).texels_per_m == pytest.approx(1.02)


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
def test_turns_are_written_in_an_order_that_reads_otherwise(stated, written):
    terms = cell_fault("other-rotation").terms(PoseTerms(rotation=stated))
    assert terms.rotation == written
    sent = [float(number) for number in terms.print_pose(POSES[3]).split()]
    assert between(POSES[3], terms.read_pose(sent))[1] < 0.01
    assert between(POSES[3], PoseTerms(rotation=stated).read_pose(sent))[1] > 1


@pytest.mark.parametrize("wish", ["slip", "board-slips@", "board-slips@1", "board-slips@x", "@3"])
def test_a_wrong_wish_says_what_to_write(wish):
    with pytest.raises(InputFault) as refused:
        cell_fault(wish)
    assert refused.value.code == "sim-fault"
    if wish.startswith("board-slips"):
        assert "board-slips@N" in refused.value.remedy
    else:
        assert all(name in refused.value.remedy for name in CELL_FAULTS)


def test_what_holds_from_the_start_begins_at_no_waypoint():
    for fault in CELL_FAULTS.values():
        if fault.begins_later:
            assert cell_fault(f"{fault.name}@7").since == 7
            assert cell_fault(f"{fault.name}@7").wish == f"{fault.name}@7"
            continue
        with pytest.raises(InputFault, match="holds from the start"):
            cell_fault(f"{fault.name}@7")


def test_another_session_begins_without_the_fault():
    in_force = FaultInForce(cell_fault("board-slips@3"))
    seen = []
    for waypoint in (1, 2, 3, 4, 1):
        in_force.captures_at(waypoint)
        seen.append(in_force.begun)
    assert seen == [False, False, True, True, False]


def test_a_fault_that_would_begin_after_the_last_waypoint_is_refused(make_station):
    with pytest.raises(InputFault, match="would begin at waypoint 9, and there are 8") as refused:
        prepare_cell(make_station(), CellChoices(waypoints=8, fault=cell_fault("board-slips@9")))
    assert refused.value.code == "sim-fault"


def test_one_angle_has_no_other_order():
    with pytest.raises(InputFault) as refused:
        cell_fault("other-rotation").terms(PoseTerms(rotation="angle-z"))
    assert refused.value.code == "sim-fault"
