"""Structure of the arm's noise beyond two variances: an axis that scatters more, or noise that grows with distance.

An arm may scatter more along one axis of its flange or of its base, in translation or in rotation (a weak joint, a worn
gear, a table that sways), and the error of a pose may grow with the square of the distance between camera and board.
Each is one parameter more: the ratio of the variance along the axis to that along the others, or the growth. They are
selected one at a time, by the restricted likelihood, which may be compared since all have the same mean.

A one-sided score test (D. Zhang, X. Lin, in: Random Effect and Latent Variable Model Selection, Springer 2008) on the
fit without the structure costs nothing. Its terms, one a pair, are bounded at their 1 % point, so that an outlier looks
like no structure. Only what it suggests is fitted, and kept if twice the log likelihood that it gains exceeds
log(N) + 2 log(K): the Bayesian information criterion (G. Schwarz, Annals of Statistics 6(2), 1978) for one parameter
and N residual degrees of freedom, and equal prior odds for each of the K alternatives together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from eyebolt.calibration.estimation.linearization import LinearFits, LinearModel
from eyebolt.calibration.estimation.robot_noise import NoisePrior, most_likely_noise
from eyebolt.calibration.problem import RobotNoise
from eyebolt.geometry import Array

# 1 % point of a chi-squared variable with one degree of freedom, and mean and variance of the variable bounded by it.
_BOUND, _BOUNDED_MEAN, _BOUNDED_VARIANCE = 6.635, 0.981, 1.725
# Standard deviations of the score below which a structure is not fitted.
_MIN_SCORE = 2.0
# Variance along the axis over that along the others; coarse, since the error of the result depends on it weakly.
_VARIANCE_RATIOS = (4.0, 9.0, 25.0)
# The variance grows with the fourth power of the distance, the standard deviation with its square.
_DISTANCE_POWER = 4
_MAX_STRUCTURES = 3
# Multiples of the variance of the board poses: half an octave of it is a fifth of the standard deviation.
_POSE_EXCESSES = tuple(2 ** (k / 2) for k in range(1, 11))
_BLOCKS = (slice(0, 3), slice(3, 6))
# Two blocks (translation, rotation) by two frames (flange, base) by three axes, and the distance.
_ALTERNATIVES = 13


@dataclass(frozen=True)
class _Structure:
    """One alternative for n pairs."""

    directions: Array
    """(n, d, 6): unit vectors, flange coordinates, along which the variance of the arm is larger."""
    coefficient: Array
    """(n,): by how much, per unit of the parameter."""
    parameters: tuple[float, ...]
    """Values of the parameter to try."""

    def applied(self, shape: Array, parameter: float) -> Array:
        """The ``shape`` (n, 6, 6) with this structure: along all directions in proportion, else added along one."""
        size = (parameter * self.coefficient)[:, None, None]
        if self.directions.shape[1] == 6:
            return shape * (1 + size)
        out: Array = shape + size * np.swapaxes(self.directions, 1, 2) @ self.directions
        return out

    def of_rows(self, rows: NDArray[np.bool_]) -> _Structure:
        """The same for ``rows``."""
        return replace(self, directions=self.directions[rows], coefficient=self.coefficient[rows])


def select_noise_shape(
    model: LinearModel,
    corner_sigma_px: float,
    prior: NoisePrior,
    noise: RobotNoise,
    fits: LinearFits,
    base_R_flange: Array,
    distance_m: Array,
    inliers: NDArray[np.bool_],
) -> Array | None:
    """The shape of the arm's noise (m, 6, 6) for all m pairs, selected on the ``inliers`` (m,), which ``model`` holds;
    None where two variances are enough.

    ``fits``: the fit of ``model`` at ``noise``; ``base_R_flange`` (m, 3, 3) and ``distance_m`` (m,): of all pairs. The
    shape is the covariance of the pose errors relative to the two variances, with a mean of 1 on its diagonal.
    """
    structures = _structures(base_R_flange, distance_m / distance_m[inliers].mean())
    selected = [one.of_rows(inliers) for one in structures]
    shape: Array = np.broadcast_to(np.eye(6), (len(inliers), 6, 6))
    found = False
    log_likelihood = float(fits.log_likelihood[0])
    required = np.log(max(model.offset.size - model.observable_basis.shape[1], 1)) + 2 * np.log(_ALTERNATIVES)
    for _ in range(_MAX_STRUCTURES):
        scores = [_score(model, fits, one, noise) for one in selected]
        best = int(np.argmax(scores))
        if scores[best] < _MIN_SCORE:
            break
        trials = []
        for parameter in structures[best].parameters:
            trial = _normalised(structures[best].applied(shape, parameter), inliers)
            shaped = replace(model, arm_shape=trial[inliers])
            trials.append((*most_likely_noise(shaped, corner_sigma_px, prior, noise), trial, shaped))
        likeliest = max(trials, key=lambda one: float(one[1].log_likelihood[0]))
        if 2 * (float(likeliest[1].log_likelihood[0]) - log_likelihood) < required:
            break
        noise, fits, shape, model = likeliest
        log_likelihood, found = float(fits.log_likelihood[0]), True
    return shape if found else None


def select_pose_excess(
    model: LinearModel, corner_sigma_px: float, prior: NoisePrior, noise: RobotNoise, fits: LinearFits
) -> float:
    """The variance of the board poses that the pairs of ``model`` show, as a multiple of that of the residuals; 1 where
    they show no more.

    ``fits``: the fit of ``model`` at ``noise``. What all corners of a view share (an imperfect lens, an uneven board)
    is taken up by the pose of the view: its residuals do not show it, and its effect has the shape of the covariance of
    that pose.
    """
    required = np.log(max(model.offset.size - model.observable_basis.shape[1], 1)) + 2 * np.log(_ALTERNATIVES + 1)
    best, largest = 1.0, float(fits.log_likelihood[0]) + required / 2
    for factor in _POSE_EXCESSES:
        trial = replace(model, camera_unit_covariance=factor * model.camera_unit_covariance)
        log_likelihood = float(most_likely_noise(trial, corner_sigma_px, prior, noise)[1].log_likelihood[0])
        if log_likelihood > largest:
            best, largest = factor, log_likelihood
    return best


def _structures(base_R_flange: Array, relative_distance: Array) -> list[_Structure]:
    m = len(base_R_flange)
    excess = tuple(ratio - 1 for ratio in _VARIANCE_RATIOS)
    out = []
    for block in _BLOCKS:
        for axes in (np.broadcast_to(np.eye(3), (m, 3, 3)), base_R_flange):
            for k in range(3):
                direction = np.zeros((m, 1, 6))
                direction[:, 0, block] = axes[:, k]
                out.append(_Structure(direction, np.ones(m), excess))
    every_direction = np.broadcast_to(np.eye(6), (m, 6, 6))
    out.append(_Structure(every_direction, relative_distance**_DISTANCE_POWER - 1, (1.0,)))
    return out


def _normalised(shape: Array, inliers: NDArray[np.bool_]) -> Array:
    """The shape with a mean of 1 on the diagonal of each block."""
    size = np.ones(6)
    for block in _BLOCKS:
        size[block] = np.sqrt(np.trace(shape[inliers][:, block, block], axis1=1, axis2=2).mean() / 3)
    out: Array = shape / size[:, None] / size
    return out


def _score(model: LinearModel, fits: LinearFits, structure: _Structure, noise: RobotNoise) -> float:
    """Score of the parameter at 0, in its standard deviations, from bounded terms."""
    sigma = np.repeat([noise.translation_m, noise.rotation_rad], 3)
    weight, weighted = fits.weight[0], fits.weighted_design[0]
    # Covariance of the weighted residuals: the projector of restricted likelihood, its diagonal blocks.
    projector = weight - weighted @ fits.covariance[0] @ np.swapaxes(weighted, -1, -2)
    weighted_residual = (weight @ fits.residual[0][..., None])[..., 0] * sigma
    scaled = projector * sigma[:, None] * sigma
    squares = (structure.directions @ weighted_residual[..., None])[..., 0] ** 2
    expected = np.einsum("ndi,nij,ndj->nd", structure.directions, scaled, structure.directions)
    terms = np.minimum(squares / np.maximum(expected, 1e-300), _BOUND) - _BOUNDED_MEAN
    # In the likelihood a term weighs as its expectation does.
    weights = structure.coefficient[:, None] * expected
    return float((weights * terms).sum() / max(np.sqrt((weights**2).sum() * _BOUNDED_VARIANCE), 1e-300))
