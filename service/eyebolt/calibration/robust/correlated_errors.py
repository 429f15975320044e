"""The arm's errors as two parts: scatter, and a smooth part that poses near each other share.

A real arm's error is not white: joint offsets and link errors vary slowly over its poses. The smooth part is a Gaussian
process over the poses. How much of each there is, the pairs themselves say: restricted likelihood over four variances.

Distances: the correlation falls to 0.6 over 2 m and stays above 0.85 for any turn: joint errors act as trends over the
whole workspace, not as bumps in it. Both lengths were chosen by simulation (``tests/bench/solve pick``).

Pairs that look strange only because the arm's geometry is not what its controller thinks.

The errors of such an arm depend on where it stands: some waypoints agree with each other far better than with the
rest, which then seem not to belong. To leave those out would hide the very error that the pick will meet. So what
explains the pairs better is asked of them: strangers beside a quiet arm, or one arm with more scatter and with errors
that grow with the distance between poses.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eyebolt.calibration.estimation import JointEstimate, LinearModel, Observations, chi2_isf, joint_estimate, linearize
from eyebolt.calibration.problem import Problem
from eyebolt.geometry import Array, RowSelection

CORRELATION_LENGTH_M = 2.0
CORRELATION_LENGTH_CHORD = 4.0
# The cost grows with the cube.
_MAX_PAIRS = 40
# Log variances are looked for between these; at the least one a part is as good as absent.
MIN_LOG_VARIANCE, MAX_LOG_VARIANCE = 2 * np.log(1e-7), 2 * np.log(0.05)


@dataclass(frozen=True)
class ArmOffsets:
    """n pairs in the arm's coordinates, as a linear model has them, and how near each other their poses are.

    ``poses`` (n, 4, 4) reported base_T_flange; ``offset`` (n, 6); ``design`` (n, 6, p); ``camera_unit_covariance`` (n, 6, 6);
    ``kernel`` (n, n).
    """

    poses: Array
    offset: Array
    design: Array
    camera_unit_covariance: Array
    kernel: Array

    @property
    def count(self) -> int:
        """How many pairs."""
        return len(self.offset)


def pose_correlation(first: Array, second: Array) -> Array:
    """(n, m) between poses (n, 4, 4) and (m, 4, 4): Gaussian in distance and in the chord of the turn between them."""
    distance_m = np.linalg.norm(first[:, None, :3, 3] - second[None, :, :3, 3], axis=-1)
    chord = np.linalg.norm((first[:, None, :3, :3] - second[None, :, :3, :3]), axis=(-2, -1)) / np.sqrt(2)
    out: Array = np.exp(-0.5 * ((distance_m / CORRELATION_LENGTH_M) ** 2 + (chord / CORRELATION_LENGTH_CHORD) ** 2))
    return out


def evenly_spaced_rows(count: int) -> RowSelection:
    """Rows of ``count`` pairs, evenly spread, that are enough to tell a trend from scatter."""
    return np.unique(np.linspace(0, count - 1, min(count, _MAX_PAIRS)).astype(int))


def arm_offsets(joint: JointEstimate, model: LinearModel, reported: Array, rows: RowSelection) -> ArmOffsets:
    """The pairs at ``rows`` of ``model``, linearised about ``joint``; ``reported`` (n, 4, 4) base_T_flange of all."""
    return ArmOffsets(
        reported[rows],
        model.offset[rows],
        model.transform_jacobian[rows] @ joint.model.observable_basis,
        joint.variance_inflation * joint.corner_sigma_px**2 * model.camera_unit_covariance[rows],
        pose_correlation(reported[rows], reported[rows]),
    )


def covariance_of(pairs: ArmOffsets, u: Array) -> Array:
    """(6n, 6n) of the offsets for u = log variances of (white shift, white turn, correlated shift, correlated turn)."""
    n = pairs.count
    white, correlated = np.repeat(np.exp(u[:2]), 3), np.repeat(np.exp(u[2:]), 3)
    full = np.einsum("nm,i,ij->nimj", pairs.kernel, correlated, np.eye(6))
    index = np.arange(n)
    full[index, :, index, :] += pairs.camera_unit_covariance + np.diag(white)
    out: Array = full.reshape(6 * n, 6 * n)
    return out


@dataclass(frozen=True)
class ErrorContrasts:
    """What n pairs say of the arm's errors whatever the transforms are: r = 6n - p combinations of their offsets.

    ``offset`` (r,); ``camera_covariance`` (r, r) its covariance by the camera, ``variance_components`` (4, r, r) by each of the four variances,
    for a variance of 1, in the order of ``covariance_of``; ``log_determinant``: log determinant of the information about the
    transforms, for offsets of unit covariance.
    """

    offset: Array
    camera_covariance: Array
    variance_components: Array
    log_determinant: float

    @staticmethod
    def of(pairs: ArmOffsets) -> ErrorContrasts:
        """Those of ``pairs``, by an orthogonal basis of what the transforms cannot reach."""
        n = pairs.count
        Q, R = np.linalg.qr(pairs.design.reshape(6 * n, -1), mode="complete")
        p = R.shape[1]
        basis = Q[:, p:].reshape(n, 6, -1)
        flat = basis.reshape(6 * n, -1)
        variance_components = [
            np.tensordot(basis[:, part], mixed[:, part], axes=((0, 1), (0, 1)))
            for mixed in (basis, np.tensordot(pairs.kernel, basis, axes=1))
            for part in (slice(0, 3), slice(3, 6))
        ]
        return ErrorContrasts(
            pairs.offset.ravel() @ flat,
            flat.T @ (pairs.camera_unit_covariance @ basis).reshape(6 * n, -1),
            np.array(variance_components),
            2 * float(np.log(np.abs(np.diagonal(R))).sum()),
        )

    def log_likelihood(self, u: Array) -> float:
        """Restricted log likelihood at u (4,), up to a constant."""
        return self._fitted(u)[0]

    def with_gradient(self, u: Array) -> tuple[float, Array, Array]:
        """Restricted log likelihood at u (4,), its gradient (4,), and its average information (4, 4)."""
        value, weight, weighted_offset = self._fitted(u)
        by_u = np.exp(u)[:, None, None] * self.variance_components
        working_variates = by_u @ weighted_offset
        gradient = 0.5 * (working_variates @ weighted_offset - np.tensordot(by_u, weight, axes=2))
        return value, gradient, 0.5 * working_variates @ weight @ working_variates.T

    def _fitted(self, u: Array) -> tuple[float, Array, Array]:
        C = self.camera_covariance + np.tensordot(np.exp(u), self.variance_components, axes=1)
        weight = np.linalg.inv(C)
        weighted_offset = weight @ self.offset
        return (
            float(-0.5 * (np.linalg.slogdet(C)[1] + self.log_determinant + self.offset @ weighted_offset)),
            weight,
            weighted_offset,
        )


def reml_variances(joint: JointEstimate, contrasts: ErrorContrasts) -> tuple[Array, float]:
    """The most likely log variances (4,) and the evidence for a smooth part: twice the log likelihood it gains."""
    white_only = white_only_variances(joint)
    u = np.concatenate([white_only[:2] - 0.7, white_only[:2] - 0.3])
    value, gradient, information = contrasts.with_gradient(u)
    for _ in range(30):
        step = np.clip(np.linalg.solve(information + 0.05 * np.eye(4), gradient), -1.5, 1.5)
        improved = False
        for shrink in (1.0, 0.4, 0.1):
            trial = np.clip(u + shrink * step, MIN_LOG_VARIANCE, MAX_LOG_VARIANCE)
            result = contrasts.with_gradient(trial)
            if result[0] >= value - 1e-9:
                improved = bool(result[0] > value + 1e-3)
                u, (value, gradient, information) = trial, result
                break
        if not improved:
            break
    return u, max(2 * (value - contrasts.log_likelihood(white_only)), 0.0)


def white_only_variances(joint: JointEstimate) -> Array:
    """Log variances (4,) of the scatter of ``joint`` without a smooth part."""
    best = joint.noise.best
    white = 2 * np.log(np.maximum([best.translation_m, best.rotation_rad], 1e-7))
    return np.concatenate([white, [MIN_LOG_VARIANCE, MIN_LOG_VARIANCE]])


Mask = NDArray[np.bool_]

# How far off strangers may lie and still be an arm's doing, standard deviation per axis: 3 mm, 0.3 deg.
_OUTLIER_VARIANCE = np.repeat([3e-3, float(np.deg2rad(0.3))], 3) ** 2
# Chance that such a one lies farther off than that.
_SIGNIFICANCE = 1e-3
# Natural log of the odds that one stranger may cost, so that a board that slipped by 1.5 mm in a quarter of the pairs
# is still named (``tests/bench/solve outliers pick``).
_MAX_LOG_ODDS_PER_OUTLIER = 4.0
_MIN_PAIRS = 8


def readmit_outliers(problem: Problem, observations: Observations, joint: JointEstimate, used: Mask) -> Mask:
    """``used`` (n,), with those outside it that were no mistakes; the arm's noise must be unknown for that."""
    if problem.robot_noise is not None or used.all() or used.sum() < _MIN_PAIRS:
        return used
    model = linearize(problem, observations.board_poses, observations.A, joint.X, joint.Y)
    covariance = joint.corner_sigma_px**2 * model.camera_unit_covariance + np.diag(_OUTLIER_VARIANCE)
    mahalanobis_sq = np.einsum("ni,ni->n", model.offset, np.linalg.solve(covariance, model.offset[..., None])[..., 0])
    candidates = ~used & (mahalanobis_sq < chi2_isf(6, _SIGNIFICANCE))
    if not candidates.any():
        return used
    rows = np.flatnonzero(used)
    rows = rows[evenly_spaced_rows(len(rows))]
    outlier_log_likelihood = _log_likelihood(problem, joint, model, observations, rows)
    outlier_log_likelihood -= 0.5 * float((np.linalg.slogdet(covariance)[1] + mahalanobis_sq)[candidates].sum())
    extended = used | candidates
    all_views = observations.subset(np.flatnonzero(extended))
    joint_of_all = joint_estimate(problem, all_views, joint.X, joint.Y, joint.noise.best, posterior=False)
    model = linearize(problem, observations.board_poses, observations.A, joint_of_all.X, joint_of_all.Y)
    correlated_log_likelihood = _log_likelihood(
        problem, joint_of_all, model, observations, np.append(rows, np.flatnonzero(candidates))
    )
    return (
        extended
        if correlated_log_likelihood - outlier_log_likelihood > _MAX_LOG_ODDS_PER_OUTLIER * candidates.sum()
        else used
    )


def _log_likelihood(
    problem: Problem, joint: JointEstimate, model: LinearModel, observations: Observations, rows: RowSelection
) -> float:
    contrasts = ErrorContrasts.of(arm_offsets(joint, model, problem.mount.chain(observations.A), rows))
    return contrasts.log_likelihood(reml_variances(joint, contrasts)[0])
