"""Noise of the arm's poses, estimated from the pairs as two variance components, and the posterior of that estimate.

Restricted maximum likelihood, REML (H. D. Patterson, R. Thompson, Biometrika 58(3), 1971): the likelihood of the
residuals alone, so that fitting X and Y does not bias the variances. The restricted likelihood on a small grid is the
posterior over which the error of the result is averaged: few pairs determine the noise poorly, and the stated error
must allow for that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eyebolt.calibration.estimation.linearization import LinearFits, LinearModel, fit_linear
from eyebolt.calibration.problem import RobotNoise
from eyebolt.geometry import Array

# The bounds of the search, (translation m, rotation rad): smaller than that of any arm, larger than that of a usable
# one. They decide nothing.
_MIN_SIGMA = np.array([1e-6, 1e-6])  # 1 um, 0.00006 deg
_MAX_SIGMA = np.array([0.05, 0.1])  # 50 mm, 5.7 deg
_BOUNDS = (2 * np.log(_MIN_SIGMA), 2 * np.log(_MAX_SIGMA))
_INITIAL_SIGMA = np.array([1e-4, 3e-4])
_BLOCKS = (slice(0, 3), slice(3, 6))
_MAX_ITERATIONS = 40
# Of a log variance; even 1000 pairs determine it to no better than sqrt(2 / 3000) = 0.03.
_STEP_TOLERANCE = 1e-4
# A larger estimate is not the noise of an arm but another fault that it has absorbed.
_MAX_PLAUSIBLE_NOISE_M, _MAX_PLAUSIBLE_NOISE_RAD = 0.003, float(np.deg2rad(1.0))


def _grid_in_disc(radius: float, step: float) -> Array:
    """Points (k, 2) of a square grid of width ``step`` inside a circle about the origin."""
    line = np.arange(-np.floor(radius / step), np.floor(radius / step) + 1) * step
    nodes = np.stack(np.meshgrid(line, line), axis=-1).reshape(-1, 2)
    out: Array = nodes[np.hypot(*nodes.T) <= radius + 1e-9]
    return out


# 29 nodes, in standard deviations of the log variances: the density outside 2.7 of them is 2.6 % of the whole.
_GRID_NODES = _grid_in_disc(2.7, 0.9)


@dataclass(frozen=True)
class NoisePosterior:
    """What is known about the noise of the arm: a discrete distribution over m values."""

    best: RobotNoise
    """The stated noise, or the REML estimate."""
    choices: Array
    """(m, 2), (translation m, rotation rad): values of the noise."""
    weights: Array
    """(m,), sum 1: posterior probability of each value."""
    stated: bool
    """Whether the noise is stated rather than estimated; then m = 1."""


def stated_noise(noise: RobotNoise) -> NoisePosterior:
    """The posterior of a noise that is known."""
    choice = np.array([[noise.translation_m, noise.rotation_rad]])
    return NoisePosterior(noise, choice, np.ones(1), stated=True)


def variance_of(noise: RobotNoise) -> Array:
    """(6,) variances of a pose at the flange, (translation, rotation)."""
    out: Array = np.repeat(np.array([noise.translation_m, noise.rotation_rad]) ** 2, 3)
    return out


def is_plausible_noise(noise: RobotNoise) -> bool:
    """Whether an arm may be that noisy (3 mm, 1 deg); if not, the estimate has absorbed another fault."""
    return noise.translation_m < _MAX_PLAUSIBLE_NOISE_M and noise.rotation_rad < _MAX_PLAUSIBLE_NOISE_RAD


def noise_dof(pairs: int, unknowns: int = 12) -> int:
    """Degrees of freedom of each of the two estimated variances, at least 1.

    Each pair has three translations and three rotations, and half of the ``unknowns`` are fitted to each: 12 for X and
    Y, 11 with a vertical axis only, and one for each nuisance parameter or component of a step change.
    """
    return max(3 * pairs - unknowns // 2, 1)


def reml_noise(
    model: LinearModel, corner_sigma_px: float, start: RobotNoise | None = None
) -> tuple[RobotNoise, LinearFits]:
    """The noise of maximum restricted likelihood, within the bounds of the search, and the fit at that noise.

    Quasi-Newton in the log variances with BFGS updates, started from the average information (A. R. Gilmour,
    R. Thompson, B. R. Cullis, Biometrics 51(4), 1995).
    """
    first = _INITIAL_SIGMA if start is None else np.array([start.translation_m, start.rotation_rad])
    u = np.clip(2 * np.log(np.maximum(first, 1e-12)), *_BOUNDS)
    fits = _fit_at(model, corner_sigma_px, u)
    gradient, information = _score(fits, u)
    for _ in range(_MAX_ITERATIONS):
        step = np.clip(np.linalg.solve(information + 1e-3 * np.eye(2), gradient), -2.0, 2.0)
        if np.abs(np.clip(u + step, *_BOUNDS) - u).max() < _STEP_TOLERANCE:
            break
        for shrink in (1.0, 0.4, 0.1):
            trial = np.clip(u + shrink * step, *_BOUNDS)
            found = _fit_at(model, corner_sigma_px, trial)
            if found.log_likelihood[0] >= fits.log_likelihood[0] - 1e-12:
                new_gradient, _ = _score(found, trial)
                information = _bfgs_update(information, trial - u, gradient - new_gradient)
                u, fits, gradient = trial, found, new_gradient
                break
        else:
            break
    return RobotNoise(*(float(v) for v in np.exp(u / 2))), fits


def _bfgs_update(information: Array, change: Array, gradient_drop: Array) -> Array:
    """The information (2, 2) updated so that it explains the drop of the gradient over a ``change`` (2,) of u."""
    curvature, explained = float(change @ gradient_drop), information @ change
    # A curvature that is not clearly positive would make the update indefinite.
    if curvature <= 1e-3 * float(change @ explained):
        return information
    out: Array = (
        information
        - np.outer(explained, explained) / float(change @ explained)
        + np.outer(gradient_drop, gradient_drop) / curvature
    )
    return out


def _fit_at(model: LinearModel, corner_sigma_px: float, u: Array) -> LinearFits:
    return fit_linear(model, corner_sigma_px, np.repeat(np.exp(u), 3)[None])


def _score(fits: LinearFits, u: Array) -> tuple[Array, Array]:
    """Gradient (2,) and average information (2, 2) of the restricted log likelihood in the log variances u (2,)."""
    size = np.exp(u)
    weight, weighted, covariance = fits.weight[0], fits.weighted_design[0], fits.covariance[0]
    weighted_residual = (weight @ fits.residual[0][..., None])[..., 0]
    gradient, working_variates = np.zeros(2), np.zeros((2, *weighted_residual.shape))
    for k, part in enumerate(_BLOCKS):
        block = weighted[:, part].reshape(-1, weighted.shape[-1])
        trace = np.trace(weight[:, part, part], axis1=1, axis2=2).sum() - float(((block @ covariance) * block).sum())
        gradient[k] = 0.5 * size[k] * (float((weighted_residual[:, part] ** 2).sum()) - trace)
        working_variates[k, :, part] = size[k] * weighted_residual[:, part]
    fitted = np.einsum("nir,kni->kr", weighted, working_variates)
    information = (
        np.einsum("kni,nij,lnj->kl", working_variates, weight, working_variates) - fitted @ covariance @ fitted.T
    )
    return gradient, 0.5 * information


def noise_posterior(
    model: LinearModel, corner_sigma_px: float, best: RobotNoise, fits: LinearFits
) -> tuple[NoisePosterior, LinearFits]:
    """The posterior of the noise on a grid of 29 nodes about ``best``, and the fits at these nodes.

    ``fits``: the fit at ``best``. The prior is flat in the standard deviations (A. Gelman, Bayesian Analysis 1(3),
    2006); flat in their logarithms it would cover the truth too rarely with few pairs. A direction that the data do not
    bound is given a spread of a factor e either way: the likelihood is flat there, and the width does not matter.
    """
    u = np.clip(2 * np.log([best.translation_m, best.rotation_rad]), *_BOUNDS)
    values, vectors = np.linalg.eigh(_score(fits, u)[1])
    spread = vectors * np.minimum(1 / np.sqrt(np.maximum(values, 1e-9)), 2.0)
    grid = np.clip(u + _GRID_NODES @ spread.T, *_BOUNDS)
    found = fit_linear(model, corner_sigma_px, np.repeat(np.exp(grid), 3, axis=1))
    # Flat in sigma is proportional to sigma in the log variance u = 2 log(sigma): a factor exp(u / 2) per component.
    log_density = found.log_likelihood + grid.sum(axis=1) / 2
    weights = np.exp(log_density - log_density.max())
    return NoisePosterior(best, np.exp(grid / 2), weights / weights.sum(), stated=False), found
