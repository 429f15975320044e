"""Every finding of severity stop has its reply code, and its remedy in the message."""

import pytest

from eyebolt.calibration.finding import FINDING_KINDS, Finding, FindingCode, Severity
from eyebolt.calibration.solution import Refusal, RefusalCode
from eyebolt.session.solve_report import STOP_CODES, find_stop


def refused_with(*findings):
    return Refusal(RefusalCode.NOT_CONVERGED, "", "", 5, findings=findings)


def test_every_finding_that_can_be_a_stop_has_a_reply_code():
    """A session corrects half-turned views by itself."""
    stops = {code for code, kind in FINDING_KINDS.items() if Severity.STOP in kind.severities}
    assert set(STOP_CODES) == stops - {FindingCode.HALF_TURNED}


@pytest.mark.parametrize(
    ("name", "code"),
    [("pose-format", 32), ("mount", 33), ("tool-changed", 34), ("board-scale", 38), ("already-undistorted", 38)],
)
def test_a_stop_has_its_code_and_its_remedy_in_the_message(name, code):
    found = find_stop(refused_with(Finding(name, "stop", "it is so", {}, "change this line.")))
    assert (found.code, found.message, found.remedy) == (code, "it is so: change this line.", "change this line.")


def test_warnings_do_not_stop_and_the_first_stop_is_replied():
    assert find_stop(refused_with(Finding("camera-moved", "warn", "", {}, ""))) is None
    both = refused_with(Finding("mount", "stop", "a", {}, "b"), Finding("board-scale", "stop", "c", {}, "d"))
    assert find_stop(both).code == 33
