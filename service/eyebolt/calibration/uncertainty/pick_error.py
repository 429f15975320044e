"""The error to be expected at the pick, through the same arm whose geometry is never quite what its controller thinks.

Averaging does not remove the part of the arm's errors that poses near each other share (``smooth_errors``). The
transform stays the estimate for white noise; its error is computed under both parts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eyebolt.calibration.estimation import JointEstimate, invert_information, variance_of
from eyebolt.calibration.problem import Problem
from eyebolt.calibration.robust import (
    CORRELATION_LENGTH_M,
    MAX_LOG_VARIANCE,
    MIN_LOG_VARIANCE,
    ArmOffsets,
    ErrorContrasts,
    arm_offsets,
    covariance_of,
    evenly_spaced_rows,
    pose_correlation,
    reml_variances,
    white_only_variances,
)
from eyebolt.calibration.uncertainty.expected_error import ErrorSummary, pooled_summary, standard_normal
from eyebolt.geometry import Array, Mount, se3

_MAX_PICK_POSES = 10
_POINTS_PER_VIEW = 12
_DRAWS = 256
# Steps in the logarithm of the correlated variances over which their likelihood is integrated.
_LOG_VARIANCE_STEPS = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])


@dataclass(frozen=True)
class PickError:
    """What the arm's errors do to a pick, and of what kind they are.

    ``pick``: the error of a pick. ``correlated_m``, ``correlated_rad``: the part that poses near each other share, per axis;
    ``likelihood_ratio``: twice the log likelihood that this part gains over scatter alone, 0 where the noise is stated.
    """

    pick: ErrorSummary
    correlated_m: float
    correlated_rad: float
    likelihood_ratio: float


def pick_error(
    problem: Problem, joint: JointEstimate, reported: Array, height_update: tuple[Array, Array] | None = None
) -> PickError:
    """Error of a pick at a point seen by the camera; ``reported`` (n, 4, 4): base_T_flange of the pairs in ``joint``.

    ``height_update``: for a height found by touch, what it makes (6, 6) of the error of X and what it adds (6, 6) to it.

    The tip is taken to be as far from the flange as the board is (camera fixed), or at the flange (camera on the arm,
    the pick straight ahead of the look with the orientation kept).
    """
    rows = evenly_spaced_rows(len(reported))
    pairs = arm_offsets(joint, joint.model, reported, rows)
    variances, weights, likelihood_ratio = _variance_choices(joint, pairs)
    views, picks, points, tips = _picks(problem, joint, reported[rows])
    error_transfer, added_covariance = (np.eye(6), np.zeros((6, 6))) if height_update is None else height_update
    gain = error_transfer @ _gain(joint, pairs)
    parts = [
        _error_covariance(problem, joint, pairs, gain, added_covariance, u, views, picks, points, tips)
        for u in variances
    ]
    draws = standard_normal(_DRAWS, 3)
    # Each choice of variances gets its share of the draws.
    choice = np.searchsorted(np.cumsum(weights), (np.arange(_DRAWS) + 0.5) / _DRAWS).clip(0, len(parts) - 1)
    roots = np.array([_roots(part) for part in parts])
    vectors = np.einsum("sqij,sj->qsi", roots[choice], draws)
    correlated_sigma = np.exp(variances[len(variances) // 2, 2:] / 2)
    pick = pooled_summary(np.sqrt((vectors**2).sum(axis=-1)))
    return PickError(pick, float(correlated_sigma[0]), float(correlated_sigma[1]), likelihood_ratio)


def _variance_choices(joint: JointEstimate, pairs: ArmOffsets) -> tuple[Array, Array, float]:
    """Choices of the four log variances (m, 4), the most likely one in the middle, their weights (m,), the evidence."""
    if joint.noise.stated:
        widened = white_only_variances(joint) + np.log(joint.variance_inflation) * np.array([1, 1, 0, 0])
        return widened[None], np.ones(1), 0.0
    contrasts = ErrorContrasts.of(pairs)
    u, likelihood_ratio = reml_variances(joint, contrasts)
    choices = u + np.concatenate(
        [np.zeros((len(_LOG_VARIANCE_STEPS), 2)), np.repeat(_LOG_VARIANCE_STEPS[:, None], 2, axis=1)], axis=1
    )
    choices = np.clip(choices, MIN_LOG_VARIANCE, MAX_LOG_VARIANCE)
    log_likelihoods = np.array([contrasts.log_likelihood(c) for c in choices])
    weights = np.exp(log_likelihoods - log_likelihoods.max())
    return choices, weights / weights.sum(), likelihood_ratio


def _gain(joint: JointEstimate, pairs: ArmOffsets) -> Array:
    """(6, 6n): how the offsets move the white-noise estimate of X."""
    weight = np.linalg.inv(pairs.camera_unit_covariance + np.diag(variance_of(joint.noise.best)))
    weighted = (weight @ pairs.design).reshape(6 * pairs.count, -1)
    normal = pairs.design.reshape(6 * pairs.count, -1).T @ weighted
    out: Array = joint.model.observable_basis[:6] @ invert_information(normal) @ weighted.T
    return out


def _picks(problem: Problem, joint: JointEstimate, reported: Array) -> tuple[Array, Array, Array, Array]:
    """Looks and picks (q, 4, 4), points in the camera frame (q, 3), tips in the flange frame (q, 3)."""
    places = reported[np.unique(np.linspace(0, len(reported) - 1, min(len(reported), _MAX_PICK_POSES)).astype(int))]
    if problem.mount is Mount.FIXED:
        tips = np.broadcast_to(joint.Y[:3, 3], (len(places), 3))
        in_base = (places[:, :3, :3] @ tips[..., None])[..., 0] + places[:, :3, 3]
        return places, places, se3.apply(se3.inverse(joint.X), in_base), tips
    grid = problem.grid
    points = grid[np.linspace(0, len(grid) - 1, _POINTS_PER_VIEW).astype(int)]
    views = np.repeat(places, len(points), axis=0)
    points = np.tile(points, (len(places), 1))
    picks = views.copy()
    at_flange = points @ joint.X[:3, :3].T + joint.X[:3, 3]
    picks[:, :3, 3] += (views[:, :3, :3] @ at_flange[..., None])[..., 0]
    return views, picks, points, np.zeros_like(points)


def _error_covariance(
    problem: Problem,
    joint: JointEstimate,
    pairs: ArmOffsets,
    gain: Array,
    added_covariance: Array,
    u: Array,
    views: Array,
    picks: Array,
    points: Array,
    tips: Array,
) -> Array:
    """(q, 3, 3), base axes, of tip minus object: error of X, the arm's at the look (camera on it) and at the pick."""
    correlated, white = np.repeat(np.exp(u[2:]), 3), np.repeat(np.exp(u[:2]), 3)
    R_X = joint.X[:3, :3]
    by_X = np.concatenate([np.broadcast_to(R_X, (len(points), 3, 3)), -R_X @ se3.skew(points)], axis=-1)
    by_pick = picks[:, :3, :3] @ np.concatenate([np.broadcast_to(np.eye(3), (len(tips), 3, 3)), -se3.skew(tips)], -1)
    arm_jacobians = [(by_pick, picks)]
    if problem.mount is Mount.ARM:
        turned = views[:, :3, :3]
        by_X = turned @ by_X
        at_flange = points @ R_X.T + joint.X[:3, 3]
        identity = np.broadcast_to(np.eye(3), (len(points), 3, 3))
        arm_jacobians.append((-turned @ np.concatenate([identity, -se3.skew(at_flange)], -1), views))
    out: Array = by_X @ (gain @ covariance_of(pairs, u) @ gain.T + added_covariance) @ np.swapaxes(by_X, -1, -2)
    gain_blocks = gain.reshape(6, pairs.count, 6)
    for by_arm, poses in arm_jacobians:
        # The same slow error moved the pairs, and with them X.
        shared = np.einsum("anb,qn->qab", gain_blocks, pose_correlation(poses, pairs.poses)) * correlated
        cross_covariance = by_X @ shared @ np.swapaxes(by_arm, -1, -2)
        out = out + cross_covariance + np.swapaxes(cross_covariance, -1, -2)
        out = out + (by_arm * (correlated + white)) @ np.swapaxes(by_arm, -1, -2)
    if len(arm_jacobians) == 2:
        # The orientation is kept.
        between = np.exp(
            -0.5 * (np.linalg.norm(picks[:, :3, 3] - views[:, :3, 3], axis=-1) / CORRELATION_LENGTH_M) ** 2
        )
        cross_covariance = (
            (arm_jacobians[0][0] * correlated) @ np.swapaxes(arm_jacobians[1][0], -1, -2) * between[:, None, None]
        )
        out = out + cross_covariance + np.swapaxes(cross_covariance, -1, -2)
    return out


def _roots(covariance: Array) -> Array:
    values, vectors = np.linalg.eigh(covariance)
    out: Array = vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :]
    return out
