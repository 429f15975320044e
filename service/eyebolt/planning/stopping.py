"""The goal of a session, whether a solution meets it, and the number of pairs still wanted."""

from __future__ import annotations

import math
from dataclasses import dataclass

from eyebolt.calibration import Refusal, Solution, chi2_isf, noise_dof
from eyebolt.protocol import ToleranceOf

# With random waypoints the error falls as 1/sqrt(pairs - 4): the first few pairs only make the problem solvable.
# Measured by ``bench.planning stop``; 1/sqrt(pairs) would require 45 % too many at 8 pairs and for 14 % at 15.
_PAIRS_TO_SOLVE = 4
# Measured by ``bench.planning stop``: an estimated noise widens the stated p95 by exp(1.5 / nu) on average.
_VARIANCE_EXPONENT = 1.5
# Measured with a camera on the arm, where its noise dominates: the bound is 1.80, 1.55 and 1.33 times the true p95 of
# picks at 8, 12 and 20 pairs (``bench.honesty table --rows nothing lens-off board-off``), that is exp(2.3 / sqrt(nu)).
_ARM_EXPONENT = 2.3


def stopping_factor(pairs: int, prior_dof: float) -> float:
    """Correction of the bound for sequential stopping, with ``pairs`` used pairs and a statement of the noise with
    ``prior_dof`` degrees of freedom, 0 for none.

    A rule that stops when an estimate falls below a limit stops sooner where the estimate happens to be too small. Let
    s^2 be the estimated noise variance over the true one, on nu degrees of freedom. nu (s^2 - 1) is a sum of
    independent terms of mean 0, so its mean at the stopping time is 0 too (A. Wald, Ann. Math. Statist. 15(3), 1944).
    The number of pairs at the stop follows s^2, whose variance is 2 / nu; hence the mean of s^2 there is 1 - 2 / nu,
    and the error is understated by exp(-1 / nu). Of the six residuals of a pair three carry the noise that decides,
    translations or rotations, and half of the twelve unknowns are fitted to them: nu = 3 n - 6.

    A statement adds nu_0 degrees of freedom, and s^2 - 1 is that of the pairs times f = nu / (nu + nu_0). The mean of
    (nu + nu_0) (s^2 - 1) at the stop is 0 as before, nu there is in proportion to s^2, whose variance is f^2 2 / nu:
    the mean of s^2 - 1 is -f^3 2 / nu, and the error is understated by exp(-f^3 / nu).
    """
    nu = noise_dof(pairs)
    return math.exp((nu / (nu + prior_dof)) ** 3 / nu)


def predicted_p95_upper_mm(pairs: int, p95_upper_mm: float, prior_dof: float) -> float:
    """The bound that will be compared with the tolerance at ``pairs`` pairs, if their information alone gives
    ``p95_upper_mm``.

    The uncertainty of the noise is part of the bound, which is then exp(1.5 / nu) times larger on average (measured by
    ``bench.planning stop``), nu being the degrees of freedom of pairs and statement; to this comes
    ``stopping_factor``.
    """
    widening = math.exp(_VARIANCE_EXPONENT / (noise_dof(pairs) + prior_dof))
    return p95_upper_mm * widening * stopping_factor(pairs, prior_dof)


def arm_p95_upper_mm(pairs: int, arm_p95_mm: float, prior_dof: float) -> float:
    """The arm's own p95 at a pick as the bound will have it, if ``pairs`` pairs show white noise of ``arm_p95_mm``.

    Both the size of the noise and a pose-correlated error remain uncertain, with the degrees of freedom nu of pairs and
    statement.
    """
    return arm_p95_mm * math.exp(_ARM_EXPONENT / math.sqrt(noise_dof(pairs) + prior_dof))


