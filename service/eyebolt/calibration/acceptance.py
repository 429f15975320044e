"""The acceptance of a result: accept, unproven or reject, with the cause that decided it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from eyebolt.calibration.estimation import HeldOutError, chi2_isf, f_sf, noise_dof
from eyebolt.calibration.solution import Refusal, Solution
from eyebolt.calibration.uncertainty import TouchCheck
from eyebolt.protocol import AcceptanceStatus, Severity, ToleranceOf

# p-value below which touches or check pairs contradict the result. Common practice, no source.
IMPOSSIBLE_P = 0.001


class AcceptanceCause(StrEnum):
    """What decided the acceptance; in the order in which it is tested, so that a cause precedes its consequence."""

    STOP_FINDING = "stop-finding"
    """The diagnosis found a fault of severity stop."""
    REFUSED = "refused"
    """The solve refused the pairs."""
    ERROR_ABOVE_TOLERANCE = "error-above-tolerance"
    """The upper confidence bound of the p95 is above the tolerance, or not a number."""
    CHECKS_CONTRADICT = "checks-contradict"
    """Check pairs deviate by more than noise explains and by more than the tolerance."""
    TOUCHES_CONTRADICT = "touches-contradict"
    """Touched corners deviate by more than the stated errors explain, but by less than the tolerance."""
    TOUCHES_BEYOND_TOLERANCE = "touches-beyond-tolerance"
    """Touched corners deviate by more than the stated errors explain and by more than the tolerance."""
    UNOBSERVABLE_DIRECTION = "unobservable-direction"
    """The pairs leave a direction of the transform unobservable, such as the height of a vertical arm."""
    ERROR_WITHIN_TOLERANCE = "error-within-tolerance"
    """None of these: the upper confidence bound of the p95, board and lens included, is within the tolerance."""

    @property
    def status(self) -> AcceptanceStatus:
        """The status that follows from this cause."""
        if self is AcceptanceCause.ERROR_WITHIN_TOLERANCE:
            return AcceptanceStatus.ACCEPT
        return AcceptanceStatus.REJECT if self in _REJECT else AcceptanceStatus.UNPROVEN


_REJECT = frozenset(
    (
        AcceptanceCause.STOP_FINDING,
        AcceptanceCause.REFUSED,
        AcceptanceCause.ERROR_ABOVE_TOLERANCE,
        AcceptanceCause.TOUCHES_BEYOND_TOLERANCE,
    )
)


@dataclass(frozen=True)
class ResultAcceptance:
    """The acceptance of one result."""

    cause: AcceptanceCause
    """What decided the acceptance."""
    reason: str
    """The cause in one sentence for the operator, with the numbers."""

    @property
    def status(self) -> AcceptanceStatus:
        """What may be done with the result."""
        return self.cause.status


def assess_result(
    outcome: Solution | Refusal, tolerance_mm: float, tolerance_of: ToleranceOf = ToleranceOf.PICK
) -> ResultAcceptance:
    """The acceptance of ``outcome``: the first cause that applies, in the order of ``AcceptanceCause``.

    ``tolerance_of``: the error that the tolerance is for. The upper confidence bound of its p95 is compared: of results
    whose p95 by itself is just within the tolerance, more than 1 in 20 exceed it. Checks and touches are compared with
    the tolerance as well.

    Every comparison is written so that NaN fails it: a number that is missing never accepts a result.
    """
    stops = [finding.message for finding in outcome.findings if finding.severity == Severity.STOP]
    if stops:
        return ResultAcceptance(AcceptanceCause.STOP_FINDING, "; ".join(stops))
    if isinstance(outcome, Refusal):
        return ResultAcceptance(AcceptanceCause.REFUSED, outcome.message)
    compared = outcome.error_compared_mm(tolerance_of)
    p95_mm = compared.p95
    stated = (
        f"the expected error of {tolerance_of.description} is {p95_mm:.2f} mm (p95),"
        f" at 95 % confidence at most {compared.p95_upper:.2f} mm"
    )
    checks, touches = outcome.checks, outcome.touches
    if not compared.p95_upper <= tolerance_mm:
        reason = f"{stated}: above the tolerance of {tolerance_mm:g} mm"
        return ResultAcceptance(AcceptanceCause.ERROR_ABOVE_TOLERANCE, reason)
    if checks is not None and _checks_contradict(outcome, checks, tolerance_mm):
        reason = _describe_contradicting_checks(checks, p95_mm, tolerance_mm)
        return ResultAcceptance(AcceptanceCause.CHECKS_CONTRADICT, reason)
    if touches is not None and not _is_consistent(touches):
        is_within = touches.rms_mm <= tolerance_mm
        cause = AcceptanceCause.TOUCHES_CONTRADICT if is_within else AcceptanceCause.TOUCHES_BEYOND_TOLERANCE
        return ResultAcceptance(cause, _describe_contradicting_touches(touches, p95_mm))
    if outcome.unobservable:
        reason = f"these pairs leave unobservable: {'; '.join(outcome.unobservable)}"
        return ResultAcceptance(AcceptanceCause.UNOBSERVABLE_DIRECTION, reason)
    reason = f"{stated}: within the tolerance of {tolerance_mm:g} mm"
    return ResultAcceptance(AcceptanceCause.ERROR_WITHIN_TOLERANCE, reason)


def _checks_contradict(solution: Solution, checks: HeldOutError, tolerance_mm: float) -> bool:
    """Whether check pairs are above the tolerance (RMS) and significantly farther off than the pairs used.

    F test: six numbers per check pair against the pose noise estimated from the pairs used. Both conditions are needed,
    since arms with a systematic error often exceed pure noise a little.
    """
    p_value = f_sf(6 * checks.count, noise_dof(solution.pairs_used), checks.reduced_chi2)
    return not (checks.rms_mm <= tolerance_mm or float(p_value) >= IMPOSSIBLE_P)


def _is_consistent(touches: TouchCheck) -> bool:
    """Whether the chi-square of the touches is as the stated errors predict it."""
    return touches.reduced_chi2 * touches.dof <= chi2_isf(touches.dof, IMPOSSIBLE_P)


def _describe_contradicting_checks(checks: HeldOutError, p95_mm: float, tolerance_mm: float) -> str:
    subject = "check pair deviates" if checks.count == 1 else "check pairs deviate"
    return (
        f"{checks.count} {subject} from the result by {checks.rms_mm:.2f} mm (RMS), at worst by"
        f" {checks.worst_mm:.2f} mm, where {p95_mm:.2f} mm (p95) is expected and {tolerance_mm:g} mm tolerated. The"
        " board or the camera moved after the solve, another tool or frame became active, or these poses and images"
        " are not of the same waypoint: correct that and take all pairs again"
    )


def _describe_contradicting_touches(touches: TouchCheck, p95_mm: float) -> str:
    return (
        f"{touches.count} touched corners deviate from the result by {touches.rms_mm:.2f} mm (RMS), at worst by"
        f" {touches.worst_mm:.2f} mm (corner {touches.worst_corner}), where {p95_mm:.2f} mm (p95) is expected. Check"
        " the pointer tip, the corner numbers, and that the board did not move; then place and touch it again in a new"
        " session"
    )
