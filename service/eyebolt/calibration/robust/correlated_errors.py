"""Systematic errors of the arm: a pose-correlated part beside the white noise, as a Gaussian process over the poses.

The error of a real arm is not white: joint offsets and link errors vary slowly over its poses. The variances of both
parts, for translation and rotation each, are estimated by restricted maximum likelihood on error contrasts, the
combinations of the offsets that X and Y do not affect (D. A. Harville, Biometrika 61(2), 1974).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from eyebolt.calibration.estimation import JointEstimate, LinearModel, variance_of
from eyebolt.calibration.problem import RobotNoise
from eyebolt.geometry import Array, RowSelection

# Lengths of a Gaussian correlation, in distance and in the chord of the rotation, by restricted likelihood over
# simulated arms of three geometries (``python -m bench.calibration arm-axes``). A rougher correlation (Matern) is as
# likely, and states less away from the waypoints.
_CORRELATION_LENGTH_M = 1.0
_CORRELATION_LENGTH_CHORD = 4.0
CONSTANT_SHARE = 0.25
"""Variance, over that of the correlated part, of an error that is constant in the flange frame. No pair shows it,
since Y or X contains it; a pick does. About four joints are behind the correlated part, and the last one errs alike."""
# Standard deviation of the correlated part in translation, metres: from 1 um, which is as good as none, to 5 mm. The
# steps are a fraction of what a few pairs can tell apart. Counted in quarters of an octave.
_CORRELATED_STEPS = np.arange(0, 50, 2)
_CORRELATED_M = 1e-6 * 2.0 ** (_CORRELATED_STEPS / 4)
# Prior probability that an arm has a correlated part beside its noise: neither is the exception.
_CORRELATED_PRIOR = 0.5
# Translation over rotation of the correlated part, metres: joint offsets displace the flange by their distance from it,
# 0.2 to 1.2 m on the usual arms.
_LEVERS_M = (0.2, 0.5, 1.2)
# White standard deviation over its estimate, in the same steps: with three degrees of freedom, the fewest, 1 in 20 is
# beyond a third to three times.
_WHITE_STEPS = np.arange(-6, 7)
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
    axes: Array
    """(n, 3, 3): the axes in which it is correlated, see ``arm_axes``."""
    white_shape: Array
    """(n, 6, 6): structure of the white noise (see ``LinearModel.arm_shape``), the identity where there is none."""

    @property
    def count(self) -> int:
        """Number of pairs."""
        return len(self.offset)


def arm_axes(poses: Array) -> Array:
    """(n, 3, 3) for poses (n, 4, 4): radial, tangential and vertical axis of the first joint, flange coordinates.

    The axes of the joints that carry the wrist rotate with the first joint, and with them the errors that their offsets
    and links cause. In these axes they depend on the position of the flange and hardly on its rotation.
    """
    radial = poses[:, :3, 3] * [1.0, 1.0, 0.0]
    radius = np.linalg.norm(radial, axis=-1, keepdims=True)
    # On the axis of the first joint every direction is as good as any other.
    radial = np.where(radius > 0, radial / np.maximum(radius, 1e-300), [1.0, 0.0, 0.0])
    vertical = np.broadcast_to([0.0, 0.0, 1.0], radial.shape)
    in_base = np.stack([radial, np.cross(vertical, radial), vertical], axis=-1)
    out: Array = np.swapaxes(poses[:, :3, :3], -1, -2) @ in_base
    return out


def pose_correlation(first: Array, second: Array) -> Array:
    """(n, m) between poses (n, 4, 4) and (m, 4, 4): Gaussian in distance and in the chord of the rotation."""
    # Both distances together are one in twelve dimensions: of the positions and of the entries of the rotations.
    a, b = (
        np.concatenate(
            [
                poses[:, :3, 3] / _CORRELATION_LENGTH_M,
                poses[:, :3, :3].reshape(-1, 9) / (np.sqrt(2) * _CORRELATION_LENGTH_CHORD),
            ],
            axis=1,
        )
        for poses in (first, second)
    )
    squares = (a**2).sum(axis=1)[:, None] + (b**2).sum(axis=1) - 2 * a @ b.T
    out: Array = np.exp(-0.5 * np.maximum(squares, 0.0))
    return out


def matching_pose_correlation(first: Array, second: Array) -> Array:
    """The same for pairs of poses (..., 4, 4) that broadcast against each other."""
    distance_m = np.linalg.norm(first[..., :3, 3] - second[..., :3, 3], axis=-1)
    chord = np.linalg.norm(first[..., :3, :3] - second[..., :3, :3], axis=(-2, -1)) / np.sqrt(2)
    out: Array = np.exp(-0.5 * ((distance_m / _CORRELATION_LENGTH_M) ** 2 + (chord / _CORRELATION_LENGTH_CHORD) ** 2))
    return out


def to_axes(axes: Array, vectors: Array) -> Array:
    """Vectors (n, 6, ...), translation and rotation each in flange coordinates, in ``axes`` (n, 3, 3)."""
    n = len(axes)
    parts = vectors.reshape(n, 2, 3, -1)
    out: Array = (np.swapaxes(axes, -1, -2)[:, None] @ parts).reshape(vectors.shape)
    return out


def evenly_spaced_rows(count: int, at_most: int = _MAX_PAIRS) -> NDArray[np.intp]:
    """At most so many of ``count`` rows, evenly spaced; by default 40: enough to separate a trend from noise."""
    return np.unique(np.linspace(0, count - 1, min(count, at_most)).astype(int))


def arm_offsets(joint: JointEstimate, model: LinearModel, reported: Array, rows: RowSelection) -> ArmOffsets:
    """The pairs ``rows`` of ``model``, linearised about ``joint``; ``reported`` (n, 4, 4): all base_T_flange.

    The images are those of ``joint``, also for pairs that it does not use.
    """
    mean, covariance = joint.model.nuisances_from_images(joint.corner_sigma_px)
    return ArmOffsets(
        reported[rows],
        (model.offset - model.nuisance_jacobian @ mean)[rows],
        model.transform_jacobian[rows] @ joint.model.observable_basis,
        joint.corner_sigma_px**2 * model.camera_unit_covariance[rows],
        model.nuisance_jacobian[rows] @ np.linalg.cholesky(covariance),
        pose_correlation(reported[rows], reported[rows]),
        arm_axes(reported[rows]),
        np.broadcast_to(np.eye(6), (len(reported[rows]), 6, 6)) if model.arm_shape is None else model.arm_shape[rows],
    )


@dataclass(frozen=True)
class ErrorContrasts:
    """r = 6n - p orthonormal combinations of the offsets of n pairs that no change of X and Y affects."""

    offset: Array
    """(r,): contrasts of the offsets."""
    measurement_covariance: Array
    """(r, r): covariance by the corner noise, and by what the images leave open about board and lens."""
    variance_components: Array
    """(4, r, r): covariance by each of the four variances, for a variance of 1: of the white translation and rotation,
    of the correlated translation and rotation."""
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
        in_axes = to_axes(pairs.axes, basis)
        correlated = np.tensordot(pairs.correlation, in_axes, axes=1)
        variance_components = [
            np.tensordot(left[:, part], right[:, part], axes=((0, 1), (0, 1)))
            for left, right in (
                (basis, pairs.white_shape @ basis),
                (in_axes, correlated),
            )
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
        value, root, weighted_offset = self._fitted(u)
        # Of the inverse LAPACK gives the lower half; a trace with a symmetric matrix needs no more.
        weight = scipy.linalg.lapack.dpotri(root, lower=True)[0].T
        diagonal = np.diagonal(weight).copy()
        weight *= 2
        np.fill_diagonal(weight, diagonal)
        variances = np.exp(u)
        working_variates = variances[:, None] * (self.variance_components @ weighted_offset)
        traces = variances * np.tensordot(self.variance_components, weight, axes=2)
        solved = scipy.linalg.lapack.dpotrs(root, working_variates.T, lower=True)[0]
        return value, 0.5 * (working_variates @ weighted_offset - traces), 0.5 * working_variates @ solved

    def _fitted(self, u: Array) -> tuple[float, Array, Array]:
        """The log likelihood, the lower root of the covariance, and its inverse times the offset."""
        C = self.measurement_covariance + np.tensordot(np.exp(u), self.variance_components, axes=1)
        root = np.linalg.cholesky(C)
        weighted_offset = scipy.linalg.lapack.dpotrs(root, self.offset, lower=True)[0]
        log_determinant = 2 * float(np.log(np.diagonal(root)).sum()) + self.log_determinant
        return -0.5 * (log_determinant + float(self.offset @ weighted_offset)), root, weighted_offset


def reml_variances(joint: JointEstimate, contrasts: ErrorContrasts) -> tuple[Array, float]:
    """The log variances (4,) of maximum restricted likelihood, and the likelihood ratio statistic of the correlated
    part: twice the log likelihood that it gains over white noise alone."""
    white_only = white_variances(joint.noise.best)
    u = np.concatenate([white_only[:2] - 0.7, white_only[:2] - 0.3])
    value, gradient, information = contrasts.with_gradient(u)
    for _ in range(30):
        # A variance that tends to nothing loses its information faster than its gradient: the ridge bounds the step,
        # and has to be small for the step to get there.
        step = np.clip(np.linalg.solve(information + 0.003 * np.eye(4), gradient), -3.0, 3.0)
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


def white_variances(noise: RobotNoise) -> Array:
    """Log variances (4,) of ``noise`` without a correlated part."""
    white = 2 * np.log(np.maximum([noise.translation_m, noise.rotation_rad], 1e-7))
    return np.concatenate([white, [MIN_LOG_VARIANCE, MIN_LOG_VARIANCE]])


@dataclass(frozen=True)
class ArmVariances:
    """What the pairs show of the four variances of the arm's error, in the order of ``ErrorContrasts``."""

    values: Array
    """(m, 4): possible values."""
    weights: Array
    """(m,), sum 1: their posterior probabilities."""
    correlated_m: float
    """Estimate of the correlated part in translation, metres per axis."""
    correlated_rad: float
    """The same in rotation, radians per axis."""
    likelihood_ratio: float
    """Twice the log likelihood that the correlated part gains over white noise alone."""
    log_integral_ratio: float
    """Log of the integral of the likelihood over the standard deviation of the correlated part in translation, metres,
    over the likelihood without one."""

    def correlated_probability(self, range_m: float) -> float:
        """Posterior probability that there is a correlated part, if its standard deviation in translation is expected
        anywhere from 0 to ``range_m``, metres; 0: there is none."""
        return float(np.exp(self._log_share(range_m) - self.log_evidence(range_m))) if range_m else 0.0

    def log_evidence(self, range_m: float) -> float:
        """Log likelihood averaged over whether there is a correlated part, in that range, over that without one."""
        return float(np.logaddexp(np.log(1 - _CORRELATED_PRIOR), self._log_share(range_m))) if range_m else 0.0

    def _log_share(self, range_m: float) -> float:
        """The part of it with a correlated part."""
        return float(np.log(_CORRELATED_PRIOR / range_m)) + self.log_integral_ratio


