"""Pairs that do not belong: a stale pose, a moved board, somebody else's picture.

Gross ones are kept out of the start (``agreement``). If board or camera moved half-way (``slips``), the larger part is
kept. Then the pairs that agree among themselves (``core``) take in every other one that their noise explains; a single
stranger is found by leaving it out. At the end all pairs are judged by the estimate of those that belong.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from eyebolt.calibration.estimation import (
    JointEstimate,
    Views,
    agreed_start,
    chance_of_ratio,
    chance_of_squares,
    joint_estimate,
    leave_one_out,
    linearise,
    settle_branches,
    squares_beyond,
    unused_pairs,
    variance_of,
)
from eyebolt.calibration.problem import Problem
from eyebolt.calibration.robust.change_points import Parting, Slip, borne_out, find_slip
from eyebolt.calibration.robust.correlated_errors import taken_back
from eyebolt.calibration.robust.forward_search import agreeing_part
from eyebolt.geometry import Array, se3

Mask = NDArray[np.bool_]

FEWEST = 3
# Chance that a clean set loses any pair at all, shared among its pairs, and among its groups of pairs.
_FALSE_ALARM = 2e-3
_FALSE_ALARM_OF_GROUP = 5e-3
# At most this share of the pairs that are named may be named wrongly.
_RATE = 0.03
# On the way from the core a pair waits outside until it is at least this probable.
_GROWING = 0.01
# If more do not belong, something is wrong with all pairs (board, lens, reading of the poses), and none is to blame.
_MINORITY = 0.35
# When the pairs surprise each other this many times more than stated, the statement no longer counts.
_CONTRADICTED = 2.0
# By this over the square root of their number they may do so by chance (two and a half deviations of a median).
_BY_CHANCE = 2.0
# Below this squared offset no pair is tried without.
_SUSPECT = 12.0
_FEWEST_FOR_CORE = 12
# Fewer pairs cannot tell a stranger from noise that they must judge themselves; gross ones are known from the start.
_FEWEST_TO_JUDGE = 7
_MOST_GROWINGS = 10


@dataclass(frozen=True)
class LeftOut:
    """A pair that was not used: ``row`` among the views, ``reason`` in words with how far off it is."""

    row: int
    reason: str


@dataclass(frozen=True)
class Belonging:
    """The joint estimate on the pairs that belong: ``used`` rows (n,) bool, the pairs left out, and what moved when."""

    joint: JointEstimate
    used: Mask
    left_out: tuple[LeftOut, ...]
    partings: tuple[Parting, ...]


def estimate_without_strangers(problem: Problem, views: Views) -> Belonging:
    """The joint estimate on the pairs that belong."""
    start, used = agreed_start(problem, views)
    views = settle_branches(problem, views, start)
    joint = joint_estimate(problem, views.subset(np.flatnonzero(used)), start.X, start.Y, posterior=False)
    stated = problem.robot_noise is not None
    search = _Search(problem, views)
    joint, used, moved, partings = search.without_slips(joint, used)
    # What belongs to another place of board or camera looks ordinary pair by pair: it is out of the question from here.
    rows = np.flatnonzero(~moved)
    search, inner = _Search(problem, views.subset(rows)), used[rows]
    mixed = False
    if inner.sum() >= _FEWEST_FOR_CORE:
        joint, inner, mixed = search.judged_by_core(joint, inner)
    if stated or len(inner) >= _FEWEST_TO_JUDGE:
        joint, inner = search.drop_single(joint, inner)
        joint, inner = search.judged_anew(joint, inner, mixed)
        inner = taken_back(problem, search.views, joint, inner)
    used = np.zeros_like(used)
    used[rows[inner]] = True
    final = joint_estimate(problem, views.subset(np.flatnonzero(used)), joint.X, joint.Y, joint.noise.best)
    left_out = [_describe(views, final, int(row)) for row in np.flatnonzero(~used & ~moved)]
    left_out += [LeftOut(int(row), _moved(partings, len(used), int(row))) for row in np.flatnonzero(moved)]
    return Belonging(final, used, tuple(left_out), partings)


def _moved(partings: tuple[Parting, ...], count: int, row: int) -> str:
    what = next(p.slip.what for p in partings if p.other_part(count)[row])
    return f"the {what} stood elsewhere than in the other pairs"


def _common_surprise(joint: JointEstimate) -> float:
    """How many times more than expected the pairs surprise each other all alike."""
    return float(np.median(leave_one_out(joint).squared)) / squares_beyond(6, 0.5)


@dataclass(frozen=True)
class _Search:
    """The search for strangers among ``views``."""

    problem: Problem
    views: Views

    def without_slips(self, joint: JointEstimate, used: Mask) -> tuple[JointEstimate, Mask, Mask, tuple[Parting, ...]]:
        """The estimate on the largest part in which nothing moved; used rows, rows of other parts, what moved where."""
        used, moved = used.copy(), np.zeros_like(used)
        partings: list[Parting] = []
        while True:
            slip = self._slip(joint)
            if slip is not None and slip.odd:
                # A stranger beside a slip hides it, and the slip hides the stranger.
                ordinary = used.copy()
                ordinary[np.flatnonzero(used)[list(slip.odd)]] = False
                without = self._again(joint, ordinary)
                found = self._slip(without)
                if borne_out(found, len(slip.odd), int(used.sum())):
                    slip, used, joint = found, ordinary, without
                else:
                    slip = None
            if slip is None:
                return joint, used, moved, tuple(partings)
            parting = Parting(slip, int(np.flatnonzero(used)[slip.at]), bool(slip.at > used.sum() / 2))
            other_part = parting.other_part(len(used))
            moved |= other_part
            used &= ~other_part
            partings.append(parting)
            joint = self._again(joint, used)

    def _slip(self, joint: JointEstimate) -> Slip | None:
        return find_slip(joint, variance_of(joint.noise.best), self._yardstick(joint)[0])

    def judged_by_core(self, joint: JointEstimate, used: Mask) -> tuple[JointEstimate, Mask, bool]:
        """The estimate on the pairs that agree and all they can explain, and True; the old one if the rest could be
        chance."""
        trial = np.zeros_like(used)
        known, _ = self._yardstick(joint)
        agreeing = agreeing_part(joint.model, joint.corner_px, variance_of(joint.noise.best), known)
        trial[np.flatnonzero(used)[agreeing]] = True
        grown = self._again(joint, trial)
        for _ in range(_MOST_GROWINGS):
            belongs = self._chances(grown, self._surprises(grown, trial), trial) > _GROWING
            if (belongs == trial).all() or belongs.sum() < len(trial) / 2:
                break
            trial = belongs
            grown = self._again(grown, trial)
        if not 0 < (~trial).sum() <= _MINORITY * len(trial):
            return joint, used, False
        squared = self._surprises(grown, trial)
        beyond_doubt = ~trial & (self._chances(grown, squared, trial) <= _FALSE_ALARM / len(trial))
        if self._could_be_chance(grown, squared, trial, beyond_doubt):
            if not beyond_doubt.any():
                return joint, used, False
            trial = ~beyond_doubt
            grown = self._again(grown, trial)
        return grown, trial, True

    def drop_single(self, joint: JointEstimate, used: Mask) -> tuple[JointEstimate, Mask]:
        """Takes out, one at a time, the pair that its absence makes look worst, while chance cannot explain it."""
        used = used.copy()
        while used.sum() > FEWEST + 1:
            rows = np.flatnonzero(used)
            surprise = leave_one_out(joint).squared
            # The pair that bends the noise estimate most is among the most surprising ones.
            worst: tuple[float, int, JointEstimate] | None = None
            for k in [k for k in np.argsort(-surprise)[:3] if surprise[k] > _SUSPECT]:
                trial = used.copy()
                trial[rows[k]] = False
                without = self._again(joint, trial)
                chance = float(self._chances(without, self._surprises(without, trial), trial)[rows[k]])
                if chance <= _FALSE_ALARM / len(used) and (worst is None or chance < worst[0]):
                    worst = (chance, int(rows[k]), without)
            if worst is None:
                break
            used[worst[1]] = False
            joint = worst[2]
        return joint, used

    def judged_anew(self, joint: JointEstimate, used: Mask, mixed: bool) -> tuple[JointEstimate, Mask]:
        """All pairs judged by the estimate of those that belong, until the same ones stay.

        A pair may have looked wrong only because another one bent the estimate, and once there are strangers, more of
        their kind are likely.
        """
        for _ in range(_MOST_GROWINGS):
            belongs = ~_strangers_by_rate(self._chances(joint, self._surprises(joint, used), used), mixed)
            if belongs.sum() < max(FEWEST, len(used) / 2) or (belongs == used).all():
                break
            used = belongs
            joint = self._again(joint, used)
        return joint, used

    def _again(self, joint: JointEstimate, used: Mask) -> JointEstimate:
        views = self.views.subset(np.flatnonzero(used))
        return joint_estimate(self.problem, views, joint.X, joint.Y, joint.noise.best, posterior=False)

    def _surprises(self, joint: JointEstimate, used: Mask) -> Array:
        """Normalised squared offsets (n,): each used pair from the others, each other pair from the used ones."""
        out = np.zeros(len(used))
        out[used] = leave_one_out(joint).squared
        if not used.all():
            others = self.views.subset(np.flatnonzero(~used))
            model = linearise(self.problem, others.seen, others.A, joint.X, joint.Y)
            out[~used] = unused_pairs(joint, model).squared
        return out

    def _chances(self, joint: JointEstimate, squared: Array, used: Mask) -> Array:
        """How probable so large an offset is for a pair that belongs, (n,)."""
        known, scale = self._yardstick(joint)
        if known:
            return chance_of_squares(6, squared / scale)
        return chance_of_ratio(6, _freedom(used), squared / scale / 6)

    def _could_be_chance(self, joint: JointEstimate, squared: Array, used: Mask, beyond_doubt: Mask) -> bool:
        """Whether the k pairs outside that are in doubt may lie that far off, picked as the worst of all groups of k.

        The more strangers there are beyond doubt, the likelier is each further one.
        """
        doubtful = ~used & ~beyond_doubt
        k, count = int(doubtful.sum()), int((~beyond_doubt).sum())
        if not k:
            return False
        known, scale = self._yardstick(joint)
        total = float(squared[doubtful].sum()) / scale
        chance = chance_of_squares(6 * k, total) if known else chance_of_ratio(6 * k, _freedom(used), total / (6 * k))
        ways = scipy.special.gammaln(count + 1) - scipy.special.gammaln(k + 1) - scipy.special.gammaln(count - k + 1)
        certain = float(beyond_doubt.sum())
        limit = _FALSE_ALARM_OF_GROUP * (1 + certain) * max(certain, 1.0) ** (k - 1)
        return bool(np.log(max(float(chance), 1e-300)) + ways > np.log(limit))

    def _yardstick(self, joint: JointEstimate) -> tuple[bool, float]:
        """Whether the noise is stated and the pairs of the estimate do not contradict it; what squares are divided by.

        When the pairs surprise each other all alike, it is the stated noise, board or lens, and no pair.
        """
        if self.problem.robot_noise is None:
            return False, 1.0
        surprise = _common_surprise(joint)
        by_chance = surprise < 1 + _BY_CHANCE / np.sqrt(len(joint.model.offset))
        return surprise < _CONTRADICTED, 1.0 if by_chance else surprise


def _freedom(used: Mask) -> int:
    """Three lengths and three angles a pair, less the six that the transforms took of either."""
    return max(3 * int(used.sum()) - 6, 1)


def _strangers_by_rate(chances: Array, known_mixed: bool) -> Mask:
    """Who is a stranger when at most ``_RATE`` of those named may be named wrongly.

    Y. Benjamini, Y. Hochberg, J. Royal Statistical Society B 57(1), 1995. Unless the set is known to be mixed, the
    first one must be far beyond chance, so that a clean set loses none.
    """
    count = len(chances)
    order = np.argsort(chances)
    passed = np.flatnonzero(chances[order] <= _RATE * np.arange(1, count + 1) / count)
    out = np.zeros(count, dtype=bool)
    if passed.size and (known_mixed or chances[order[0]] <= _FALSE_ALARM / count):
        out[order[: passed[-1] + 1]] = True
    return out


def _describe(views: Views, joint: JointEstimate, row: int) -> LeftOut:
    one = views.subset(np.array([row]))
    predicted = se3.inverse(joint.X) @ one.A @ joint.Y
    offset = se3.log(se3.inverse(predicted) @ one.poses.camera_T_board)[0]
    shift_mm = float(np.linalg.norm(offset[:3])) * 1e3
    turn_deg = float(np.rad2deg(np.linalg.norm(offset[3:])))
    reason = f"pose and picture disagree with the other pairs by {shift_mm:.2f} mm and {turn_deg:.2f} deg"
    return LeftOut(row, reason)
