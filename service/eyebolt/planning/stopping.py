"""The goal of a session, whether a solution meets it, and an estimate of the pairs still wanted."""

from __future__ import annotations

import math
from dataclasses import dataclass

from eyebolt.calibration import Refusal, Solution, noise_dof

# With random waypoints the error falls as 1/sqrt(pairs - 4): the first few pairs only make it solvable. Measured
# (``tests/bench/progress stop``); 1/sqrt(pairs) alone asks for 45 % too many at 8 pairs and 14 % at 15.
_PAIRS_TO_SOLVE = 4
_VARIANCE_EXPONENT = 1.5


def stopping_factor(pairs: int, noise_stated: bool) -> float:
    """What the p95 must be multiplied by before it may end a session of so many used pairs.

    Whoever stops when an estimate has fallen below a limit stops sooner where it came out too small. With s^2 the
    estimated variance of the scatter over the true one, on nu degrees of freedom, nu (s^2 - 1) is a sum of independent
    terms of mean 0, so its mean at a stop is 0 too (A. Wald, Ann. Math. Statist. 15(3), 1944). The pairs at the stop
    follow s^2, whose variance is 2 / nu; hence the mean of s^2 there is 1 - 2 / nu, and the error is stated too small
    by exp(-1 / nu). Of the six numbers of a pair three tell of the scatter that decides, shifts or turns, and half of
    the twelve unknowns were fitted to them: nu = 3 n - 6. A stated scatter is not estimated and has no such bias.
    """
    return 1.0 if noise_stated else math.exp(1 / noise_dof(pairs))


def predicted_p95_mm(pairs: int, p95_mm: float, noise_stated: bool) -> float:
    """What the tolerance will be compared with at so many pairs, where their information alone promises ``p95_mm``.

    A scatter that is estimated is also stated with its own doubt: the stated p95 is then exp(1.5 / nu) times the
    promised one in the mean (measured: ``tests/bench/progress stop``).
    """
    factor = stopping_factor(pairs, noise_stated)
    return p95_mm if noise_stated else p95_mm * factor**_VARIANCE_EXPONENT * factor


@dataclass(frozen=True)
class Goal:
    """``tolerance_mm`` on the p95 of the expected error; ``min_pairs`` pairs that carry it, ``max_pairs`` pairs kept for it."""

    tolerance_mm: float
    min_pairs: int
    max_pairs: int

    def is_met(self, kept: int, outcome: Solution | Refusal | None) -> bool:
        """Enough pairs, and a solution whose expected error is within tolerance even for having stopped on it."""
        if not isinstance(outcome, Solution) or _effective_pairs(kept, outcome) < self.min_pairs:
            return False
        factor = stopping_factor(outcome.pairs_used, outcome.robot_noise_stated)
        return outcome.expected_error_mm.p95 * factor <= self.tolerance_mm

    def pairs_wanted(self, kept: int, outcome: Solution | Refusal | None) -> int:
        """Pairs still wanted if they go on like those so far: 0 only when the goal is met."""
        if self.is_met(kept, outcome):
            return 0
        room = max(self.max_pairs - kept, 1)
        missing = max(self.min_pairs - _effective_pairs(kept, outcome), 1)
        if isinstance(outcome, Solution) and kept:
            missing = max(missing, self._pairs_until_tolerance(outcome, room))
        return min(missing, room)

    def _pairs_until_tolerance(self, solution: Solution, room: int) -> int:
        """Further pairs until the error will be within tolerance; ``room`` where it will not be before."""
        p95, used, stated = solution.expected_error_mm.p95, solution.pairs_used, solution.robot_noise_stated
        if not math.isfinite(p95):
            return room
        now = max(used - _PAIRS_TO_SOLVE, 1)
        for more in range(room):
            error_ratio = math.sqrt(now / (now + more))
            if p95 * error_ratio * stopping_factor(used + more, stated) <= self.tolerance_mm:
                return more
        return room


def _effective_pairs(kept: int, outcome: Solution | Refusal | None) -> int:
    """How many of the pairs kept carry the answer, at most: strangers, and those from before a board slipped, do not.

    The lesser of the two, since pairs that were refused at first may be among those used.
    """
    return min(kept, outcome.pairs_used) if isinstance(outcome, Solution) else kept
