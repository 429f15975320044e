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
    Observations,
    chi2_isf,
    chi2_sf,
    consensus_start,
    f_sf,
    joint_estimate,
    leave_one_out,
    linearize,
    noise_dof,
    resolve_tilt_branches,
    unused_pair_residuals,
    variance_of,
)
from eyebolt.calibration.problem import Problem
from eyebolt.calibration.robust.change_points import ChangePoint, StepChange, find_step_change, is_confirmed
from eyebolt.calibration.robust.correlated_errors import readmit_outliers
from eyebolt.calibration.robust.forward_search import consistent_subset
from eyebolt.geometry import Array, se3

Mask = NDArray[np.bool_]

MIN_PAIRS = 3
# Chance that a clean set loses any pair at all, shared among its pairs, and among its groups of pairs.
_FALSE_ALARM_RATE = 2e-3
_GROUP_FALSE_ALARM_RATE = 5e-3
# At most this share of the pairs that are named may be named wrongly.
_FALSE_DISCOVERY_RATE = 0.03
# On the way from the core a pair waits outside until it is at least this probable.
_READMISSION_P = 0.01
# If more do not belong, something is wrong with all pairs (board, lens, reading of the poses), and none is to blame.
_MAX_OUTLIER_FRACTION = 0.35
# When the pairs surprise each other this many times more than stated, the statement no longer counts.
_CONTRADICTED_SCALE = 2.0
# By this over the square root of their number they may do so by chance (two and a half deviations of a median).
_SCALE_TOLERANCE = 2.0
# Below this squared offset no pair is tried without.
_SUSPECT_RESIDUAL_SQ = 12.0
_MIN_PAIRS_FOR_FORWARD_SEARCH = 12
# Fewer pairs cannot tell a stranger from noise that they must judge themselves; gross ones are known from the start.
_MIN_PAIRS_TO_REJECT = 7
_MAX_REASSIGNMENTS = 10


@dataclass(frozen=True)
class ExcludedRow:
    """A pair that was not used: ``row`` among the views, ``reason`` in words with how far off it is."""

    row: int
    reason: str


@dataclass(frozen=True)
class InlierEstimate:
    """The joint estimate on the pairs that belong: ``used`` rows (n,) bool, the pairs left out, and what moved when."""

    joint: JointEstimate
    used: Mask
    excluded: tuple[ExcludedRow, ...]
    change_points: tuple[ChangePoint, ...]


def robust_estimate(problem: Problem, observations: Observations) -> InlierEstimate:
    """The joint estimate on the pairs that belong."""
    start, used = consensus_start(problem, observations)
    observations = resolve_tilt_branches(problem, observations, start)
    joint = joint_estimate(problem, observations.subset(np.flatnonzero(used)), start.X, start.Y, posterior=False)
    stated = problem.robot_noise is not None
    search = _Search(problem, observations)
    joint, used, other_segment, change_points = search.without_change_points(joint, used)
    # What belongs to another place of board or camera looks ordinary pair by pair: it is out of the question from here.
    rows = np.flatnonzero(~other_segment)
    search, segment_inliers = _Search(problem, observations.subset(rows)), used[rows]
    contaminated = False
    if segment_inliers.sum() >= _MIN_PAIRS_FOR_FORWARD_SEARCH:
        joint, segment_inliers, contaminated = search.forward_search(joint, segment_inliers)
    if stated or len(segment_inliers) >= _MIN_PAIRS_TO_REJECT:
        joint, segment_inliers = search.drop_single_outliers(joint, segment_inliers)
        joint, segment_inliers = search.reclassify(joint, segment_inliers, contaminated)
        segment_inliers = readmit_outliers(problem, search.observations, joint, segment_inliers)
    used = np.zeros_like(used)
    used[rows[segment_inliers]] = True
    final = joint_estimate(problem, observations.subset(np.flatnonzero(used)), joint.X, joint.Y, joint.noise.best)
    excluded = [_describe(observations, final, int(row)) for row in np.flatnonzero(~used & ~other_segment)]
    excluded += [
        ExcludedRow(int(row), _reason_for_segment(change_points, len(used), int(row)))
        for row in np.flatnonzero(other_segment)
    ]
    return InlierEstimate(final, used, tuple(excluded), change_points)


def _reason_for_segment(change_points: tuple[ChangePoint, ...], count: int, row: int) -> str:
    moved_part = next(p.step_change.moved_part for p in change_points if p.excluded_rows(count)[row])
    return f"the {moved_part} stood elsewhere than in the other pairs"


def _median_scale(joint: JointEstimate) -> float:
    """How many times more than expected the pairs surprise each other all alike."""
    return float(np.median(leave_one_out(joint).mahalanobis_sq)) / chi2_isf(6, 0.5)