def p95_upper_of_pick_mm(p95_upper_of_transform_mm: float, arm_p95_mm: float) -> float:
    """The bound for picks whose own white error has the p95 ``arm_p95_mm``, with a transform of the bound stated.

    All picks share the error of the transform. Where it is at its bound, the squared error of a pick is noncentral
    chi-squared; its quantile by P. B. Patnaik, Biometrika 36(1/2), 1949.
    """
    sigma_mm = arm_p95_mm / math.sqrt(chi2_isf(3, 0.05))
    if not p95_upper_of_transform_mm < 1e4 * sigma_mm:
        return p95_upper_of_transform_mm
    noncentrality = (p95_upper_of_transform_mm / sigma_mm) ** 2
    scale = (3 + 2 * noncentrality) / (3 + noncentrality)
    return sigma_mm * math.sqrt(scale * chi2_isf((3 + noncentrality) / scale, 0.05))


@dataclass(frozen=True)
class Goal:
    """The goal of a session."""

    tolerance_mm: float
    """Tolerance on the upper confidence bound of the p95, millimetres."""
    min_pairs: int
    """Fewest pairs that the solution must rest on."""
    max_pairs: int
    """Most pairs that are kept."""
    tolerance_of: ToleranceOf = ToleranceOf.PICK
    """Which error the tolerance is for."""

    def is_met(self, kept: int, outcome: Solution | Refusal | None) -> bool:
        """Whether the solution uses enough pairs, and the bound of its p95, corrected for stopping on it, is within the
        tolerance."""
        if not isinstance(outcome, Solution) or _effective_pairs(kept, outcome) < self.min_pairs:
            return False
        factor = stopping_factor(outcome.pairs_used, outcome.robot_noise_prior_dof)
        return outcome.error_compared_mm(self.tolerance_of).p95_upper * factor <= self.tolerance_mm

    def is_out_of_reach(self, outcome: Solution | Refusal | None) -> bool:
        """Whether no further pair brings the error within the tolerance, since the arm itself exceeds it at a pick."""
        return isinstance(outcome, Solution) and self._remaining_mm(outcome) > self.tolerance_mm

    def _remaining_mm(self, solution: Solution) -> float:
        """The p95 that no further pair reduces: the bound cannot fall below it."""
        return solution.remaining_pick_error_mm if self.tolerance_of is ToleranceOf.PICK else 0.0

    def p95_upper_after_mm(self, solution: Solution, mean_square_ratio: float) -> float:
        """The bound of the p95 with further pairs that reduce the mean square error of the transform by
        ``mean_square_ratio``.

        Its square has two parts: that of the arm at the pick stays as it is.
        """
        p95_upper = solution.error_compared_mm(self.tolerance_of).p95_upper
        remaining_fraction = min(self._remaining_mm(solution) / p95_upper, 1.0) ** 2 if p95_upper > 0 else 0.0
        return p95_upper * math.sqrt(remaining_fraction + (1 - remaining_fraction) * mean_square_ratio)

    def pairs_wanted(self, kept: int, outcome: Solution | Refusal | None) -> int:
        """Pairs still wanted if further waypoints are like those so far; 0 exactly when the goal is met.

        Where no further pair reaches the tolerance, only those up to ``min_pairs`` are wanted, or one.
        """
        if self.is_met(kept, outcome):
            return 0
        room = max(self.max_pairs - kept, 1)
        missing = max(self.min_pairs - _effective_pairs(kept, outcome), 1)
        if isinstance(outcome, Solution) and kept and not self.is_out_of_reach(outcome):
            missing = max(missing, self._pairs_until_tolerance(outcome, room))
        return min(missing, room)

    def _pairs_until_tolerance(self, solution: Solution, room: int) -> int:
        """Further pairs until the error is predicted to be within the tolerance, at most ``room``."""
        used, prior_dof = solution.pairs_used, solution.robot_noise_prior_dof
        if not math.isfinite(solution.error_compared_mm(self.tolerance_of).p95_upper):
            return room
        now = max(used - _PAIRS_TO_SOLVE, 1)
        for more in range(room):
            p95_upper = self.p95_upper_after_mm(solution, now / (now + more))
            if p95_upper * stopping_factor(used + more, prior_dof) <= self.tolerance_mm:
                return more
        return room


def _effective_pairs(kept: int, outcome: Solution | Refusal | None) -> int:
    """Upper bound on the kept pairs behind the solution: excluded pairs do not count.

    The smaller of the two numbers, since pairs that were refused at first may be among those used.
    """
    return min(kept, outcome.pairs_used) if isinstance(outcome, Solution) else kept
