"""The acceptance of a result: which cause decides, touches among them."""

import math
from dataclasses import replace

import pytest
from scipy.stats import chi2

from eyebolt.calibration import AcceptanceStatus
from eyebolt.calibration.acceptance import AcceptanceCause, ResultAcceptance, assess_result
from eyebolt.calibration.estimation.cross_validation import HeldOutError
from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.solution import Refusal, RefusalCode
from eyebolt.calibration.uncertainty.touch_test import TouchCheck
from eyebolt.protocol import ToleranceOf
from support.solutions import made_up_solution

TOLERANCE_MM = 0.5
DOF = 12
REFUSAL = Refusal(RefusalCode.INSUFFICIENT_ROTATION, "the waypoints rotate too little", "rotate more.", 5)
STOP = Finding(FindingCode.CAMERA_MOVED, Severity.STOP, "the camera moved")


def assessed(p95_mm: float = 0.1, **changes: object) -> ResultAcceptance:
    return assess_result(made_up_solution(p95_mm, **changes), TOLERANCE_MM)


def cause(p95_mm: float = 0.1, **changes: object) -> AcceptanceCause:
    return assessed(p95_mm, **changes).cause


def touches(p_value: float = 0.5, **changes: object) -> TouchCheck:
    """Touches whose chi-square has this p-value (SciPy)."""
    found = TouchCheck(4, 0.3, 0.45, chi2.isf(p_value, DOF) / DOF, DOF, 17)
    return replace(found, **changes)


def test_each_cause_has_the_status_that_follows_from_it():
    assert {one: one.status for one in AcceptanceCause} == {
        AcceptanceCause.STOP_FINDING: AcceptanceStatus.REJECT,
        AcceptanceCause.REFUSED: AcceptanceStatus.REJECT,
        AcceptanceCause.ERROR_ABOVE_TOLERANCE: AcceptanceStatus.REJECT,
        AcceptanceCause.CHECKS_CONTRADICT: AcceptanceStatus.UNPROVEN,
        AcceptanceCause.TOUCHES_CONTRADICT: AcceptanceStatus.UNPROVEN,
        AcceptanceCause.TOUCHES_BEYOND_TOLERANCE: AcceptanceStatus.REJECT,
        AcceptanceCause.UNOBSERVABLE_DIRECTION: AcceptanceStatus.UNPROVEN,
        AcceptanceCause.ERROR_WITHIN_TOLERANCE: AcceptanceStatus.ACCEPT,
    }


def test_an_error_equal_to_the_tolerance_is_accepted():
    assert cause(TOLERANCE_MM) is AcceptanceCause.ERROR_WITHIN_TOLERANCE


@pytest.mark.parametrize("p95_mm", [math.nextafter(TOLERANCE_MM, 1), 3.0, math.inf, math.nan])
def test_an_error_above_the_tolerance_is_rejected(p95_mm):
    assert cause(p95_mm) is AcceptanceCause.ERROR_ABOVE_TOLERANCE


@pytest.mark.parametrize("of", ToleranceOf)
def test_the_upper_bound_of_the_p95_is_compared_and_both_are_in_the_reason(of):
    """More than 1 in 20 of the results whose p95 is just within the tolerance exceed it."""
    inside = made_up_solution(0.4)
    doubtful = replace(inside.expected_error_mm, p95_upper=0.6)
    field = "expected_pick_error_mm" if of is ToleranceOf.PICK else "expected_error_mm"
    found = assess_result(replace(inside, **{field: doubtful}), TOLERANCE_MM, of)
    assert found.cause is AcceptanceCause.ERROR_ABOVE_TOLERANCE
    assert all(number in found.reason for number in ("0.40", "0.60", "0.5 mm"))
    other = ToleranceOf.TRANSFORM if of is ToleranceOf.PICK else ToleranceOf.PICK
    assert assess_result(replace(inside, **{field: doubtful}), TOLERANCE_MM, other).status is AcceptanceStatus.ACCEPT


def test_a_refusal_is_rejected_with_its_own_message():
    assert assess_result(REFUSAL, TOLERANCE_MM) == ResultAcceptance(AcceptanceCause.REFUSED, REFUSAL.message)