@dataclass(frozen=True)
class _Search:
    """The search for strangers among ``observations``."""

    problem: Problem
    observations: Observations

    def without_change_points(
        self, joint: JointEstimate, used: Mask
    ) -> tuple[JointEstimate, Mask, Mask, tuple[ChangePoint, ...]]:
        """The estimate on the largest part in which nothing moved; used rows, rows of other parts, what moved where."""
        used, other_segment = used.copy(), np.zeros_like(used)
        change_points: list[ChangePoint] = []
        while True:
            step_change = self._step_change(joint)
            if step_change is not None and step_change.outliers:
                # A stranger beside a slip hides it, and the slip hides the stranger.
                inliers = used.copy()
                inliers[np.flatnonzero(used)[list(step_change.outliers)]] = False
                without = self._refit(joint, inliers)
                found = self._step_change(without)
                if is_confirmed(found, len(step_change.outliers), int(used.sum())):
                    step_change, used, joint = found, inliers, without
                else:
                    step_change = None
            if step_change is None:
                return joint, used, other_segment, tuple(change_points)
            change_point = ChangePoint(
                step_change, int(np.flatnonzero(used)[step_change.at]), bool(step_change.at > used.sum() / 2)
            )
            excluded_rows = change_point.excluded_rows(len(used))
            other_segment |= excluded_rows
            used &= ~excluded_rows
            change_points.append(change_point)
            joint = self._refit(joint, used)

    def _step_change(self, joint: JointEstimate) -> StepChange | None:
        return find_step_change(joint, variance_of(joint.noise.best), self._reference_scale(joint)[0])

    def forward_search(self, joint: JointEstimate, used: Mask) -> tuple[JointEstimate, Mask, bool]:
        """The estimate on the pairs that agree and all they can explain, and True; the old one if the rest could be
        chance."""
        trial = np.zeros_like(used)
        noise_known, _ = self._reference_scale(joint)
        consistent = consistent_subset(joint.model, joint.corner_sigma_px, variance_of(joint.noise.best), noise_known)
        trial[np.flatnonzero(used)[consistent]] = True
        extended = self._refit(joint, trial)
        for _ in range(_MAX_REASSIGNMENTS):
            is_inlier = self._p_values(extended, self._residuals_sq(extended, trial), trial) > _READMISSION_P
            if (is_inlier == trial).all() or is_inlier.sum() < len(trial) / 2:
                break
            trial = is_inlier
            extended = self._refit(extended, trial)
        if not 0 < (~trial).sum() <= _MAX_OUTLIER_FRACTION * len(trial):
            return joint, used, False
        mahalanobis_sq = self._residuals_sq(extended, trial)
        certain_outliers = ~trial & (self._p_values(extended, mahalanobis_sq, trial) <= _FALSE_ALARM_RATE / len(trial))
        if self._is_plausible_by_chance(extended, mahalanobis_sq, trial, certain_outliers):
            if not certain_outliers.any():
                return joint, used, False
            trial = ~certain_outliers
            extended = self._refit(extended, trial)
        return extended, trial, True

    def drop_single_outliers(self, joint: JointEstimate, used: Mask) -> tuple[JointEstimate, Mask]:
        """Takes out, one at a time, the pair that its absence makes look worst, while chance cannot explain it."""
        used = used.copy()
        while used.sum() > MIN_PAIRS + 1:
            rows = np.flatnonzero(used)
            loo_residual_sq = leave_one_out(joint).mahalanobis_sq
            # The pair that bends the noise estimate most is among the most surprising ones.
            worst: tuple[float, int, JointEstimate] | None = None
            for k in [k for k in np.argsort(-loo_residual_sq)[:3] if loo_residual_sq[k] > _SUSPECT_RESIDUAL_SQ]:
                trial = used.copy()
                trial[rows[k]] = False
                without = self._refit(joint, trial)
                p_value = float(self._p_values(without, self._residuals_sq(without, trial), trial)[rows[k]])
                if p_value <= _FALSE_ALARM_RATE / len(used) and (worst is None or p_value < worst[0]):
                    worst = (p_value, int(rows[k]), without)
            if worst is None:
                break
            used[worst[1]] = False
            joint = worst[2]
        return joint, used

    def reclassify(self, joint: JointEstimate, used: Mask, contaminated: bool) -> tuple[JointEstimate, Mask]:
        """All pairs judged by the estimate of those that belong, until the same ones stay.

        A pair may have looked wrong only because another one bent the estimate, and once there are strangers, more of
        their kind are likely.
        """
        for _ in range(_MAX_REASSIGNMENTS):
            is_inlier = ~_outliers_by_fdr(self._p_values(joint, self._residuals_sq(joint, used), used), contaminated)
            if is_inlier.sum() < max(MIN_PAIRS, len(used) / 2) or (is_inlier == used).all():
                break
            used = is_inlier
            joint = self._refit(joint, used)
        return joint, used

    def _refit(self, joint: JointEstimate, used: Mask) -> JointEstimate:
        observations = self.observations.subset(np.flatnonzero(used))
        return joint_estimate(self.problem, observations, joint.X, joint.Y, joint.noise.best, posterior=False)

    def _residuals_sq(self, joint: JointEstimate, used: Mask) -> Array:
        """Normalised squared offsets (n,): each used pair from the others, each other pair from the used ones."""
        out = np.zeros(len(used))
        out[used] = leave_one_out(joint).mahalanobis_sq
        if not used.all():
            others = self.observations.subset(np.flatnonzero(~used))
            model = linearize(self.problem, others.board_poses, others.A, joint.X, joint.Y)
            out[~used] = unused_pair_residuals(joint, model).mahalanobis_sq
        return out

    def _p_values(self, joint: JointEstimate, mahalanobis_sq: Array, used: Mask) -> Array:
        """How probable so large an offset is for a pair that belongs, (n,)."""
        noise_known, scale = self._reference_scale(joint)
        if noise_known:
            return chi2_sf(6, mahalanobis_sq / scale)
        return f_sf(6, noise_dof(int(used.sum())), mahalanobis_sq / scale / 6)

    def _is_plausible_by_chance(
        self, joint: JointEstimate, mahalanobis_sq: Array, used: Mask, certain_outliers: Mask
    ) -> bool:
        """Whether the k pairs outside that are in doubt may lie that far off, picked as the worst of all groups of k.

        The more strangers there are beyond doubt, the likelier is each further one.
        """
        borderline = ~used & ~certain_outliers
        k, count = int(borderline.sum()), int((~certain_outliers).sum())
        if not k:
            return False
        noise_known, scale = self._reference_scale(joint)
        total = float(mahalanobis_sq[borderline].sum()) / scale
        p_value = chi2_sf(6 * k, total) if noise_known else f_sf(6 * k, noise_dof(int(used.sum())), total / (6 * k))
        ways = scipy.special.gammaln(count + 1) - scipy.special.gammaln(k + 1) - scipy.special.gammaln(count - k + 1)
        certain_count = float(certain_outliers.sum())
        limit = _GROUP_FALSE_ALARM_RATE * (1 + certain_count) * max(certain_count, 1.0) ** (k - 1)
        return bool(np.log(max(float(p_value), 1e-300)) + ways > np.log(limit))

    def _reference_scale(self, joint: JointEstimate) -> tuple[bool, float]:
        """Whether the noise is stated and the pairs of the estimate do not contradict it; what squares are divided by.

        When the pairs surprise each other all alike, it is the stated noise, board or lens, and no pair.
        """
        if self.problem.robot_noise is None:
            return False, 1.0
        loo_residual_sq = _median_scale(joint)
        within_tolerance = loo_residual_sq < 1 + _SCALE_TOLERANCE / np.sqrt(len(joint.model.offset))
        return loo_residual_sq < _CONTRADICTED_SCALE, 1.0 if within_tolerance else loo_residual_sq


