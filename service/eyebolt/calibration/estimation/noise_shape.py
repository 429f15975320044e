"""Structure of the arm's noise beyond two variances: an axis that scatters more, or noise that grows with a length.

An arm may scatter more along or about one axis of its flange or of its base (a weak joint, a worn gear, a table that
sways), and the error of a pose may grow with the square of the distance between camera and board, or with that of its
reach. Each is one parameter more: the ratio of the variance along the axis to that along the others, or the growth.
They are selected one at a time, by the restricted likelihood, which may be compared since all have the same mean.

A one-sided score test (D. Zhang, X. Lin, in: Random Effect and Latent Variable Model Selection, Springer 2008) on the
fit without the structure costs nothing. Its terms, one a pair, are bounded at their 1 % point, so that an outlier looks
like no structure. Only what it suggests is fitted, and kept if twice the log likelihood that it gains exceeds
log(N) + 2 log(K): the Bayesian information criterion (G. Schwarz, Annals of Statistics 6(2), 1978) for one parameter
and N residual degrees of freedom, and equal prior odds for each of the K alternatives together.

Whether pairs are outliers or the noise has a structure is decided by the average over all structures instead
(``structured_evidence``; J. A. Hoeting et al., Statistical Science 14(4), 1999): the best single one would be penalised
for being chosen although the question is not which.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from eyebolt.calibration.estimation.linearization import LinearFits, LinearModel
from eyebolt.calibration.estimation.robot_noise import NoisePrior, most_likely_noise
from eyebolt.calibration.problem import RobotNoise
from eyebolt.geometry import Array

# 1 % point of a chi-squared variable with one degree of freedom, and mean and variance of the variable bounded by it.
_BOUND, _BOUNDED_MEAN, _BOUNDED_VARIANCE = 6.635, 0.981, 1.728
# Standard deviations of the score below which a structure is not fitted.
_MIN_SCORE = 2.0
# The same where likelihoods are averaged: one structure in six that is not there has more.
_MIN_FITTED_SCORE = 1.0
# Variance along the axis over that along the others; coarse, since the error of the result depends on it weakly.
_VARIANCE_RATIOS = (4.0, 9.0, 25.0)
# The variance grows with the fourth power of the distance, the standard deviation with its square.
_LENGTH_POWER = 4
_MAX_STRUCTURES = 3
# Multiples of the variance of the board poses: half an octave of it is a fifth of the standard deviation.
_POSE_EXCESSES = tuple(2 ** (k / 2) for k in range(1, 11))
_BLOCKS = (slice(0, 3), slice(3, 6))
# Translation, rotation or both by two frames (flange, base) by three axes; distance and reach.
_ALTERNATIVES = 20
# Prior odds against a pose excess. Common practice, no source.
_PRIOR_ODDS_OF_EXCESS = 14


@dataclass(frozen=True)
class ViewGeometry:
    """What the structures of the noise of m pairs refer to."""

    base_T_flange: Array
    """(m, 4, 4), metres: reported poses."""
    distance_m: Array
    """(m,): from the camera to the middle of the board."""

    @property
    def reach_m(self) -> Array:
        """(m,): from the base of the arm to its flange."""
        out: Array = np.linalg.norm(self.base_T_flange[:, :3, 3], axis=-1)
        return out


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
    views: ViewGeometry,
    inliers: NDArray[np.bool_],
) -> Array | None:
    """The shape of the arm's noise (m, 6, 6) for all m pairs, selected on the ``inliers`` (m,), which ``model`` holds;
    None where two variances are enough.

    ``fits``: the fit of ``model`` at ``noise``; ``views``: of all pairs. The shape is the covariance of the pose errors
    relative to the two variances, with a mean of 1 on its diagonal.
    """
    structures = _structures(views, inliers)
    selected = [one.of_rows(inliers) for one in structures]
    shape: Array = np.broadcast_to(np.eye(6), (len(inliers), 6, 6))
    found = False
    log_likelihood = float(fits.log_likelihood[0])
    required = np.log(max(model.offset.size - model.observable_basis.shape[1], 1)) + 2 * np.log(_ALTERNATIVES)
    for _ in range(_MAX_STRUCTURES):
        scores = _scores(fits, selected, noise)
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


def structured_evidence(
    model: LinearModel,
    corner_sigma_px: float,
    prior: NoisePrior,
    noise: RobotNoise,
    views: ViewGeometry,
    rows: NDArray[np.bool_],
) -> tuple[float, Array | None]:
    """The log evidence of the pairs ``rows`` (m,), which ``model`` holds, and the most probable shape (m, 6, 6) of all
    pairs; None: none.

    The restricted likelihood is averaged over the structures: none of them has a probability of 1/2, all alternatives
    together the other half, and the values of a parameter are equally probable. A structure without a score above
    ``_MIN_FITTED_SCORE`` counts as if it were no better than none.
    """
    noise, fits = most_likely_noise(model, corner_sigma_px, prior, noise)
    structures, unshaped = _structures(views, rows), np.broadcast_to(np.eye(6), (len(rows), 6, 6))
    plain = float(fits.log_likelihood[0])
    # Log likelihoods times the probability of the value of the parameter and of the structure, and their shapes.
    found: list[tuple[float, Array | None]] = [(plain, None)]
    scores = _scores(fits, [structure.of_rows(rows) for structure in structures], noise)
    for structure, score in zip(structures, scores, strict=True):
        if score < _MIN_FITTED_SCORE:
            found.append((plain - np.log(len(structures)), None))
            continue
        for parameter in structure.parameters:
            shape = _normalised(structure.applied(unshaped, parameter), rows)
            shaped = replace(model, arm_shape=shape[rows])
            log_likelihood = float(most_likely_noise(shaped, corner_sigma_px, prior, noise)[1].log_likelihood[0])
            found.append((log_likelihood - np.log(len(structures) * len(structure.parameters)), shape))
    evidence = float(np.logaddexp.reduce([value for value, _ in found])) - np.log(2)
    return evidence, max(found, key=lambda one: one[0])[1]


def select_pose_excess(
    model: LinearModel, corner_sigma_px: float, prior: NoisePrior, noise: RobotNoise, fits: LinearFits
) -> float:
    """The variance of the board poses that the pairs of ``model`` show, as a multiple of that of the residuals; 1 where
    they show no more.

    ``fits``: the fit of ``model`` at ``noise``. What all corners of a view share (an imperfect lens, an uneven board)
    is taken up by the pose of the view: its residuals do not show it, and its effect has the shape of the covariance of
    that pose.
    """
    required = np.log(max(model.offset.size - model.observable_basis.shape[1], 1)) + 2 * np.log(_PRIOR_ODDS_OF_EXCESS)
    best, largest = 1.0, float(fits.log_likelihood[0]) + required / 2
    for factor in _POSE_EXCESSES:
        trial = replace(model, camera_unit_covariance=factor * model.camera_unit_covariance)
        log_likelihood = float(most_likely_noise(trial, corner_sigma_px, prior, noise)[1].log_likelihood[0])
        if log_likelihood > largest:
            best, largest = factor, log_likelihood
    return best


def _structures(views: ViewGeometry, rows: NDArray[np.bool_]) -> list[_Structure]:
    m = len(rows)
    excess = tuple(ratio - 1 for ratio in _VARIANCE_RATIOS)
    out = []
    for axes in (np.broadcast_to(np.eye(3), (m, 3, 3)), views.base_T_flange[:, :3, :3]):
        for k in range(3):
            directions = np.zeros((m, 2, 6))
            for row, block in enumerate(_BLOCKS):
                directions[:, row, block] = axes[:, k]
            out += [_Structure(directions[:, kept], np.ones(m), excess) for kept in (slice(1), slice(1, 2), slice(2))]
    every_direction = np.broadcast_to(np.eye(6), (m, 6, 6))
    for length in (views.distance_m, views.reach_m):
        relative = length / length[rows].mean()
        out.append(_Structure(every_direction, relative**_LENGTH_POWER - 1, (1.0,)))
    return out


def _normalised(shape: Array, inliers: NDArray[np.bool_]) -> Array:
    """The shape with a mean of 1 on the diagonal of each block."""
    size = np.ones(6)
    for block in _BLOCKS:
        size[block] = np.sqrt(np.trace(shape[inliers][:, block, block], axis1=1, axis2=2).mean() / 3)
    out: Array = shape / size[:, None] / size
    return out


def _scores(fits: LinearFits, structures: Sequence[_Structure], noise: RobotNoise) -> list[float]:
    """Scores of the parameters at 0, each in its standard deviations, from bounded terms."""
    sigma = np.repeat([noise.translation_m, noise.rotation_rad], 3)
    weight, weighted = fits.weight[0], fits.weighted_design[0]
    # Covariance of the weighted residuals: the projector of restricted likelihood, its diagonal blocks.
    projector = weight - weighted @ fits.covariance[0] @ np.swapaxes(weighted, -1, -2)
    weighted_residual = (weight @ fits.residual[0][..., None])[..., 0] * sigma
    scaled = projector * sigma[:, None] * sigma
    found = []
    for structure in structures:
        squares = (structure.directions @ weighted_residual[..., None])[..., 0] ** 2
        expected = ((structure.directions @ scaled) * structure.directions).sum(axis=-1)
        terms = np.minimum(squares / np.maximum(expected, 1e-300), _BOUND) - _BOUNDED_MEAN
        # In the likelihood a term weighs as its expectation does.
        weights = structure.coefficient[:, None] * expected
        found.append(float((weights * terms).sum() / max(np.sqrt((weights**2).sum() * _BOUNDED_VARIANCE), 1e-300)))
    return found