@pytest.mark.parametrize("outcome", [REFUSAL, made_up_solution(5.0)], ids=["refused", "error too large"])
def test_a_stop_finding_precedes_its_consequences(outcome):
    """A refusal or a large error is often only the consequence; who reads one sentence should read the cause."""
    found = assess_result(replace(outcome, findings=(STOP,)), TOLERANCE_MM)
    assert found == ResultAcceptance(AcceptanceCause.STOP_FINDING, STOP.message)
    warned = assess_result(replace(outcome, findings=(replace(STOP, severity=Severity.WARN),)), TOLERANCE_MM)
    assert warned == assess_result(outcome, TOLERANCE_MM)


def test_all_stop_findings_are_reported_and_others_do_not_reject():
    others = (
        Finding(FindingCode.ARM_LIMITED, Severity.NOTE, "a note"),
        Finding(FindingCode.BOARD_MOVED, Severity.WARN, "a warning"),
    )
    assert cause(findings=others) is AcceptanceCause.ERROR_WITHIN_TOLERANCE
    found = assessed(findings=(*others, STOP, Finding(FindingCode.MOUNT, Severity.STOP, "the mount is wrong")))
    assert found == ResultAcceptance(AcceptanceCause.STOP_FINDING, "the camera moved; the mount is wrong")


@pytest.mark.parametrize(
    ("rms_mm", "reduced_chi2", "contradicts"),
    [
        # As predicted, and as chance allows in 999 of 1000 cases: F with 2 x 6 and 3 x 9 - 6 = 21 degrees of freedom,
        # whose quantile is 4.70 (SciPy).
        (0.3, 1.0, False),
        (TOLERANCE_MM * 2, 4.6, False),
        (TOLERANCE_MM * 2, 4.8, True),
        (TOLERANCE_MM * 300, 4e5, True),
        (math.nan, 1.0, False),
        (math.nan, math.nan, True),
        # Beyond chance, but the pick still succeeds.
        (TOLERANCE_MM * 0.99, 5.1, False),
    ],
)
def test_check_pairs_beyond_chance_and_tolerance_contradict(rms_mm, reduced_chi2, contradicts):
    checks = HeldOutError(count=2, rms_mm=rms_mm, worst_mm=1.2 * rms_mm, reduced_chi2=reduced_chi2)
    found = assessed(TOLERANCE_MM / 2, checks=checks, pairs_used=9)
    wanted = AcceptanceCause.CHECKS_CONTRADICT if contradicts else AcceptanceCause.ERROR_WITHIN_TOLERANCE
    assert found.cause is wanted
    if contradicts:
        assert f"{rms_mm:.2f} mm (RMS)" in found.reason


def test_rejection_precedes_unproven():
    assert cause(3.0, unobservable=("height",)) is AcceptanceCause.ERROR_ABOVE_TOLERANCE
    assert cause(findings=(STOP,), unobservable=("height",)) is AcceptanceCause.STOP_FINDING


def test_an_unobservable_direction_is_unproven_and_named():
    name = "height of the camera above the base"
    found = assessed(unobservable=(name,))
    assert found.cause is AcceptanceCause.UNOBSERVABLE_DIRECTION
    assert name in found.reason


def cause_with(touched: TouchCheck, **changes: object) -> AcceptanceCause:
    return cause(**{"p95_mm": 0.3, "touches": touched, **changes})


@pytest.mark.parametrize(
    ("rms_mm", "contradiction"),
    [(TOLERANCE_MM, AcceptanceCause.TOUCHES_CONTRADICT), (0.51, AcceptanceCause.TOUCHES_BEYOND_TOLERANCE)],
)
def test_touches_that_contradict_the_stated_error(rms_mm, contradiction):
    far = touches(p_value=0.00099, rms_mm=rms_mm)
    assert cause_with(far) is contradiction
    reason = assessed(0.3, touches=far).reason
    assert f"{rms_mm:.2f} mm" in reason
    assert "corner 17" in reason


def test_the_limit_of_a_contradiction_by_touch():
    assert cause_with(touches(p_value=0.00101, rms_mm=0.51)) is AcceptanceCause.ERROR_WITHIN_TOLERANCE
    assert cause_with(touches(reduced_chi2=float("nan"))) is AcceptanceCause.TOUCHES_CONTRADICT


def test_touches_compensate_no_other_cause():
    assert cause_with(touches(), p95_mm=0.6) is AcceptanceCause.ERROR_ABOVE_TOLERANCE
    assert cause_with(touches(), findings=(STOP,)) is AcceptanceCause.STOP_FINDING
    assert cause_with(touches(), unobservable=("height",)) is AcceptanceCause.UNOBSERVABLE_DIRECTION