def _outliers_by_fdr(p_values: Array, known_contaminated: bool) -> Mask:
    """Who is a stranger when at most ``_FALSE_DISCOVERY_RATE`` of those named may be named wrongly.

    Y. Benjamini, Y. Hochberg, J. Royal Statistical Society B 57(1), 1995. Unless the set is known to be mixed, the
    first one must be far beyond chance, so that a clean set loses none.
    """
    count = len(p_values)
    order = np.argsort(p_values)
    passed = np.flatnonzero(p_values[order] <= _FALSE_DISCOVERY_RATE * np.arange(1, count + 1) / count)
    out = np.zeros(count, dtype=bool)
    if passed.size and (known_contaminated or p_values[order[0]] <= _FALSE_ALARM_RATE / count):
        out[order[: passed[-1] + 1]] = True
    return out


def _describe(observations: Observations, joint: JointEstimate, row: int) -> ExcludedRow:
    one = observations.subset(np.array([row]))
    predicted = se3.inverse(joint.X) @ one.A @ joint.Y
    offset = se3.log(se3.inverse(predicted) @ one.pose_fits.camera_T_board)[0]
    shift_mm = float(np.linalg.norm(offset[:3])) * 1e3
    turn_deg = float(np.rad2deg(np.linalg.norm(offset[3:])))
    reason = f"pose and picture disagree with the other pairs by {shift_mm:.2f} mm and {turn_deg:.2f} deg"
    return ExcludedRow(row, reason)
