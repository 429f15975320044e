"""The word on a result: accept, unproven or reject; and why, a cause before its consequence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from eyebolt.calibration.estimation import HeldOut, chance_of_ratio, squares_beyond
from eyebolt.calibration.solution import Estimate, Refusal, Solution
from eyebolt.calibration.uncertainty import TouchCheck

# A board scale or focal length this many sigma from the stated one is contradicted by the data.
CONTRADICTED_SIGMA = 4.0
# Touches farther off than chance makes them this often: no longer ordinary, and in contradiction (chi-square).
UNUSUAL, IMPOSSIBLE = 0.01, 0.001


@dataclass(frozen=True)
class Judgement:
    """``verdict`` and ``why`` in one sentence."""

    verdict: Literal["accept", "unproven", "reject"]
    why: str


def judge(outcome: Solution | Refusal, tolerance_mm: float) -> Judgement:
    """Within tolerance, no stop finding, not contradicted by checks or touches, and board scale and focal length borne
    out by the data or by touch: accept."""
    stops = [f.says for f in outcome.findings if f.severity == "stop"]
    if stops:
        return Judgement("reject", "; ".join(stops))
    if isinstance(outcome, Refusal):
        return Judgement("reject", outcome.says)
    p95 = outcome.expected_error_mm.p95
    # Written so that a number which is none is never within a limit.
    if not p95 <= tolerance_mm:
        return Judgement(
            "reject", f"the expected error, {p95:.2f} mm (p95), is above the tolerance, {tolerance_mm:g} mm"
        )
    checks = outcome.checks
    if checks is not None and _contradicts(outcome, checks, tolerance_mm):
        return _contradicted_by_checks(checks, p95, tolerance_mm)
    if outcome.touches is not None and not _within(outcome.touches, IMPOSSIBLE):
        return _contradicted_by_touch(outcome.touches, p95, tolerance_mm)
    if outcome.unknown:
        return Judgement("unproven", f"not known from these pairs: {'; '.join(outcome.unknown)}")
    for name, value in (("board scale", outcome.scale), ("focal length", outcome.focal)):
        if _contradicted(value):
            return Judgement(
                "unproven",
                f"the pairs see the {name} {100 * value.estimate:+.2f} % off the stated one"
                f" (sigma {100 * value.sigma:.2f} %)",
            )
    by_touch = _bears_out(outcome.touches, tolerance_mm)
    if not outcome.proof_p95_mm <= tolerance_mm and not by_touch:
        return Judgement(
            "unproven",
            f"if board scale and focal length are not taken on trust, the error may be {outcome.proof_p95_mm:.2f} mm"
            f" (p95); tolerance {tolerance_mm:g} mm: take pairs at more distances, or touch points of the board",
        )
    borne_out = "borne out" if outcome.proof_p95_mm <= tolerance_mm else "borne out by touch"
    return Judgement(
        "accept",
        f"expected error {p95:.2f} mm (p95) within {tolerance_mm:g} mm; board scale and focal length {borne_out}",
    )


def _contradicts(solution: Solution, checks: HeldOut, tolerance_mm: float) -> bool:
    """Farther off than pairs like the others ever are (six numbers each, the scatter judged from the pairs used)."""
    chance = chance_of_ratio(6 * checks.count, max(3 * solution.kept - 6, 1), checks.normalised)
    return not (checks.rms_mm <= tolerance_mm or float(chance) >= IMPOSSIBLE)


def _contradicted_by_checks(checks: HeldOut, p95_mm: float, tolerance_mm: float) -> Judgement:
    return Judgement(
        "unproven",
        f"{checks.count} check pair{'s' if checks.count > 1 else ''} that took no part in the solve lie"
        f" {checks.rms_mm:.2f} mm (RMS) from where the result has them, at worst {checks.worst_mm:.2f} mm: more than"
        f" chance (expected error {p95_mm:.2f} mm p95) and than the tolerance, {tolerance_mm:g} mm: either the board"
        " or the camera moved since, or another tool or frame became active, or the poses of the checks are not those"
        " of their pictures; mend that and take all pairs anew",
    )


def _contradicted_by_touch(touches: TouchCheck, p95_mm: float, tolerance_mm: float) -> Judgement:
    says = (
        f"{touches.count} touched corners lie {touches.rms_mm:.2f} mm (RMS) from where the result has them, at worst"
        f" {touches.worst_mm:.2f} mm (corner {touches.worst_corner}): more than the stated errors of result, arm and"
        f" tip can be (expected error {p95_mm:.2f} mm p95): check the pointer's tip, the corner numbers and whether the"
        " board lay still, then place and touch it again in a new session"
    )
    return Judgement("unproven" if touches.rms_mm <= tolerance_mm else "reject", says)


def _bears_out(touches: TouchCheck | None, tolerance_mm: float) -> bool:
    """Whether the touches leave board scale and focal length no room for more than the tolerance."""
    if touches is None or not touches.spread_out or not _within(touches, UNUSUAL):
        return False
    return touches.proof_p95_mm <= tolerance_mm


def _within(touches: TouchCheck, by_chance: float) -> bool:
    return touches.normalised * touches.freedom <= squares_beyond(touches.freedom, by_chance)


def _contradicted(value: Estimate) -> bool:
    return not abs(value.estimate) <= CONTRADICTED_SIGMA * value.sigma
