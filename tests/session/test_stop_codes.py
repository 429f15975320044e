"""Every finding that says stop stops the robot, with the code that the wire has for it and the remedy in the log."""

import pytest

from eyebolt.calibration.diagnosis.diagnose import ORDER
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.solution import Refusal
from eyebolt.session.solving import STOPS, stop_of

# These are at most warnings; sessions put half-turned views right by themselves.
NEVER_STOP = {
    "stale-picture",
    "stale-pose",
    "pairs-swapped",
    "half-turned",
    "board-moved",
    "pose-coarse",
    "robot-noise",
}


def refused_with(*findings):
    return Refusal("not-converged", "", "", 5, findings=findings)


def test_whatever_the_diagnosis_can_find_has_a_code_or_lets_the_robot_go_on():
    assert set(STOPS) | NEVER_STOP == set(ORDER)
    assert not set(STOPS) & NEVER_STOP


@pytest.mark.parametrize(
    ("name", "code"),
    [("pose-terms", 32), ("mount", 33), ("tool-changed", 34), ("board-scale", 38), ("rectified", 38)],
)
def test_the_robot_hears_the_code_and_the_log_the_remedy(name, code):
    found = stop_of(refused_with(Finding(name, "stop", "it is so", {}, "change this line.")))
    assert (found.code, found.says, found.advice) == (code, "it is so: change this line.", "change this line.")


def test_warnings_do_not_stop_and_the_first_stop_speaks():
    assert stop_of(refused_with(Finding("camera-moved", "warn", "", {}, ""))) is None
    both = refused_with(Finding("mount", "stop", "a", {}, "b"), Finding("board-scale", "stop", "c", {}, "d"))
    assert stop_of(both).code == 33
