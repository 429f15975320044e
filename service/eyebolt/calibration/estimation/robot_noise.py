"""How noisy the arm's poses are, judged from the pairs themselves, and how well that is known.

Restricted likelihood (H. D. Patterson, R. Thompson, Biometrika 58(3), 1971): the likelihood of what is left after the
transforms are fitted, so that fitting them costs no bias. Its shape, on a small grid, is carried into the statement of
error: few pairs say little about the noise, and the stated error must widen for that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eyebolt.calibration.estimation.linearization import LinearFits, LinearModel, fit_linear
from eyebolt.calibration.problem import RobotNoise
from eyebolt.geometry import Array

# Outside these an arm is either a standard of length or broken; they bound the search, they do not decide anything.
_MIN_SIGMA = np.array([1e-6, 1e-6])  # 1 um, 0.00006 deg
_MAX_SIGMA = np.array([0.05, 0.1])  # 50 mm, 5.7 deg
_BOUNDS = (2 * np.log(_MIN_SIGMA), 2 * np.log(_MAX_SIGMA))
_INITIAL_SIGMA = np.array([1e-4, 3e-4])
_BLOCKS = (slice(0, 3), slice(3, 6))
_MAX_ITERATIONS = 40
# In the logarithm of a variance, which even 1000 pairs tell to 0.03 only.
_STEP_TOLERANCE = 1e-4


def _disc(reach: float, step: float) -> Array:
    """(k, 2) grid points with ``step`` between them inside a circle of radius ``reach``."""
    line = np.arange(-np.floor(reach / step), np.floor(reach / step) + 1) * step
    nodes = np.stack(np.meshgrid(line, line), axis=-1).reshape(-1, 2)
    out: Array = nodes[np.hypot(*nodes.T) <= reach + 1e-9]
    return out


_GRID_NODES = _disc(2.7, 0.9)


@dataclass(frozen=True)
class NoisePosterior:
    """``best``: the most likely noise; ``choices`` (m, 2) of (translation m, rotation rad), ``weights`` (m,) sum 1."""

    best: RobotNoise
    choices: Array
    weights: Array
    stated: bool


def stated_noise(noise: RobotNoise) -> NoisePosterior:
    """Knowledge of a noise that the station file states: one choice, no doubt."""
    choice = np.array([[noise.translation_m, noise.rotation_rad]])
    return NoisePosterior(noise, choice, np.ones(1), stated=True)


def variance_of(noise: RobotNoise) -> Array:
    """(6,) variances of a pose at the flange, (translation, rotation)."""
    out: Array = np.repeat(np.array([noise.translation_m, noise.rotation_rad]) ** 2, 3)
    return out


def reml_noise(
    model: LinearModel, corner_sigma_px: float, start: RobotNoise | None = None
) -> tuple[RobotNoise, LinearFits]:
    """The arm's noise at the top of the restricted likelihood, within the bounds of a physical arm, and the fit there.

    Quasi-Newton in the logarithms of the variances, starting from the average information (A. R. Gilmour,
    R. Thompson, B. R. Cullis, Biometrics 51(4), 1995).
    """
    first = _INITIAL_SIGMA if start is None else np.array([start.translation_m, start.rotation_rad])
    u = np.clip(2 * np.log(np.maximum(first, 1e-12)), *_BOUNDS)
    fits = _fit_at(model, corner_sigma_px, u)
    gradient, information = _gradient(fits, u)
    for _ in range(_MAX_ITERATIONS):
        step = np.clip(np.linalg.solve(information + 1e-3 * np.eye(2), gradient), -2.0, 2.0)
        if np.abs(np.clip(u + step, *_BOUNDS) - u).max() < _STEP_TOLERANCE:
            break
        for shrink in (1.0, 0.4, 0.1):
            trial = np.clip(u + shrink * step, *_BOUNDS)
            found = _fit_at(model, corner_sigma_px, trial)
            if found.log_likelihood[0] >= fits.log_likelihood[0] - 1e-12:
                new_gradient, _ = _gradient(found, trial)
                information = _bfgs_update(information, trial - u, gradient - new_gradient)
                u, fits, gradient = trial, found, new_gradient
                break
        else:
            break
    return RobotNoise(*(float(v) for v in np.exp(u / 2))), fits


def _bfgs_update(information: Array, change: Array, gradient_drop: Array) -> Array:
    """The information (2, 2) that explains how the gradient fell over a change (the BFGS rule)."""
    curvature, seen = float(change @ gradient_drop), information @ change
    if curvature <= 1e-3 * float(change @ seen):
        return information
    out: Array = (
        information - np.outer(seen, seen) / float(change @ seen) + np.outer(gradient_drop, gradient_drop) / curvature
    )
    return out


def _fit_at(model: LinearModel, corner_sigma_px: float, u: Array) -> LinearFits:
    return fit_linear(model, corner_sigma_px, np.repeat(np.exp(u), 3)[None])


def _gradient(fits: LinearFits, u: Array) -> tuple[Array, Array]:
    """Gradient (2,) and average information (2, 2) of the restricted log likelihood in u = log variances."""
    size = np.exp(u)
    weight, weighted, covariance = fits.weight[0], fits.weighted_design[0], fits.covariance[0]
    weighted_residual = (weight @ fits.residual[0][..., None])[..., 0]
    gradient, working_variates = np.zeros(2), np.zeros((2, *weighted_residual.shape))
    for k, part in enumerate(_BLOCKS):
        share = weighted[:, part].reshape(-1, weighted.shape[-1])
        trace = np.trace(weight[:, part, part], axis1=1, axis2=2).sum() - float(((share @ covariance) * share).sum())
        gradient[k] = 0.5 * size[k] * (float((weighted_residual[:, part] ** 2).sum()) - trace)
        working_variates[k, :, part] = size[k] * weighted_residual[:, part]
    seen = np.einsum("nir,kni->kr", weighted, working_variates)
    information = np.einsum("kni,nij,lnj->kl", working_variates, weight, working_variates) - seen @ covariance @ seen.T
    return gradient, 0.5 * information


def noise_posterior(
    model: LinearModel, corner_sigma_px: float, best: RobotNoise, fits: LinearFits
) -> tuple[NoisePosterior, LinearFits]:
    """What the pairs say of the noise around its most likely value, on a grid of at most 29 choices, and their fits.

    ``fits``: the fit at ``best``. Before the pairs speak, every standard deviation is as likely as any other
    (A. Gelman, Bayesian Analysis 1(3), 2006); a direction that the data do not bound is given a spread of a factor e
    either way: there the likelihood is flat and the choice does not matter.
    """
    u = np.clip(2 * np.log([best.translation_m, best.rotation_rad]), *_BOUNDS)
    values, vectors = np.linalg.eigh(_gradient(fits, u)[1])
    spread = vectors * np.minimum(1 / np.sqrt(np.maximum(values, 1e-9)), 2.0)
    grid = np.clip(u + _GRID_NODES @ spread.T, *_BOUNDS)
    found = fit_linear(model, corner_sigma_px, np.repeat(np.exp(grid), 3, axis=1))
    heights = found.log_likelihood + grid.sum(axis=1) / 2
    weights = np.exp(heights - heights.max())
    return NoisePosterior(best, np.exp(grid / 2), weights / weights.sum(), stated=False), found