def integrated_variances(joint: JointEstimate, contrasts: ErrorContrasts) -> ArmVariances:
    """Values of the variances over the grid, weighted by likelihood and prior.

    With the white part W (from ``reml_variances``, or stated) and the correlated part K of one lever, the likelihood at
    w^2 W + s^2 K follows for all w and s from the ratios s / w, of which the grid has few.
    """
    stated = variance_of(joint.noise.best)[[0, 3]]
    if joint.noise.stated:
        white, white_steps = stated, np.zeros(1, dtype=int)
        estimate, likelihood_ratio = np.log([*white, _CORRELATED_M[0] ** 2, _CORRELATED_M[0] ** 2]), 0.0
    else:
        estimate, likelihood_ratio = reml_variances(joint, contrasts)
        white, white_steps = np.exp(estimate[:2]), _WHITE_STEPS
    parts = contrasts.variance_components
    W = contrasts.measurement_covariance + np.tensordot(white, parts[:2], axes=1)
    root = np.linalg.cholesky(W)
    offset = scipy.linalg.solve_triangular(root, contrasts.offset, lower=True)
    factors = 2.0 ** (white_steps / 4)
    steps, place = np.unique(_CORRELATED_STEPS - white_steps[:, None], return_inverse=True)
    place = place.reshape(len(factors), -1)
    halves = (scipy.linalg.solve_triangular(root, part, lower=True) for part in parts[2:])
    translation, rotation = (scipy.linalg.solve_triangular(root, half.T, lower=True) for half in halves)
    by_lever = [translation + rotation / lever_m**2 for lever_m in _LEVERS_M]
    log_determinants, squares = _quadratic_forms(by_lever, offset, 1e-12 * 2.0 ** (steps / 2))
    values, log_weights = [], []
    for lever_m, log_determinant, square in zip(_LEVERS_M, log_determinants, squares, strict=True):
        log_likelihood = -0.5 * (
            (2 * len(offset) * np.log(factors))[:, None]
            + log_determinant[place]
            + square[place] / factors[:, None] ** 2
        )
        # Both grids are geometric: a prior that is flat in a standard deviation gives a node a weight in proportion.
        log_weights.append(log_likelihood + np.log(factors)[:, None] + np.log(_CORRELATED_M))
        w, s = np.meshgrid(factors**2, _CORRELATED_M**2, indexing="ij")
        values.append(np.stack([w * white[0], w * white[1], s, s / lever_m**2], axis=-1))
        if joint.noise.stated:
            gained = 2 * float((log_likelihood - log_likelihood[:, :1]).max())
            if gained > likelihood_ratio:
                best = np.unravel_index(int(log_likelihood.argmax()), log_likelihood.shape)
                estimate, likelihood_ratio = np.log(values[-1][best]), gained
    found = np.concatenate([v.reshape(-1, 4) for v in values])
    logs = np.array(log_weights)
    # (levers, white, correlated).
    weights = np.exp(logs - logs.max())
    # A weight is the likelihood times the width of its node. At the first one the correlated part is as good as absent.
    without = weights[..., 0].sum() / _CORRELATED_M[0]
    integral = weights.sum() * np.log(_CORRELATED_M[1] / _CORRELATED_M[0])
    correlated_m, correlated_rad = (float(s) for s in np.exp(estimate[2:] / 2))
    return ArmVariances(
        found,
        weights.ravel() / weights.sum(),
        correlated_m,
        correlated_rad,
        likelihood_ratio,
        float(np.log(integral) - np.log(max(without, np.finfo(float).tiny))),
    )


