"""What touches do to the word on a result: bear out what the pairs cannot, contradict what the pairs believe."""

from dataclasses import replace

import pytest
from scipy.stats import chi2

from eyebolt.calibration.acceptance import judge
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.solution import Estimate
from eyebolt.calibration.uncertainty.touch_test import TouchCheck
from support.solutions import made_up_solution

TOLERANCE_MM = 0.5
FREEDOM = 12


def solution(touches, p95_mm=0.3, proof_p95_mm=0.9, **changes):
    return made_up_solution(p95_mm, proof_p95_mm=proof_p95_mm, touches=touches, **changes)


def touches(chance=0.5, **changes):
    """Touches as far off as chance makes them in this share of cases, or farther (SciPy's chi-square)."""
    found = TouchCheck(4, 0.3, 0.45, chi2.isf(chance, FREEDOM) / FREEDOM, FREEDOM, 17, True, 0.4)
    return replace(found, **changes)


def word(touched, **changes):
    found = judge(solution(touched, **changes), TOLERANCE_MM)
    return found.verdict, found.why


def test_ordinary_touches_bear_out_what_the_pairs_cannot():
    assert word(None)[0] == "unproven"
    verdict, why = word(touches())
    assert verdict == "accept"
    assert why.endswith("borne out by touch")
    assert word(touches(), proof_p95_mm=0.4)[1].endswith("borne out")


@pytest.mark.parametrize(
    "touched",
    [
        touches(spread_out=False),
        touches(proof_p95_mm=0.51),
        touches(proof_p95_mm=float("nan")),
        touches(chance=0.009),
    ],
    ids=["on a line or too few", "covering too little", "no number", "farther off than ordinary"],
)
def test_touches_that_do_not_bear_it_out(touched):
    verdict, why = word(touched)
    assert verdict == "unproven"
    assert "not taken on trust" in why


def test_the_limit_of_what_is_ordinary_is_one_in_a_hundred():
    assert word(touches(chance=0.0101))[0] == "accept"


@pytest.mark.parametrize(("rms_mm", "verdict"), [(TOLERANCE_MM, "unproven"), (0.51, "reject")])
def test_touches_that_contradict_the_stated_error(rms_mm, verdict):
    for proof_p95_mm in (0.4, 0.9):
        found, why = word(touches(chance=0.00099, rms_mm=rms_mm), proof_p95_mm=proof_p95_mm)
        assert found == verdict
        assert f"{rms_mm:.2f} mm" in why
        assert "corner 17" in why
    assert word(touches(chance=0.00101, rms_mm=rms_mm), proof_p95_mm=0.4)[0] == "accept"
    assert word(touches(normalised=float("nan")), proof_p95_mm=0.4)[0] == "unproven"


def test_touches_make_nothing_good_that_is_bad_otherwise():
    assert word(touches(), p95_mm=0.6)[0] == "reject"
    assert word(touches(), findings=(Finding("c", "stop", "the board slipped"),))[0] == "reject"
    assert word(touches(), unknown=("height of the camera",))[0] == "unproven"
    assert word(touches(), focal=Estimate(0.01, 0.001))[0] == "unproven"
