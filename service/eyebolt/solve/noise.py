"""How noisy the arm's poses are, judged from the pairs themselves, and how well that is known.

Restricted likelihood (H. D. Patterson, R. Thompson, Biometrika 58(3), 1971): the likelihood of what is left after the
transforms are fitted, so that fitting them costs no bias. Its shape, on a small grid, is carried into the statement of
error: few pairs say little about the noise, and the stated error must widen for that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eyebolt.geometry.rigid import Array
from eyebolt.solve.linear_model import LinearModel, invert_with_log_size
from eyebolt.solve.problem import RobotNoise

# Outside these an arm is either a standard of length or broken; they bound the search, they do not decide anything.
_LEAST = np.array([1e-6, 1e-6])  # 1 um, 0.00006 deg
_MOST = np.array([0.05, 0.1])  # 50 mm, 5.7 deg
_BOUNDS = (2 * np.log(_LEAST), 2 * np.log(_MOST))
_GRID = np.linspace(-2.7, 2.7, 7)
_PARTS = (slice(0, 3), slice(3, 6))


@dataclass(frozen=True)
class NoiseKnowledge:
    """``best``: the most likely noise; ``choices`` (m, 2) of (translation m, rotation rad), ``weights`` (m,) sum 1."""

    best: RobotNoise
    choices: Array
    weights: Array
    stated: bool


def stated_noise(noise: RobotNoise) -> NoiseKnowledge:
    """Knowledge of a noise that the station file states: one choice, no doubt."""
    choice = np.array([[noise.translation_m, noise.rotation_rad]])
    return NoiseKnowledge(noise, choice, np.ones(1), stated=True)


def variance_of(noise: RobotNoise) -> Array:
    """(6,) variances of a pose at the flange, (translation, rotation)."""
    return np.repeat(np.array([noise.translation_m, noise.rotation_rad]) ** 2, 3)


class RestrictedLikelihood:
    """The restricted likelihood of the arm's two variances, as a function of u = log variance (2,)."""

    def __init__(self, model: LinearModel, design: Array, corner_px: float) -> None:
        # In the arm's own coordinates its share of the covariance is diagonal.
        inverse = np.linalg.inv(model.by_arm)
        self._offset = (inverse @ model.offset[..., None])[..., 0]
        self._design = inverse @ design
        self._camera_share = corner_px**2 * inverse @ model.spread @ np.swapaxes(inverse, -1, -2)

    def value_and_slope(self, u: Array) -> tuple[float, Array, Array]:
        """Log likelihood, its gradient (2,), and the expected information (2, 2), all in u."""
        value, W, WG, covariance, pull = self._fit(u)
        size = np.exp(u)
        gradient, information = np.zeros(2), np.zeros((2, 2))
        WGC = WG @ covariance
        flat = [np.ascontiguousarray(WG[:, part]).reshape(-1, WG.shape[-1]) for part in _PARTS]
        shares = [covariance @ (rows.T @ rows) for rows in flat]
        for k, part in enumerate(_PARTS):
            trace = np.trace(W[:, part, part], axis1=1, axis2=2).sum() - (WG[:, part] * WGC[:, part]).sum()
            gradient[k] = 0.5 * size[k] * (float((pull[:, part] ** 2).sum()) - trace)
            for m, other in enumerate(_PARTS[: k + 1]):
                between = W[:, part, other]
                crossed = flat[k].T @ (between @ WG[:, other]).reshape(-1, WG.shape[-1])
                trace2 = float((between**2).sum() - 2 * (crossed * covariance).sum() + (shares[k] * shares[m].T).sum())
                information[k, m] = information[m, k] = 0.5 * size[k] * size[m] * trace2
        return value, gradient, information

    def value(self, u: Array) -> float:
        """Log likelihood alone."""
        return self._fit(u)[0]

    def _fit(self, u: Array) -> tuple[float, Array, Array, Array, Array]:
        """Log likelihood; inverse covariances W (n, 6, 6); W G; covariance of the fit; W times what is left."""
        C = self._camera_share + np.diag(np.repeat(np.exp(u), 3))
        W = np.linalg.inv(C)
        WG = W @ self._design
        weighted = WG.reshape(-1, WG.shape[-1])
        normal = self._design.reshape(weighted.shape).T @ weighted
        covariance, log_normal = invert_with_log_size(normal)
        left = self._offset - self._design @ (covariance @ (weighted.T @ self._offset.reshape(-1)))
        pull = (W @ left[..., None])[..., 0]
        value = -0.5 * float(np.linalg.slogdet(C)[1].sum() + log_normal + (left * pull).sum())
        return value, W, WG, covariance, pull


def most_likely_noise(likelihood: RestrictedLikelihood, start: RobotNoise | None = None) -> RobotNoise:
    """The arm's noise at the top of the restricted likelihood, within the bounds of a physical arm."""
    first = np.array([1e-4, 3e-4]) if start is None else np.array([start.translation_m, start.rotation_rad])
    u = np.clip(2 * np.log(np.maximum(first, 1e-12)), *_BOUNDS)
    value, gradient, information = likelihood.value_and_slope(u)
    for _ in range(40):
        step = np.clip(np.linalg.solve(information + 1e-3 * np.eye(2), gradient), -2.0, 2.0)
        moved = False
        for shrink in (1.0, 0.4, 0.1):
            trial = np.clip(u + shrink * step, *_BOUNDS)
            result = likelihood.value_and_slope(trial)
            if result[0] >= value - 1e-12:
                moved = bool(np.abs(trial - u).max() > 1e-4)
                u, (value, gradient, information) = trial, result
                break
        if not moved:
            break
    return RobotNoise(*(float(v) for v in np.exp(u / 2)))


def noise_posterior(likelihood: RestrictedLikelihood, best: RobotNoise) -> NoiseKnowledge:
    """What the pairs say of the noise around its most likely value, on a grid of at most 49 choices.

    Flat in the logarithm of the variance; a direction that the data do not bound is given a spread of a factor e
    either way: there the likelihood is flat and the choice does not matter.
    """
    u = np.clip(2 * np.log([best.translation_m, best.rotation_rad]), *_BOUNDS)
    values, vectors = np.linalg.eigh(likelihood.value_and_slope(u)[2])
    spread = vectors * np.minimum(1 / np.sqrt(np.maximum(values, 1e-9)), 2.0)
    nodes = np.stack(np.meshgrid(_GRID, _GRID), axis=-1).reshape(-1, 2)
    grid = np.clip(u + nodes @ spread.T, *_BOUNDS)
    heights = np.array([likelihood.value(point) for point in grid])
    weights = np.exp(heights - heights.max())
    kept = weights > 1e-4
    return NoiseKnowledge(best, np.exp(grid[kept] / 2), weights[kept] / weights[kept].sum(), stated=False)
