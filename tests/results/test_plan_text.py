"""What is told of a plan before its waypoints: whether it reaches the tolerance, its scale, the guesses allowed for."""

import numpy as np
import pytest

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
