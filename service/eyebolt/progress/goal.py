"""The goal of a session, whether a solution meets it, and an estimate of the pairs still wanted."""

from __future__ import annotations

import math
from dataclasses import dataclass

from eyebolt.solve.outcome import Refusal, Solution


@dataclass(frozen=True)
class Goal:
    """``tolerance_mm`` on the p95 of the expected error; ``fewest`` and ``most`` pairs."""

    tolerance_mm: float
    fewest: int
    most: int

    def met(self, kept: int, outcome: Solution | Refusal | None) -> bool:
        """Enough pairs, and a solution whose expected error is within tolerance."""
        return (
            isinstance(outcome, Solution) and kept >= self.fewest and outcome.expected_error_mm.p95 <= self.tolerance_mm
        )

    def wanted(self, kept: int, outcome: Solution | Refusal | None) -> int:
        """Pairs still wanted: 0 only when the goal is met. Error falls as 1/sqrt(pairs) (Tsai & Lenz 1989)."""
        if self.met(kept, outcome):
            return 0
        missing = max(self.fewest - kept, 0)
        if isinstance(outcome, Solution) and kept:
            ratio = outcome.expected_error_mm.p95 / self.tolerance_mm
            more = kept * (ratio * ratio - 1)
            missing = max(missing, math.ceil(more) if more < self.most else self.most)
        return min(max(missing, 1), max(self.most - kept, 1))
