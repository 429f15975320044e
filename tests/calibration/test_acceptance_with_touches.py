"""What touches do to the word on a result: bear out what the pairs cannot, contradict what the pairs believe."""

from dataclasses import replace

import pytest
from scipy.stats import chi2

from eyebolt.calibration.acceptance import assess_result
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.solution import ParameterDeviation
from eyebolt.calibration.uncertainty.touch_test import TouchCheck
from support.solutions import made_up_solution

TOLERANCE_MM = 0.5
FREEDOM = 12


def solution(touches, p95_mm=0.3, p95_with_nuisances_mm=0.9, **changes):
    return made_up_solution(p95_mm, p95_with_nuisances_mm=p95_with_nuisances_mm, touches=touches, **changes)


def touches(p_value=0.5, **changes):
    """Touches as far off as chance makes them in this share of cases, or farther (SciPy's chi-square)."""
    found = TouchCheck(4, 0.3, 0.45, chi2.isf(p_value, FREEDOM) / FREEDOM, FREEDOM, 17, True, 0.4)
    return replace(found, **changes)


def word(touched, **changes):
    found = assess_result(solution(touched, **changes), TOLERANCE_MM)
    return found.status, found.reason


def test_ordinary_touches_bear_out_what_the_pairs_cannot():
    assert word(None)[0] == "unproven"
    status, reason = word(touches())
    assert status == "accept"
    assert reason.endswith("borne out by touch")
    assert word(touches(), p95_with_nuisances_mm=0.4)[1].endswith("borne out")


@pytest.mark.parametrize(
    "touched",
    [
        touches(spread_out=False),
        touches(p95_with_nuisances_mm=0.51),
        touches(p95_with_nuisances_mm=float("nan")),
        touches(p_value=0.009),
    ],
    ids=["on a line or too few", "covering too little", "no number", "farther off than ordinary"],
)
def test_touches_that_do_not_bear_it_out(touched):
    status, reason = word(touched)
    assert status == "unproven"
    assert "not taken on trust" in reason


def test_the_limit_of_what_is_ordinary_is_one_in_a_hundred():
    assert word(touches(p_value=0.0101))[0] == "accept"


@pytest.mark.parametrize(("rms_mm", "status"), [(TOLERANCE_MM, "unproven"), (0.51, "reject")])
def test_touches_that_contradict_the_stated_error(rms_mm, status):
    for p95_with_nuisances_mm in (0.4, 0.9):
        found, reason = word(touches(p_value=0.00099, rms_mm=rms_mm), p95_with_nuisances_mm=p95_with_nuisances_mm)
        assert found == status
        assert f"{rms_mm:.2f} mm" in reason
        assert "corner 17" in reason
    assert word(touches(p_value=0.00101, rms_mm=rms_mm), p95_with_nuisances_mm=0.4)[0] == "accept"
    assert word(touches(reduced_chi2=float("nan")), p95_with_nuisances_mm=0.4)[0] == "unproven"


def test_touches_make_nothing_good_that_is_bad_otherwise():
    assert word(touches(), p95_mm=0.6)[0] == "reject"
    assert word(touches(), findings=(Finding("c", "stop", "the board slipped"),))[0] == "reject"
    assert word(touches(), unobservable=("height of the camera",))[0] == "unproven"
    assert word(touches(), focal_length=ParameterDeviation(0.01, 0.001))[0] == "unproven"
