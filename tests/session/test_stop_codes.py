"""Every finding that says stop stops the robot, with the code that the wire has for it and the remedy in the log."""

import pytest

from eyebolt.calibration.diagnosis.diagnose import FINDING_ORDER
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.solution import Refusal
from eyebolt.session.solving import STOP_CODES, find_stop

# These are at most warnings; sessions put half-turned views right by themselves.
NEVER_STOP = {
    "stale-image",
    "stale-pose",
    "pairs-swapped",
    "half-turned",
    "board-moved",
    "pose-resolution",
    "excess-pose-noise",
}


def refused_with(*findings):
    return Refusal("not-converged", "", "", 5, findings=findings)


def test_whatever_the_diagnosis_can_find_has_a_code_or_lets_the_robot_go_on():
    assert set(STOP_CODES) | NEVER_STOP == set(FINDING_ORDER)
    assert not set(STOP_CODES) & NEVER_STOP


@pytest.mark.parametrize(
    ("name", "code"),
    [("pose-format", 32), ("mount", 33), ("tool-changed", 34), ("board-scale", 38), ("already-undistorted", 38)],
)
def test_the_robot_hears_the_code_and_the_log_the_remedy(name, code):
    found = find_stop(refused_with(Finding(name, "stop", "it is so", {}, "change this line.")))
    assert (found.code, found.message, found.remedy) == (code, "it is so: change this line.", "change this line.")


def test_warnings_do_not_stop_and_the_first_stop_speaks():
    assert find_stop(refused_with(Finding("camera-moved", "warn", "", {}, ""))) is None
    both = refused_with(Finding("mount", "stop", "a", {}, "b"), Finding("board-scale", "stop", "c", {}, "d"))
    assert find_stop(both).code == 33
