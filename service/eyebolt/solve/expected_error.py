"""How wrong the answer may be where it will be used: the error of camera points carried to the base."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm, qmc

from eyebolt.geometry import rigid
from eyebolt.geometry.rigid import Array
from eyebolt.solve.joint import JointEstimate
from eyebolt.solve.problem import Problem

_DRAWS = 1024


@dataclass(frozen=True)
class ErrorStatement:
    """Millimetres. Pooled over posterior and working volume: ``median``, ``p95``; ``worst_p95`` at its worst point."""

    median: float
    p95: float
    worst_p95: float


def _normal_draws(count: int, dimensions: int) -> Array:
    """Standard normal points (count, dimensions) that fill space evenly; always the same ones."""
    uniform = qmc.Sobol(dimensions, scramble=True, rng=20250).random(count)
    out: Array = norm.ppf(np.clip(uniform, 1e-9, 1 - 1e-9))
    return out


# Columns: 6 for the transform, 1 for the noise choice, 3 for the arm's shift at the pick, 6 for its error at the look.
_POINTS = _normal_draws(_DRAWS, 16)


def posterior_draws(joint: JointEstimate) -> tuple[Array, Array]:
    """Changes of X (1024, 6) drawn from the posterior, and the noise choice (1024,) that each came from."""
    edges = np.cumsum(joint.weights)
    choice = np.searchsorted(edges / edges[-1], norm.cdf(_POINTS[:, 6])).clip(0, len(edges) - 1)
    roots = np.array([_root(c[:6, :6]) for c in joint.covariances])
    draws = joint.means[choice, :6] + (roots[choice] @ _POINTS[:, :6, None])[..., 0]
    return draws, choice


def _root(covariance: Array) -> Array:
    scale = np.sqrt(np.maximum(np.diagonal(covariance), 1e-300))
    values, vectors = np.linalg.eigh(covariance / scale[:, None] / scale)
    out: Array = scale[:, None] * vectors * np.sqrt(np.maximum(values, 0.0))
    return out


def expected_error(problem: Problem, joint: JointEstimate) -> ErrorStatement:
    """The transform's own error over the working volume, without the camera's measuring error."""
    draws, _ = posterior_draws(joint)
    return _state(_carried(draws, problem.volume.grid(problem.camera)))


def expected_pick(problem: Problem, joint: JointEstimate) -> ErrorStatement:
    """The same with the arm's own scatter: once when it picks, and with the camera on the arm once when it looks."""
    draws, choice = posterior_draws(joint)
    grid = problem.volume.grid(problem.camera)
    shift_m, turn_rad = joint.noise.choices[choice].T[:, :, None]
    vectors = _displacements(draws, grid) + (_POINTS[:, 7:10] * shift_m)[:, None, :]
    if problem.mount == "arm":
        at_flange = rigid.apply(joint.X, grid)
        look = (_POINTS[:, 10:13] * shift_m)[:, None, :]
        look = look + np.cross((_POINTS[:, 13:16] * turn_rad)[:, None, :], at_flange[None])
        vectors = vectors + look @ joint.X[:3, :3]
    return _state(np.sqrt(np.einsum("sgi,sgi->sg", vectors, vectors)))


def error_of_covariance(problem: Problem, covariance: Array) -> ErrorStatement:
    """The statement for a plain normal error of X with ``covariance`` (6, 6)."""
    return _state(_carried(_POINTS[:, :6] @ _root(covariance).T, problem.volume.grid(problem.camera)))


def _displacements(draws: Array, grid: Array) -> Array:
    """(s, g, 3): how far a change (s, 6) of X moves each point (g, 3); in the camera's axes, which keeps lengths."""
    return draws[:, None, :3] + np.cross(draws[:, None, 3:], grid[None])


def _carried(draws: Array, grid: Array) -> Array:
    vectors = _displacements(draws, grid)
    out: Array = np.sqrt(np.einsum("sgi,sgi->sg", vectors, vectors))
    return out


def _state(errors_m: Array) -> ErrorStatement:
    median, p95 = np.quantile(errors_m, [0.5, 0.95])
    worst = np.quantile(errors_m, 0.95, axis=0).max()
    return ErrorStatement(float(median) * 1e3, float(p95) * 1e3, float(worst) * 1e3)
