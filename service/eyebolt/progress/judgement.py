"""The word on a result: accept, unproven or reject, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from eyebolt.solve.outcome import Estimate, Refusal, Solution

# A board scale or focal length this many sigma from the stated one is contradicted by the data.
CONTRADICTED_SIGMA = 4.0


@dataclass(frozen=True)
class Judgement:
    """``verdict`` and ``why`` in one sentence."""

    verdict: Literal["accept", "unproven", "reject"]
    why: str


def judge(outcome: Solution | Refusal, tolerance_mm: float) -> Judgement:
    """Within tolerance, no stop finding, and board scale and focal length borne out by the data: accept."""
    if isinstance(outcome, Refusal):
        return Judgement("reject", outcome.says)
    p95 = outcome.expected_error_mm.p95
    # Written so that a number which is none is never within a limit.
    if not p95 <= tolerance_mm:
        return Judgement(
            "reject", f"the expected error, {p95:.2f} mm (p95), is above the tolerance, {tolerance_mm:g} mm"
        )
    stops = [f.says for f in outcome.findings if f.severity == "stop"]
    if stops:
        return Judgement("reject", "; ".join(stops))
    if outcome.unknown:
        return Judgement("unproven", f"not known from these pairs: {'; '.join(outcome.unknown)}")
    for name, value in (("board scale", outcome.scale), ("focal length", outcome.focal)):
        if _contradicted(value):
            return Judgement(
                "unproven",
                f"the pairs see the {name} {100 * value.estimate:+.2f} % off the stated one"
                f" (sigma {100 * value.sigma:.2f} %)",
            )
    if not outcome.proof_p95_mm <= tolerance_mm:
        return Judgement(
            "unproven",
            f"if board scale and focal length are not taken on trust, the error may be {outcome.proof_p95_mm:.2f} mm"
            f" (p95); tolerance {tolerance_mm:g} mm: take pairs at more distances, or touch points of the board",
        )
    return Judgement(
        "accept",
        f"expected error {p95:.2f} mm (p95) within {tolerance_mm:g} mm; board scale and focal length borne out",
    )


def _contradicted(value: Estimate) -> bool:
    return not abs(value.estimate) <= CONTRADICTED_SIGMA * value.sigma
