"""The word on a result: accept, unproven or reject; and why, a cause before its consequence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from eyebolt.calibration.estimation import HeldOutError, chi2_isf, f_sf
from eyebolt.calibration.solution import ParameterDeviation, Refusal, Solution
from eyebolt.calibration.uncertainty import TouchCheck

# A board scale or focal length this many sigma from the stated one is contradicted by the data.
CONTRADICTED_SIGMA = 4.0
# Touches farther off than chance makes them this often: no longer ordinary, and in contradiction (chi-square).
UNUSUAL_P, IMPOSSIBLE_P = 0.01, 0.001


@dataclass(frozen=True)
class ResultAcceptance:
    """``status`` and ``reason`` in one sentence."""

    status: Literal["accept", "unproven", "reject"]
    reason: str


def assess_result(outcome: Solution | Refusal, tolerance_mm: float) -> ResultAcceptance:
    """Within tolerance, no stop finding, not contradicted by checks or touches, and board scale and focal length borne
    out by the data or by touch: accept."""
    stops = [f.message for f in outcome.findings if f.severity == "stop"]
    if stops:
        return ResultAcceptance("reject", "; ".join(stops))
    if isinstance(outcome, Refusal):
        return ResultAcceptance("reject", outcome.message)
    p95 = outcome.expected_error_mm.p95
    # Written so that a number which is none is never within a limit.
    if not p95 <= tolerance_mm:
        return ResultAcceptance(
            "reject", f"the expected error, {p95:.2f} mm (p95), is above the tolerance, {tolerance_mm:g} mm"
        )
    checks = outcome.checks
    if checks is not None and _checks_contradict(outcome, checks, tolerance_mm):
        return _contradicted_by_checks(checks, p95, tolerance_mm)
    if outcome.touches is not None and not _is_consistent(outcome.touches, IMPOSSIBLE_P):
        return _contradicted_by_touch(outcome.touches, p95, tolerance_mm)
    if outcome.unobservable:
        return ResultAcceptance("unproven", f"not known from these pairs: {'; '.join(outcome.unobservable)}")
    for name, value in (("board scale", outcome.board_scale), ("focal length", outcome.focal_length)):
        if _is_contradicted(value):
            return ResultAcceptance(
                "unproven",
                f"the pairs see the {name} {100 * value.deviation:+.2f} % off the stated one"
                f" (sigma {100 * value.sigma:.2f} %)",
            )
    confirmed_by_touch = _touches_confirm_scale(outcome.touches, tolerance_mm)
    if not outcome.p95_with_nuisances_mm <= tolerance_mm and not confirmed_by_touch:
        return ResultAcceptance(
            "unproven",
            f"if board scale and focal length are not taken on trust, the error may be {outcome.p95_with_nuisances_mm:.2f} mm"
            f" (p95); tolerance {tolerance_mm:g} mm: take pairs at more distances, or touch points of the board",
        )
    confirmed = "borne out" if outcome.p95_with_nuisances_mm <= tolerance_mm else "borne out by touch"
    return ResultAcceptance(
        "accept",
        f"expected error {p95:.2f} mm (p95) within {tolerance_mm:g} mm; board scale and focal length {confirmed}",
    )


def _checks_contradict(solution: Solution, checks: HeldOutError, tolerance_mm: float) -> bool:
    """Farther off than pairs like the others ever are (six numbers each, the scatter judged from the pairs used)."""
    p_value = f_sf(6 * checks.count, max(3 * solution.pairs_used - 6, 1), checks.reduced_chi2)
    return not (checks.rms_mm <= tolerance_mm or float(p_value) >= IMPOSSIBLE_P)


def _contradicted_by_checks(checks: HeldOutError, p95_mm: float, tolerance_mm: float) -> ResultAcceptance:
    return ResultAcceptance(
        "unproven",
        f"{checks.count} check pair{'s' if checks.count > 1 else ''} that took no part in the solve lie"
        f" {checks.rms_mm:.2f} mm (RMS) from where the result has them, at worst {checks.worst_mm:.2f} mm: more than"
        f" chance (expected error {p95_mm:.2f} mm p95) and than the tolerance, {tolerance_mm:g} mm: either the board"
        " or the camera moved since, or another tool or frame became active, or the poses of the checks are not those"
        " of their pictures; mend that and take all pairs anew",
    )


def _contradicted_by_touch(touches: TouchCheck, p95_mm: float, tolerance_mm: float) -> ResultAcceptance:
    message = (
        f"{touches.count} touched corners lie {touches.rms_mm:.2f} mm (RMS) from where the result has them, at worst"
        f" {touches.worst_mm:.2f} mm (corner {touches.worst_corner}): more than the stated errors of result, arm and"
        f" tip can be (expected error {p95_mm:.2f} mm p95): check the pointer's tip, the corner numbers and whether the"
        " board lay still, then place and touch it again in a new session"
    )
    return ResultAcceptance("unproven" if touches.rms_mm <= tolerance_mm else "reject", message)


def _touches_confirm_scale(touches: TouchCheck | None, tolerance_mm: float) -> bool:
    """Whether the touches leave board scale and focal length no room for more than the tolerance."""
    if touches is None or not touches.spread_out or not _is_consistent(touches, UNUSUAL_P):
        return False
    return touches.p95_with_nuisances_mm <= tolerance_mm


def _is_consistent(touches: TouchCheck, p_value: float) -> bool:
    return touches.reduced_chi2 * touches.dof <= chi2_isf(touches.dof, p_value)


def _is_contradicted(value: ParameterDeviation) -> bool:
    return not abs(value.deviation) <= CONTRADICTED_SIGMA * value.sigma
