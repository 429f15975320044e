"""Expected error of a pick by the same arm, whose geometry differs from the model in its controller.

The arm's error has a white part and a part that is correlated over the poses (``robust.correlated_errors``), which
averaging over the pairs does not remove. X remains the estimate under white noise; its error, and that of the arm at
the pick and at the image, are propagated under both parts, with their correlation.
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
    evenly_spaced_rows,
    offset_covariance,
    pose_correlation,
    reml_variances,
    white_only_variances,
)
from eyebolt.calibration.uncertainty.expected_error import ErrorSummary, pooled_summary, standard_normal
from eyebolt.calibration.uncertainty.touch_test import HeightUpdate
from eyebolt.geometry import Array, Mount, se3

# Picks at up to ten of the waypoints; with the camera on the arm at 12 points of the working volume of each.
_MAX_PICK_POSES = 10
_POINTS_PER_VIEW = 12
_DRAWS = 256
# Offsets of the correlated log variances about their estimate, over which the likelihood is integrated: few pairs leave
# their size uncertain by a factor of a few.
_LOG_VARIANCE_STEPS = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])


@dataclass(frozen=True)
class PickError:
    """The expected error of a pick, and the pose-correlated error of the arm behind it."""

    summary: ErrorSummary
    """Error of the tip relative to the object."""
    correlated_m: float
    """Standard deviation per axis of the pose-correlated error in translation, metres."""
    correlated_rad: float
    """Standard deviation per axis of the pose-correlated error in rotation, radians."""
    likelihood_ratio: float
    """Twice the log likelihood that the pose-correlated error gains over white noise alone; 0 with stated noise."""


@dataclass(frozen=True)
class _PickGeometry:
    """q picks: where the camera observed a point, and where the arm goes for it."""

    views: Array
    """(q, 4, 4) base_T_flange at the image."""
    picks: Array
    """(q, 4, 4) base_T_flange at the pick."""
    points: Array
    """(q, 3) m: the observed points, camera frame."""
    tips: Array
    """(q, 3) m: the tip, flange frame."""


def pick_error(
    problem: Problem, joint: JointEstimate, reported: Array, height_update: HeightUpdate | None = None
) -> PickError:
    """Expected error of a pick at a point that the camera observed.

    ``reported`` (n, 4, 4): base_T_flange of the pairs in ``joint``; ``height_update``: of a height found by touch.

    The tip is assumed to be as far from the flange as the board is (camera fixed), or at the flange (camera on the arm;
    the arm then picks with the orientation that it had at the image).
    """
    rows = evenly_spaced_rows(len(reported))
    pairs = arm_offsets(joint, joint.model, reported, rows)
    variances, weights, likelihood_ratio = _variance_choices(joint, pairs)
    geometry = _pick_geometry(problem, joint, reported[rows])
    update = HeightUpdate(np.eye(6), np.zeros((6, 6))) if height_update is None else height_update
    gain = update.error_transfer @ _gain(joint, pairs)
    covariances = [
        _error_covariance(joint, pairs, gain, update.added_covariance, u, geometry, problem.mount) for u in variances
    ]
    draws = standard_normal(_DRAWS, 3)
    # The draws are distributed over the values of the variances in proportion to their weights.
    component = np.searchsorted(np.cumsum(weights), (np.arange(_DRAWS) + 0.5) / _DRAWS).clip(0, len(covariances) - 1)
    roots = np.array([_roots(covariance) for covariance in covariances])
    vectors = np.einsum("sqij,sj->qsi", roots[component], draws)
    correlated_sigma = np.exp(variances[len(variances) // 2, 2:] / 2)
    pick = pooled_summary(np.sqrt((vectors**2).sum(axis=-1)))
    return PickError(pick, float(correlated_sigma[0]), float(correlated_sigma[1]), likelihood_ratio)


def _variance_choices(joint: JointEstimate, pairs: ArmOffsets) -> tuple[Array, Array, float]:
    """Values of the four log variances (m, 4), the estimate in the middle, their weights (m,), the likelihood ratio.

    The log variances are those of ``offset_covariance``: white translation and rotation, correlated ones of both.
    """
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
    """(6, 6n): derivative of the white-noise estimate of X by the offsets, board and lens estimated beside it."""
    weight = np.linalg.inv(pairs.camera_covariance + np.diag(variance_of(joint.noise.best)))
    design = np.concatenate([pairs.design, pairs.nuisance_loading], axis=-1)
    weighted = (weight @ design).reshape(6 * pairs.count, -1)
    normal = design.reshape(6 * pairs.count, -1).T @ weighted
    p = pairs.design.shape[-1]
    normal[p:, p:] += np.eye(len(normal) - p)
    out: Array = joint.model.observable_basis[:6] @ (invert_information(normal) @ weighted.T)[:p]
    return out


def _pick_geometry(problem: Problem, joint: JointEstimate, reported: Array) -> _PickGeometry:
    """Picks at the waypoints ``reported`` (n, 4, 4)."""
    poses = reported[np.unique(np.linspace(0, len(reported) - 1, min(len(reported), _MAX_PICK_POSES)).astype(int))]
    if problem.mount is Mount.FIXED:
        tips = np.broadcast_to(joint.Y[:3, 3], (len(poses), 3))
        in_base = (poses[:, :3, :3] @ tips[..., None])[..., 0] + poses[:, :3, 3]
        return _PickGeometry(poses, poses, se3.apply(se3.inverse(joint.X), in_base), tips)
    grid = problem.grid
    points = grid[np.linspace(0, len(grid) - 1, _POINTS_PER_VIEW).astype(int)]
    views = np.repeat(poses, len(points), axis=0)
    points = np.tile(points, (len(poses), 1))
    picks = views.copy()
    at_flange = points @ joint.X[:3, :3].T + joint.X[:3, 3]
    picks[:, :3, 3] += (views[:, :3, :3] @ at_flange[..., None])[..., 0]
    return _PickGeometry(views, picks, points, np.zeros_like(points))


def _error_covariance(
    joint: JointEstimate,
    pairs: ArmOffsets,
    gain: Array,
    added_covariance: Array,
    u: Array,
    geometry: _PickGeometry,
    mount: Mount,
) -> Array:
    """(q, 3, 3) m^2, base axes: covariance of tip minus object at log variances u (4,).

    Three errors add up: that of X, that of the arm at the pick, and, with the camera on the arm, that of the arm at the
    image. The pose-correlated part makes all of them correlated.
    """
    views, picks, points, tips = geometry.views, geometry.picks, geometry.points, geometry.tips
    correlated, white = np.repeat(np.exp(u[2:]), 3), np.repeat(np.exp(u[:2]), 3)
    R_X = joint.X[:3, :3]
    by_X = np.concatenate([np.broadcast_to(R_X, (len(points), 3, 3)), -R_X @ se3.skew(points)], axis=-1)
    by_pick = picks[:, :3, :3] @ np.concatenate([np.broadcast_to(np.eye(3), (len(tips), 3, 3)), -se3.skew(tips)], -1)
    arm_jacobians = [(by_pick, picks)]
    if mount is Mount.ARM:
        view_rotations = views[:, :3, :3]
        by_X = view_rotations @ by_X
        at_flange = points @ R_X.T + joint.X[:3, 3]
        identity = np.broadcast_to(np.eye(3), (len(points), 3, 3))
        arm_jacobians.append((-view_rotations @ np.concatenate([identity, -se3.skew(at_flange)], -1), views))
    out: Array = by_X @ (gain @ offset_covariance(pairs, u) @ gain.T + added_covariance) @ np.swapaxes(by_X, -1, -2)
    gain_blocks = gain.reshape(6, pairs.count, 6)
    for by_arm, poses in arm_jacobians:
        # The pose-correlated error at this pose also displaced the pairs, and with them X.
        shared = np.einsum("anb,qn->qab", gain_blocks, pose_correlation(poses, pairs.poses)) * correlated
        cross_covariance = by_X @ shared @ np.swapaxes(by_arm, -1, -2)
        out = out + cross_covariance + np.swapaxes(cross_covariance, -1, -2)
        out = out + (by_arm * (correlated + white)) @ np.swapaxes(by_arm, -1, -2)
    if len(arm_jacobians) == 2:
        # Pick and image have the same orientation, so the correlation is that of their distance alone.
        between = np.exp(
            -0.5 * (np.linalg.norm(picks[:, :3, 3] - views[:, :3, 3], axis=-1) / CORRELATION_LENGTH_M) ** 2
        )
        cross_covariance = (
            (arm_jacobians[0][0] * correlated) @ np.swapaxes(arm_jacobians[1][0], -1, -2) * between[:, None, None]
        )
        out = out + cross_covariance + np.swapaxes(cross_covariance, -1, -2)
    return out


def _roots(covariance: Array) -> Array:
    """Square roots R (..., 3, 3), R R^T = covariance."""
    values, vectors = np.linalg.eigh(covariance)
    out: Array = vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :]
    return out
