"""What is told of a plan before its waypoints: whether it reaches the tolerance, its scale, the guesses allowed for."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.geometry import PoseFormat
from eyebolt.planning import GuessUncertainty, Plan, PlannedWaypoint
from eyebolt.results.waypoints import CAUTIONS, plan_lines

EXACT = GuessUncertainty(0.0, 0.0)
KINDS = ("translation", "translation", "rotation", "rotation", "rotation", "spare", "check")


def told(is_met=True, translation_length_m=0.0, tolerated=EXACT):
    """The lines between the cautions and the waypoints, without the one on the format of the poses."""
    waypoints = tuple(PlannedWaypoint(kind, np.eye(4), 0.25) for kind in KINDS)
    lines = plan_lines(Plan(waypoints, is_met, translation_length_m, tolerated), PoseFormat(), None, 0.5)
    return lines[len(CAUTIONS) + 1 : -len(KINDS) - 1]


def test_waypoints_are_numbered_from_1_and_have_the_pose_of_the_tool():
    base_T_flange, flange_T_tool = np.eye(4), np.eye(4)
    base_T_flange[:3, :3], base_T_flange[:3, 3] = Rotation.from_euler("z", 90, degrees=True).as_matrix(), (0.5, 0, 0.3)
    flange_T_tool[:3, 3] = 0.1, 0.0, 0.0
    waypoints = tuple(PlannedWaypoint("rotation", base_T_flange, 0.25) for _ in range(2))
    lines = plan_lines(Plan(waypoints, True, 0.0, EXACT), PoseFormat("mm", "euler-ZYX"), flange_T_tool, 0.5)[-2:]
    assert [line.split()[0] for line in lines] == ["1", "2"]
    # The tool stands 100 mm along the flange's x axis, which is the base's y axis.
    assert [float(number) for number in lines[0].split()[1:7]] == [500.0, 100.0, 300.0, 90.0, 0.0, 0.0]


def test_a_plan_that_reaches_the_tolerance_tells_with_how_many_pairs():
    (line,) = told()
    assert line.startswith("5 pairs")
    assert "0.5 mm" in line


def test_a_plan_that_does_not_reach_the_tolerance_promises_no_number_of_pairs():
    (line,) = told(is_met=False)
    assert "5 pairs" not in line
    assert "0.5 mm" in line


@pytest.mark.parametrize(
    ("more", "numbers"),
    [
        ({"translation_length_m": 0.04}, ("40 mm",)),
        ({"tolerated": GuessUncertainty(0.05, np.deg2rad(10.0))}, ("50 mm", "10 deg")),
    ],
)
def test_what_limits_the_waypoints_is_told_where_there_is_such_a_limit(more, numbers):
    _, line = told(**more)
    assert all(number in line for number in numbers)
