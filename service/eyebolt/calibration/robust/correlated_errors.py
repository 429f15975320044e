"""Systematic errors of the arm: a pose-correlated part beside the white noise, as a Gaussian process over the poses.

The error of a real arm is not white: joint offsets and link errors vary slowly over its poses. The variances of both
parts, for translation and rotation each, are estimated by restricted maximum likelihood on error contrasts, the
combinations of the offsets that X and Y do not affect (D. A. Harville, Biometrika 61(2), 1974).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eyebolt.calibration.estimation import JointEstimate, LinearModel
from eyebolt.geometry import Array, RowSelection

# The correlation falls to 0.6 over 2 m and stays above 0.85 for any rotation: joint errors act as trends over the whole
# workspace, not as bumps in it. Both lengths were chosen by simulation (``tests/bench/calibration pick``).
CORRELATION_LENGTH_M = 2.0
CORRELATION_LENGTH_CHORD = 4.0
# The cost grows with the cube of the number of pairs.
_MAX_PAIRS = 40
MIN_LOG_VARIANCE, MAX_LOG_VARIANCE = 2 * np.log(1e-7), 2 * np.log(0.05)
"""Bounds of the search for log variances, m^2 and rad^2; at the lower one a part is as good as absent."""


@dataclass(frozen=True)
class ArmOffsets:
    """n pairs of a linear model, flange coordinates, and the correlation of their poses."""

    poses: Array
    """(n, 4, 4), metres: reported base_T_flange."""
    offset: Array
    """(n, 6), m and rad: predicted to observed board pose, for board and lens as the images show them."""
    design: Array
    """(n, 6, p): derivative of the offset by the observable changes of X and Y."""
    camera_covariance: Array
    """(n, 6, 6): covariance of the offset by the corner noise."""
    nuisance_loading: Array
    """(n, 6, r): effect of board and lens, each column for one standard deviation of what the images leave open."""
    correlation: Array
    """(n, n): correlation of the systematic error between two poses."""

    @property
    def count(self) -> int:
        """Number of pairs."""
        return len(self.offset)


def pose_correlation(first: Array, second: Array) -> Array:
    """(n, m) between poses (n, 4, 4) and (m, 4, 4): Gaussian in distance and in the chord of the rotation."""
    distance_m = np.linalg.norm(first[:, None, :3, 3] - second[None, :, :3, 3], axis=-1)
    chord = np.linalg.norm((first[:, None, :3, :3] - second[None, :, :3, :3]), axis=(-2, -1)) / np.sqrt(2)
    out: Array = np.exp(-0.5 * ((distance_m / CORRELATION_LENGTH_M) ** 2 + (chord / CORRELATION_LENGTH_CHORD) ** 2))
    return out


def evenly_spaced_rows(count: int) -> RowSelection:
    """At most 40 rows of ``count`` pairs, evenly spaced: enough to separate a trend from noise."""
    return np.unique(np.linspace(0, count - 1, min(count, _MAX_PAIRS)).astype(int))


def arm_offsets(joint: JointEstimate, model: LinearModel, reported: Array, rows: RowSelection) -> ArmOffsets:
    """The pairs ``rows`` of ``model``, linearised about ``joint``; ``reported`` (n, 4, 4): all base_T_flange.

    The images are those of ``joint``, also for pairs that it does not use.
    """
    mean, covariance = joint.model.nuisances_from_images(joint.corner_sigma_px)
    return ArmOffsets(
        reported[rows],
        (model.offset - model.nuisance_jacobian @ mean)[rows],
        model.transform_jacobian[rows] @ joint.model.observable_basis,
        joint.variance_inflation * joint.corner_sigma_px**2 * model.camera_unit_covariance[rows],
        model.nuisance_jacobian[rows] @ np.linalg.cholesky(covariance),
        pose_correlation(reported[rows], reported[rows]),
    )


def offset_covariance(pairs: ArmOffsets, u: Array) -> Array:
    """(6n, 6n) of the offsets for log variances u (4,): white translation and rotation, correlated translation and
    rotation."""
    n = pairs.count
    white, correlated = np.repeat(np.exp(u[:2]), 3), np.repeat(np.exp(u[2:]), 3)
    full = np.einsum("nm,i,ij->nimj", pairs.correlation, correlated, np.eye(6))
    index = np.arange(n)
    full[index, :, index, :] += pairs.camera_covariance + np.diag(white)
    loading = pairs.nuisance_loading.reshape(6 * n, -1)
    out: Array = full.reshape(6 * n, 6 * n) + loading @ loading.T
    return out


@dataclass(frozen=True)
class ErrorContrasts:
    """r = 6n - p orthonormal combinations of the offsets of n pairs that no change of X and Y affects."""

    offset: Array
    """(r,): contrasts of the offsets."""
    measurement_covariance: Array
    """(r, r): covariance by the corner noise, and by what the images leave open about board and lens."""
    variance_components: Array
    """(4, r, r): covariance by each of the four variances of ``offset_covariance``, for a variance of 1."""
    log_determinant: float
    """Log determinant of the information about X and Y for offsets of unit covariance."""

    @staticmethod
    def of(pairs: ArmOffsets) -> ErrorContrasts:
        """The contrasts of ``pairs``: the orthogonal complement of their design."""
        n = pairs.count
        Q, R = np.linalg.qr(pairs.design.reshape(6 * n, -1), mode="complete")
        p = R.shape[1]
        basis = Q[:, p:].reshape(n, 6, -1)
        flat = basis.reshape(6 * n, -1)
        variance_components = [
            np.tensordot(basis[:, part], mixed[:, part], axes=((0, 1), (0, 1)))
            for mixed in (basis, np.tensordot(pairs.correlation, basis, axes=1))
            for part in (slice(0, 3), slice(3, 6))
        ]
        loading = flat.T @ pairs.nuisance_loading.reshape(6 * n, -1)
        return ErrorContrasts(
            pairs.offset.ravel() @ flat,
            flat.T @ (pairs.camera_covariance @ basis).reshape(6 * n, -1) + loading @ loading.T,
            np.array(variance_components),
            2 * float(np.log(np.abs(np.diagonal(R))).sum()),
        )

    def log_likelihood(self, u: Array) -> float:
        """Restricted log likelihood at log variances u (4,), up to a constant."""
        return self._fitted(u)[0]

    def with_gradient(self, u: Array) -> tuple[float, Array, Array]:
        """Restricted log likelihood at u (4,), its gradient (4,), and its average information (4, 4)."""
        value, weight, weighted_offset = self._fitted(u)
        by_u = np.exp(u)[:, None, None] * self.variance_components
        working_variates = by_u @ weighted_offset
        gradient = 0.5 * (working_variates @ weighted_offset - np.tensordot(by_u, weight, axes=2))
        return value, gradient, 0.5 * working_variates @ weight @ working_variates.T

    def _fitted(self, u: Array) -> tuple[float, Array, Array]:
        C = self.measurement_covariance + np.tensordot(np.exp(u), self.variance_components, axes=1)
        weight = np.linalg.inv(C)
        weighted_offset = weight @ self.offset
        return (
            float(-0.5 * (np.linalg.slogdet(C)[1] + self.log_determinant + self.offset @ weighted_offset)),
            weight,
            weighted_offset,
        )


def reml_variances(joint: JointEstimate, contrasts: ErrorContrasts) -> tuple[Array, float]:
    """The log variances (4,) of maximum restricted likelihood, and the likelihood ratio statistic of the correlated
    part: twice the log likelihood that it gains over white noise alone."""
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
    """Log variances (4,) of the noise of ``joint`` without a correlated part."""
    best = joint.noise.best
    white = 2 * np.log(np.maximum([best.translation_m, best.rotation_rad], 1e-7))
    return np.concatenate([white, [MIN_LOG_VARIANCE, MIN_LOG_VARIANCE]])
