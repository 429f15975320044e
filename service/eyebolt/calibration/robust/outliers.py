"""Outlier rejection: stale poses, swapped images, a moved board; and the joint estimate on the inliers.

1. Gross outliers are excluded from the start (``initialization.consensus_start``).
2. If board or camera moved during the session (``change_points``), the larger segment is kept; if one of them
   crept, all that follows includes the drift.
3. From 7 pairs on a forward search finds a consistent subset; it grows by every pair that its noise explains.
4. Single outliers are found by leaving one pair out at a time.
5. All pairs are classified by the estimate on the inliers, at a controlled false discovery rate.
6. Outliers that a structure of the noise or a systematic arm error explains better are readmitted.

The null hypothesis throughout: an inlier's squared residual about the prediction of the other inliers is 6 times an F
variable with 6 and, for the denominator, the degrees of freedom of the noise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import scipy
from numpy.typing import NDArray

from eyebolt.calibration.estimation import (
    Drift,
    JointEstimate,
    LinearModel,
    MovedPart,
    Observations,
    ViewGeometry,
    average_over_drift,
    chi2_isf,
    consensus_start,
    f_isf,
    f_sf,
    is_drift_possible,
    is_plausible_noise,
    joint_estimate,
    leave_one_out,
    linearize,
    mahalanobis_sq,
    most_probable_drift,
    ordered_models,
    predictive_p_values,
    resolve_tilt_branches,
    select_noise_shape,
    select_pose_excess,
    structured_evidence,
    unused_pair_residuals,
    variance_of,
)
from eyebolt.calibration.problem import Problem
from eyebolt.calibration.robust.change_points import (
    ChangePoint,
    creeps_rather,
    find_step_change,
    is_confirmed,
    is_error_of_arm,
)
from eyebolt.calibration.robust.correlated_errors import (
    ErrorContrasts,
    arm_offsets,
    evenly_spaced_rows,
    reml_variances,
    white_variances,
)
from eyebolt.calibration.robust.forward_search import consistent_subset
from eyebolt.geometry import Array, RowSelection, se3

Mask = NDArray[np.bool_]

MIN_PAIRS = 3
"""Fewest pairs of a solve: two relative motions about different axes are the least that determines X and Y."""
# Probability that a session without outliers loses any pair: to the tests of single pairs (Bonferroni-corrected for the
# number of pairs), to the test of a group (Bonferroni-corrected for the number of groups of that size).
_FALSE_ALARM_RATE = 2e-3
_GROUP_FALSE_ALARM_RATE = 5e-3
# Expected fraction of inliers among the excluded pairs.
_FALSE_DISCOVERY_RATE = 0.03
# p-value from which on the growing consistent subset takes in a pair.
# It loses one inlier in a hundred, which the classification afterwards readmits. Common practice, no source.
_READMISSION_P = 0.01
# With more outliers the fault is common to all pairs (board, lens, pose format), and no pair is to blame.
# Common practice, no source.
_MAX_OUTLIER_FRACTION = 0.35
# A pair is tried as an outlier, which costs an estimate, only where its leave-one-out residual may correspond to this
# multiple of the p-value of an outlier: the correspondence is approximate.
_SUSPECT_MARGIN = 10.0
# p-value of a pair that is not used below which its average over the posterior of the noise is looked at.
_SUSPECT_P = 0.01
# A third of the pairs may be two outliers that mask each other, and the core of the others leaves nine degrees of
# freedom for the noise.
_MIN_PAIRS_FOR_FORWARD_SEARCH = 7
# Reassignments that still alternate then do so for ever; the last one stands.
_MAX_REASSIGNMENTS = 10
# Probability from which on a drift is part of the final estimate, whose error allows for one in any case. The search
# includes the most probable one, so that no pair is lost to it. Common practice, no source.
_ADOPTED_DRIFT_PROBABILITY = 0.9
# Prior of an outlier that may be a systematic arm error, standard deviation per axis: 3 mm, 0.3 deg; and the p-value
# beyond which it is too far off for that.
_SYSTEMATIC_ERROR_VARIANCE = np.repeat([3e-3, float(np.deg2rad(0.3))], 3) ** 2
_SYSTEMATIC_ERROR_P = 1e-3
# Prior log odds of an outlier against a systematic error, so that a board that slipped by 1.5 mm in a quarter of the
# pairs is still found (``tests/bench/calibration outliers pick``).
_OUTLIER_LOG_ODDS = 4.0


@dataclass(frozen=True)
class ExcludedRow:
    """A pair that the estimate does not use."""

    row: int
    """Row of the observations."""
    reason: str
    """Why the pair is excluded, for an operator."""


@dataclass(frozen=True)
class InlierEstimate:
    """The result of outlier rejection."""

    joint: JointEstimate
    """The joint estimate on the inliers."""
    used: Mask
    """(n,): the inliers."""
    excluded: tuple[ExcludedRow, ...]
    """The other rows."""
    change_points: tuple[ChangePoint, ...]
    """Changes of X or Y during the session, in the order in which they were found."""


@dataclass(frozen=True)
class _InlierSet:
    """One step of the search: inliers, and the trial estimate on exactly these."""

    joint: JointEstimate
    """The joint estimate on the inliers."""
    inliers: Mask
    """(n,): the inliers."""

    @cached_property
    def leave_one_out_sq(self) -> Array:
        """Squared leave-one-out residuals of the inliers."""
        return leave_one_out(self.joint).mahalanobis_sq


def is_minority(inliers: int, pairs: int) -> bool:
    """Whether ``inliers`` are fewer than half of the ``pairs``: such a set is not accepted as the inlier set.

    Beyond a breakdown point of 50 % the outliers may be the consistent set, and no method can tell which is which
    (P. J. Rousseeuw, J. American Statistical Association 79(388), 1984).
    """
    return 2 * inliers < pairs


def robust_estimate(problem: Problem, observations: Observations) -> InlierEstimate:
    """The joint estimate on the inliers of ``observations``.

    The search takes the noise of the arm from the pairs alone: a statement that is too small would make outliers of
    clean pairs.
    """
    stated, problem = problem, replace(problem, robot_noise=None)
    start, inliers = consensus_start(problem, observations)
    observations = resolve_tilt_branches(problem, observations, start)
    if observations.repeats is not None:
        observations = replace(observations, repeats=resolve_tilt_branches(problem, observations.repeats, start))
    joint = joint_estimate(problem, observations.subset(np.flatnonzero(inliers)), start.X, start.Y, posterior=False)
    with_drift, current, other_segments, change_points = _largest_segment(
        problem, observations, _InlierSet(joint, inliers)
    )
    # Pair by pair, the pairs of another segment are consistent with each other: they take no part from here on.
    rows = np.flatnonzero(~other_segments)
    segment = with_drift.subset(rows)
    current = _InlierSet(current.joint, current.inliers[rows])
    candidates = current
    current, contaminated = _search(problem, segment, candidates)
    is_usable = is_plausible_noise(candidates.joint.noise.best)
    if is_usable and (current.inliers != candidates.inliers).any() and _pose_excess(current.joint) > 1:
        # Pairs may have been outliers only of a camera whose noise is larger than the residuals of the corners show.
        segment = segment.with_pose_excess(_pose_excess(candidates.joint))
        candidates = _refit(problem, segment, candidates.joint, candidates.inliers)
        current, contaminated = _search(problem, segment, candidates)
    views = _view_geometry(problem, segment)
    readmitted, shape = _readmit_structured(problem, segment, current, views)
    is_changed = bool((readmitted != current.inliers).any())
    if not is_changed:
        shape = _noise_shape(current, views)
    if is_changed or shape is not None:
        segment = replace(segment, arm_shape=shape)
        current = _refit(problem, segment, current.joint, readmitted)
    if shape is not None:
        # Pairs may have been outliers only of a noise without structure.
        contaminated = contaminated and not readmitted.all()
        current = _reclassify(problem, segment, _drop_single_outliers(problem, segment, current), contaminated)
    inliers = _readmit_systematic_errors(problem, segment, current)
    used = np.zeros_like(other_segments)
    used[rows[inliers]] = True
    joint = current.joint
    selected = segment.without_drift().subset(np.flatnonzero(inliers))
    if change_points:
        # A check may be beyond the change.
        selected = replace(selected, repeats=None)
    final = joint_estimate(stated, selected, joint.X, joint.Y, joint.noise.best)
    drift = most_probable_drift(final.drifts, _ADOPTED_DRIFT_PROBABILITY)
    if drift is not None:
        observations = observations.with_drift(drift)
        final = joint_estimate(stated, selected.with_drift(drift), final.X, final.Y, final.noise.best)
    excluded = [_describe_outlier(observations, final, int(row)) for row in np.flatnonzero(~used & ~other_segments)]
    excluded += [
        ExcludedRow(
            int(row), f"the {_moved_part(change_points, len(used), int(row))} had another pose than in the pairs used"
        )
        for row in np.flatnonzero(other_segments)
    ]
    return InlierEstimate(final, used, tuple(excluded), change_points)


def _search(problem: Problem, observations: Observations, current: _InlierSet) -> tuple[_InlierSet, bool]:
    """The inliers among ``current`` ones, and whether the forward search found outliers."""
    contaminated = False
    if current.inliers.sum() >= _MIN_PAIRS_FOR_FORWARD_SEARCH:
        current, contaminated = _forward_search(problem, observations, current)
    dropped = _drop_single_outliers(problem, observations, current)
    return _reclassify(problem, observations, dropped, contaminated), contaminated


def _pose_excess(joint: JointEstimate) -> float:
    return select_pose_excess(joint.model, joint.corner_sigma_px, joint.noise.prior, joint.noise.best, joint.fits)


def _view_geometry(problem: Problem, observations: Observations) -> ViewGeometry:
    centre = np.broadcast_to(problem.board_corners_m.mean(axis=0), (len(observations.A), 1, 3))
    in_camera = se3.apply(observations.board_poses.camera_T_board, centre)[:, 0]
    return ViewGeometry(problem.mount.chain(observations.A), np.linalg.norm(in_camera, axis=-1))


def _noise_shape(current: _InlierSet, views: ViewGeometry) -> Array | None:
    joint = current.joint
    return select_noise_shape(
        joint.model, joint.corner_sigma_px, joint.noise.prior, joint.noise.best, joint.fits, views, current.inliers
    )


def _readmit_structured(
    problem: Problem, observations: Observations, current: _InlierSet, views: ViewGeometry
) -> tuple[Mask, Array | None]:
    """The inliers (n,) with the outliers readmitted that a structure of the noise explains better, and its shape.

    The search judges by a noise without structure. Two explanations compete: a pair is an outlier, with a density and
    prior log odds of its own; or it is an inlier, the evidence of all inliers being averaged over the structures. The
    outliers are readmitted in the order of their residuals, as many as are most probable.
    """
    joint, inliers = current.joint, current.inliers
    model = _model(problem, observations, joint)
    log_density, candidates = _outlier_log_density(joint, model)
    # A slip displaces and hardly rotates: half of the outliers have no rotation beyond that of the arm's noise.
    displaced = np.concatenate([_SYSTEMATIC_ERROR_VARIANCE[:3], variance_of(joint.noise.best)[3:]])
    log_density = np.logaddexp(log_density, _outlier_log_density(joint, model, displaced)[0]) - np.log(2)
    outliers = np.flatnonzero(~inliers & candidates)
    if not outliers.size:
        return inliers, None
    outliers = outliers[np.argsort(_squared_residuals(problem, observations, current)[outliers])]
    found: list[tuple[float, Mask, Array | None]] = []
    for count in range(len(outliers) + 1):
        trial = inliers.copy()
        trial[outliers[:count]] = True
        evidence, shape = structured_evidence(
            model.of_rows(trial), joint.corner_sigma_px, joint.noise.prior, joint.noise.best, views, trial
        )
        found.append((evidence + float((log_density + _OUTLIER_LOG_ODDS)[outliers[count:]].sum()), trial, shape))
    _, readmitted, shape = max(found, key=lambda one: one[0])
    return readmitted, shape


def _outlier_log_density(
    joint: JointEstimate, model: LinearModel, variances: Array = _SYSTEMATIC_ERROR_VARIANCE
) -> tuple[Array, Mask]:
    """Log density (n,) of the offsets in ``model`` as those of outliers with ``variances`` (6,), by default those of a
    systematic arm error, and whether the offsets are small enough for it (n,)."""
    covariance = joint.corner_sigma_px**2 * model.camera_unit_covariance + np.diag(variances)
    residual_sq = mahalanobis_sq(model.offset - model.nuisance_jacobian @ joint.nuisances, covariance)
    return -0.5 * (np.linalg.slogdet(covariance)[1] + residual_sq), residual_sq < chi2_isf(6, _SYSTEMATIC_ERROR_P)


def _moved_part(change_points: tuple[ChangePoint, ...], count: int, row: int) -> MovedPart:
    return next(p.step_change.moved_part for p in change_points if p.excluded_rows(count)[row])


def _model(problem: Problem, observations: Observations, joint: JointEstimate) -> LinearModel:
    """The ``observations`` linearised about X and Y of ``joint``, which need not use them."""
    return linearize(problem, observations.board_poses, observations.A, joint.X, joint.Y, observations.arm_shape)


def _refit(problem: Problem, observations: Observations, joint: JointEstimate, inliers: Mask) -> _InlierSet:
    selected = observations.subset(np.flatnonzero(inliers))
    return _InlierSet(joint_estimate(problem, selected, joint.X, joint.Y, joint.noise.best, posterior=False), inliers)


def _p_values(joint: JointEstimate, residual_sq: Array | float, dof: int = 6) -> Array:
    """p-values of squared residuals about the estimate ``joint``, sums of ``dof`` squares each."""
    return f_sf(dof, joint.noise.dof(len(joint.model.offset)), residual_sq / dof)


def _pair_p_values(problem: Problem, observations: Observations, current: _InlierSet) -> Array:
    """p-values (n,) of all pairs; those of suspects that the estimate does not use are at least the averages over the
    posterior of the noise."""
    p_values = _p_values(current.joint, _squared_residuals(problem, observations, current))
    suspects = np.flatnonzero(~current.inliers & (p_values < _SUSPECT_P))
    if suspects.size:
        others, joint = observations.subset(suspects), current.joint
        p_values[suspects] = np.maximum(p_values[suspects], predictive_p_values(joint, _model(problem, others, joint)))
    return p_values


def _squared_residuals(problem: Problem, observations: Observations, current: _InlierSet) -> Array:
    """Squared residuals (n,): each inlier about the prediction of the others, each other pair about that of all."""
    inliers = current.inliers
    out = np.zeros(len(inliers))
    out[inliers] = current.leave_one_out_sq
    if not inliers.all():
        others = observations.subset(np.flatnonzero(~inliers))
        model = _model(problem, others, current.joint)
        out[~inliers] = unused_pair_residuals(current.joint, model).mahalanobis_sq
    return out


def _largest_segment(
    problem: Problem, observations: Observations, current: _InlierSet
) -> tuple[Observations, _InlierSet, Mask, tuple[ChangePoint, ...]]:
    """The inliers of the largest segment without a change point, the rows of all other segments, and the change
    points; and the observations with the parameters of a drift if there probably is one.

    A drift comes before a change point that explains the pairs no better.
    """
    inliers, joint = current.inliers.copy(), current.joint
    other_segments = np.zeros_like(inliers)
    change_points: list[ChangePoint] = []
    while True:
        step_change = find_step_change(joint)
        if step_change is not None and step_change.outliers:
            # An outlier and a change point mask each other, so the change is tested again without the outliers.
            remaining = inliers.copy()
            remaining[np.flatnonzero(inliers)[list(step_change.outliers)]] = False
            without = _refit(problem, observations, joint, remaining).joint
            retested = find_step_change(without)
            if is_confirmed(retested, len(step_change.outliers), int(inliers.sum())):
                step_change, inliers, joint = retested, remaining, without
            else:
                step_change = None
        selected = observations.subset(np.flatnonzero(inliers))
        if step_change is not None and is_error_of_arm(joint, _view_geometry(problem, selected), step_change):
            step_change = None
        drift = _probable_drift(problem, joint, selected) if observations.drift is None else None
        if drift is not None and (
            step_change is None or creeps_rather(joint, drift, selected.capture_order, step_change)
        ):
            observations = observations.with_drift(drift)
            joint = _refit(problem, observations, joint, inliers).joint
            continue
        if step_change is None:
            return observations, _InlierSet(joint, inliers), other_segments, tuple(change_points)
        change_point = ChangePoint(
            step_change, int(np.flatnonzero(inliers)[step_change.at]), bool(step_change.at > inliers.sum() / 2)
        )
        excluded_rows = change_point.excluded_rows(len(inliers))
        other_segments |= excluded_rows
        inliers &= ~excluded_rows
        change_points.append(change_point)
        joint = _refit(problem, observations, joint, inliers).joint


def _probable_drift(problem: Problem, joint: JointEstimate, observations: Observations) -> Drift | None:
    """A drift over the ``observations`` of ``joint`` that is more probable than none."""
    noise, corner_sigma_px = joint.noise.best, joint.corner_sigma_px
    pairs, repeats = ordered_models(problem, observations, joint.model, joint.X, joint.Y)
    if not is_drift_possible(problem, pairs, repeats, corner_sigma_px, noise):
        return None
    return most_probable_drift(average_over_drift(problem, pairs, repeats, corner_sigma_px, noise).drifts)


def _forward_search(problem: Problem, observations: Observations, current: _InlierSet) -> tuple[_InlierSet, bool]:
    """The inlier set of a forward search, and True; ``current`` and False if the rest may be that far off by chance."""
    joint, inliers = current.joint, current.inliers
    consistent = consistent_subset(joint.model, joint.corner_sigma_px, variance_of(joint.noise.best))
    if inliers.all() and len(consistent) == len(inliers):
        return current, False
    trial = np.zeros_like(inliers)
    trial[np.flatnonzero(inliers)[consistent]] = True
    grown = _refit(problem, observations, joint, trial)
    for _ in range(_MAX_REASSIGNMENTS):
        p_values = _p_values(grown.joint, _squared_residuals(problem, observations, grown))
        is_inlier = p_values > _READMISSION_P
        if (is_inlier == grown.inliers).all() or is_minority(int(is_inlier.sum()), len(inliers)):
            break
        same = bool((is_inlier == inliers).all())
        grown = current if same else _refit(problem, observations, grown.joint, is_inlier)
    if not 0 < (~grown.inliers).sum() <= _MAX_OUTLIER_FRACTION * len(inliers):
        return current, False
    p_values = _pair_p_values(problem, observations, grown)
    certain_outliers = ~grown.inliers & (p_values <= _FALSE_ALARM_RATE / len(inliers))
    borderline = ~grown.inliers & ~certain_outliers
    # A few pairs that happen to agree show too little noise: of the others the squared residuals count that correspond
    # to their averaged p-values.
    dof = grown.joint.noise.dof(len(grown.joint.model.offset))
    residual_sq = 6 * f_isf(6, dof, np.clip(p_values, 1e-12, 1.0))
    if _is_plausible_by_chance(grown.joint, residual_sq, borderline, certain_outliers):
        if not certain_outliers.any():
            return current, False
        grown = _refit(problem, observations, grown.joint, ~certain_outliers)
    return grown, True


def _is_plausible_by_chance(joint: JointEstimate, residual_sq: Array, borderline: Mask, certain_outliers: Mask) -> bool:
    """Whether the k ``borderline`` pairs may be that far off by chance: the worst k of all but ``certain_outliers``.

    Bonferroni-corrected for the number of such groups. The more certain outliers there are, the likelier are further
    ones, so the limit rises with their number.
    """
    k, count = int(borderline.sum()), int((~certain_outliers).sum())
    if not k:
        return False
    p_value = _p_values(joint, float(residual_sq[borderline].sum()), 6 * k)
    log_groups = scipy.special.gammaln(count + 1) - scipy.special.gammaln(k + 1) - scipy.special.gammaln(count - k + 1)
    certain_count = float(certain_outliers.sum())
    # m certain outliers raise the prior odds of each of the k pairs about m-fold, hence m^k; with (1 + m) for the first
    # factor the limit is the plain rate if there is none. A heuristic without source, checked with
    # ``tests/bench/calibration outliers``.
    limit = _GROUP_FALSE_ALARM_RATE * (1 + certain_count) * max(certain_count, 1.0) ** (k - 1)
    # The bound keeps the logarithm finite where the p-value underflows.
    return bool(np.log(max(float(p_value), 1e-300)) + log_groups > np.log(limit))


def _drop_single_outliers(problem: Problem, observations: Observations, current: _InlierSet) -> _InlierSet:
    """Excludes one pair at a time, the one with the least p-value about the estimate without it, while significant."""
    # At least one pair more than the minimum remains, so that the estimate is still tested by residuals.
    while current.inliers.sum() > MIN_PAIRS + 1:
        joint, inliers, loo_residual_sq = current.joint, current.inliers, current.leave_one_out_sq
        rows = np.flatnonzero(inliers)
        # A pair inflates the noise by which its own residual is judged: d^2 shows as d^2 / (1 + d^2 / nu) only.
        nu = joint.noise.dof(len(rows))
        limit = 6 * float(f_isf(6, nu, np.array(_SUSPECT_MARGIN * _FALSE_ALARM_RATE / len(inliers))))
        suspect_sq = limit * nu / (nu + limit)
        # The pair that inflates the noise estimate most is among those with the largest residuals, but its own need not
        # be the largest. Each trial costs an estimate, so three are tried.
        worst: tuple[float, _InlierSet] | None = None
        for k in [k for k in np.argsort(-loo_residual_sq)[:3] if loo_residual_sq[k] > suspect_sq]:
            trial = inliers.copy()
            trial[rows[k]] = False
            without = _refit(problem, observations, joint, trial)
            p_value = float(_pair_p_values(problem, observations, without)[rows[k]])
            if p_value <= _FALSE_ALARM_RATE / len(inliers) and (worst is None or p_value < worst[0]):
                worst = (p_value, without)
        if worst is None:
            break
        current = worst[1]
    return current


def _reclassify(problem: Problem, observations: Observations, current: _InlierSet, contaminated: bool) -> _InlierSet:
    """All pairs classified by the estimate on the inliers, until the set no longer changes.

    A pair may have been an outlier only because another one biased the estimate; and in a ``contaminated`` session
    further outliers are likely.
    """
    for _ in range(_MAX_REASSIGNMENTS):
        p_values = _pair_p_values(problem, observations, current)
        is_inlier = ~_outliers_by_fdr(p_values, contaminated)
        count = int(is_inlier.sum())
        if count < MIN_PAIRS or is_minority(count, len(is_inlier)) or (is_inlier == current.inliers).all():
            break
        current = _refit(problem, observations, current.joint, is_inlier)
    return current


def _outliers_by_fdr(p_values: Array, contaminated: bool) -> Mask:
    """The outliers (n,) at a false discovery rate of ``_FALSE_DISCOVERY_RATE``.

    Step-up procedure of Y. Benjamini, Y. Hochberg, J. Royal Statistical Society B 57(1), 1995. Unless the session is
    known to be ``contaminated``, the smallest p-value must also be significant by itself, so that a session without
    outliers loses none.
    """
    count = len(p_values)
    order = np.argsort(p_values)
    passed = np.flatnonzero(p_values[order] <= _FALSE_DISCOVERY_RATE * np.arange(1, count + 1) / count)
    out = np.zeros(count, dtype=bool)
    if passed.size and (contaminated or p_values[order[0]] <= _FALSE_ALARM_RATE / count):
        out[order[: passed[-1] + 1]] = True
    return out


def _readmit_systematic_errors(problem: Problem, observations: Observations, current: _InlierSet) -> Mask:
    """The inliers (n,) with the outliers readmitted that a systematic arm error explains better.

    The errors of an arm with wrong geometry depend on its pose: some waypoints are far more consistent with each other
    than with the rest, which then look like outliers. To exclude these would hide the very error that a pick will have.
    So two models are compared by restricted likelihood: outliers beside an arm of little noise, or one arm with more
    noise and pose-correlated errors.
    """
    joint, inliers = current.joint, current.inliers
    if inliers.all():
        return inliers
    model = _model(problem, observations, joint)
    log_density, near = _outlier_log_density(joint, model)
    candidates = ~inliers & near
    if not candidates.any():
        return inliers
    rows = np.flatnonzero(inliers)
    rows = rows[evenly_spaced_rows(len(rows))]
    contrasts = _contrasts(problem, joint, model, observations, rows)
    outlier_log_likelihood = contrasts.log_likelihood(white_variances(joint.noise.best))
    outlier_log_likelihood += float(log_density[candidates].sum())
    extended = inliers | candidates
    joint_of_all = _refit(problem, observations, joint, extended).joint
    model = _model(problem, observations, joint_of_all)
    rows = np.append(rows, np.flatnonzero(candidates))
    contrasts = _contrasts(problem, joint_of_all, model, observations, rows)
    systematic_log_likelihood = contrasts.log_likelihood(reml_variances(joint_of_all, contrasts)[0])
    gain = systematic_log_likelihood - outlier_log_likelihood
    return extended if gain > _OUTLIER_LOG_ODDS * candidates.sum() else inliers


def _contrasts(
    problem: Problem, joint: JointEstimate, model: LinearModel, observations: Observations, rows: RowSelection
) -> ErrorContrasts:
    return ErrorContrasts.of(arm_offsets(joint, model, problem.mount.chain(observations.A), rows))


def _describe_outlier(observations: Observations, joint: JointEstimate, row: int) -> ExcludedRow:
    one = observations.subset(np.array([row]))
    predicted = se3.inverse(joint.X) @ one.A @ joint.Y
    offset = se3.log(se3.inverse(predicted) @ one.pose_fits.camera_T_board)[0]
    offset = offset - one.board_poses.nuisance_jacobian[0] @ joint.nuisances
    distance_mm = float(np.linalg.norm(offset[:3])) * 1e3
    rotation_deg = float(np.rad2deg(np.linalg.norm(offset[3:])))
    reason = f"pose and image disagree with the other pairs by {distance_mm:.2f} mm and {rotation_deg:.2f} deg"
    return ExcludedRow(row, reason)
