"""Noise of the arm's poses: two variance components with a prior, estimated from the pairs, and their posterior.

The restricted likelihood, REML (H. D. Patterson, R. Thompson, Biometrika 58(3), 1971), is that of the residuals alone,
so that fitting X and Y does not bias the variances. Multiplied by the prior it has its maximum inside the bounds even
where the pairs determine no noise at all. On a small grid it is the posterior over which the error of the result is
averaged: few pairs determine the noise poorly, and the stated error must allow for that.

A stated noise is a prior as well, with few degrees of freedom: a user knows it to within a factor. So there is one
estimate, and no step between a statement that the pairs bear out and one that they contradict.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eyebolt.calibration.estimation.linearization import LinearFits, LinearModel, fit_linear
from eyebolt.calibration.problem import STATED_NOISE_DOF, RobotNoise
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
# Scale of the prior of a noise that is not stated, (translation m, rotation rad): 1 mm and 0.2 deg, ten times the noise
# of a good arm (common practice, no source). It has an effect only where the pairs bound the noise by nothing else.
_WEAK_SCALE = np.array([1e-3, float(np.deg2rad(0.2))])
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
class NoisePrior:
    """Prior of the two variances of the arm, independent of each other.

    Stated: scaled inverse chi-squared with ``dof`` degrees of freedom about the squared ``scale``. Otherwise ``dof`` is
    0 and each standard deviation is half-Cauchy with that ``scale``, flat below it (A. Gelman, Bayesian Analysis 1(3),
    2006); flat in the logarithm instead, the stated error would cover the truth too rarely with few pairs.
    """

    scale: Array
    """(2,), (translation m, rotation rad)."""
    dof: float
    """Degrees of freedom of the statement; 0 where none is made."""

    @staticmethod
    def of(stated: RobotNoise | None, dof: float = STATED_NOISE_DOF) -> NoisePrior:
        """The prior for a noise ``stated`` with ``dof`` degrees of freedom, or for none."""
        if stated is None:
            return NoisePrior(_WEAK_SCALE, 0.0)
        return NoisePrior(np.array([stated.translation_m, stated.rotation_rad]), dof)

    def log_density(self, u: Array) -> Array:
        """(...) log density of log variances u (..., 2), up to a constant."""
        ratio = np.exp(u) / self.scale**2
        out: Array = (
            -0.5 * self.dof * (u + 1 / ratio).sum(axis=-1)
            if self.dof
            # In u = 2 log(sigma) a density of sigma gets the factor exp(u / 2).
            else (u / 2 - np.log1p(ratio)).sum(axis=-1)
        )
        return out

    def gradient(self, u: Array) -> Array:
        """(2,) derivative of the log density at u (2,)."""
        ratio = np.exp(u) / self.scale**2
        out: Array = 0.5 * self.dof * (1 / ratio - 1) if self.dof else 0.5 - ratio / (1 + ratio)
        return out

    def information(self, u: Array) -> Array:
        """(2, 2) negative second derivative of the log density at u (2,)."""
        ratio = np.exp(u) / self.scale**2
        return np.diag(0.5 * self.dof / ratio if self.dof else ratio / (1 + ratio) ** 2)


@dataclass(frozen=True)
class NoisePosterior:
    """What is known about the noise of the arm: a discrete distribution over m values."""

    best: RobotNoise
    """The most likely noise."""
    choices: Array
    """(m, 2), (translation m, rotation rad): values of the noise."""
    weights: Array
    """(m,), sum 1: posterior probability of each value."""
    prior: NoisePrior
    """The prior."""
    log_evidence: float = 0.0
    """Logarithm of the restricted likelihood, integrated over the prior of the noise, up to a constant."""

    @property
    def stated(self) -> bool:
        """Whether a noise was stated."""
        return self.prior.dof > 0

    def dof(self, pairs: int, unknowns: int = 12) -> float:
        """Degrees of freedom of each variance from ``pairs`` and the statement together (see ``noise_dof``)."""
        return noise_dof(pairs, unknowns) + self.prior.dof


def known_noise(noise: RobotNoise, prior: NoisePrior) -> NoisePosterior:
    """The posterior of a noise that counts as known."""
    choice = np.array([[noise.translation_m, noise.rotation_rad]])
    return NoisePosterior(noise, choice, np.ones(1), prior)


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


def most_likely_noise(
    model: LinearModel, corner_sigma_px: float, prior: NoisePrior, start: RobotNoise | None = None
) -> tuple[RobotNoise, LinearFits]:
    """The noise of maximum restricted likelihood times ``prior``, and the fit at that noise.

    Quasi-Newton in the log variances with BFGS updates, started from the average information (A. R. Gilmour,
    R. Thompson, B. R. Cullis, Biometrics 51(4), 1995).
    """
    first = _INITIAL_SIGMA if start is None else np.array([start.translation_m, start.rotation_rad])
    u = np.clip(2 * np.log(np.maximum(first, 1e-12)), *_BOUNDS)
    fits = _fit_at(model, corner_sigma_px, u)
    log_density = float(fits.log_likelihood[0] + prior.log_density(u))
    gradient, information = _score(fits, u, prior)
    for _ in range(_MAX_ITERATIONS):
        step = np.clip(np.linalg.solve(information + 1e-3 * np.eye(2), gradient), -2.0, 2.0)
        if np.abs(np.clip(u + step, *_BOUNDS) - u).max() < _STEP_TOLERANCE:
            break
        for shrink in (1.0, 0.4, 0.1):
            trial = np.clip(u + shrink * step, *_BOUNDS)
            found = _fit_at(model, corner_sigma_px, trial)
            new_log_density = float(found.log_likelihood[0] + prior.log_density(trial))
            if new_log_density >= log_density - 1e-12:
                new_gradient, _ = _score(found, trial, prior)
                information = _bfgs_update(information, trial - u, gradient - new_gradient)
                u, fits, gradient, log_density = trial, found, new_gradient, new_log_density
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


def _score(fits: LinearFits, u: Array, prior: NoisePrior) -> tuple[Array, Array]:
    """Gradient (2,) and information (2, 2) of the log posterior in the log variances u (2,).

    The information is the average information of the restricted likelihood, and that of the prior.
    """
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
    return gradient + prior.gradient(u), 0.5 * information + prior.information(u)


def noise_posterior(
    model: LinearModel, corner_sigma_px: float, prior: NoisePrior, best: RobotNoise, fits: LinearFits
) -> tuple[NoisePosterior, LinearFits]:
    """The posterior of the noise on a grid of 29 nodes about ``best``, and the fits at these nodes.

    ``fits``: the fit at ``best``. A direction that the data do not bound is given a spread of a factor e either way per
    node: the density is flat there, and the width does not matter.
    """
    u = np.clip(2 * np.log([best.translation_m, best.rotation_rad]), *_BOUNDS)
    values, vectors = np.linalg.eigh(_score(fits, u, prior)[1])
    spread = vectors * np.minimum(1 / np.sqrt(np.maximum(values, 1e-9)), 2.0)
    grid = np.clip(u + _GRID_NODES @ spread.T, *_BOUNDS)
    found = fit_linear(model, corner_sigma_px, np.repeat(np.exp(grid), 3, axis=1))
    log_density = found.log_likelihood + prior.log_density(grid)
    weights = np.exp(log_density - log_density.max())
    # Every node stands for a cell of the grid; its width in units of ``spread`` is the same for all models.
    log_evidence = float(log_density.max() + np.log(weights.sum()) + np.linalg.slogdet(spread)[1])
    return NoisePosterior(best, np.exp(grid / 2), weights / weights.sum(), prior, log_evidence), found