def _quadratic_forms(matrices: Sequence[Array], vector: Array, factors: Array) -> tuple[Array, Array]:
    """Log determinants (k, m) of I + f K for k positive semidefinite ``matrices`` K and m ``factors`` f, and the
    squares (k, m) of the ``vector`` in the metric of the inverse.

    The Householder reflections of K bordered by the vector make K tridiagonal and the vector a multiple of the first
    axis. The pivots from the last row upwards yield both (G. H. Golub, C. F. Van Loan, Matrix Computations, 8.3).
    """
    diagonals, off_diagonals = [], []
    for matrix in matrices:
        bordered = np.zeros((len(vector) + 1, len(vector) + 1))
        bordered[1:, 0], bordered[1:, 1:] = vector, matrix
        _, diagonal, off_diagonal, _, _ = scipy.linalg.lapack.dsytrd(bordered, lower=1, lwork=32 * len(bordered))
        diagonals.append(diagonal[1:])
        off_diagonals.append(off_diagonal[1:])
    pivots = 1 + np.array(diagonals).T[..., None] * factors
    squared_off_diagonals = (np.array(off_diagonals).T[..., None] * factors) ** 2
    for row in range(len(pivots) - 2, -1, -1):
        pivots[row] -= squared_off_diagonals[row] / pivots[row + 1]
    return np.log(pivots).sum(axis=0), vector @ vector / pivots[0]
