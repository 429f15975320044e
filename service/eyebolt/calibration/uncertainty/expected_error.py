"""How wrong the answer may be where it will be used: the error of camera points carried to the base."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import scipy

from eyebolt.calibration.estimation import JointEstimate
from eyebolt.calibration.problem import Problem
from eyebolt.geometry import Array

_DRAWS = 1024


@dataclass(frozen=True)
class ErrorSummary:
    """Millimetres. Pooled over posterior and working volume: ``median``, ``p95``; ``worst_p95`` at its worst point."""

    median: float
    p95: float
    worst_p95: float


@dataclass(frozen=True)
class ErrorMap:
    """``p95_mm`` (5, 9, 9): p95 of the error at each point by itself; the largest is the statement's ``worst_p95``.

    By distance along the camera's axis ``distance_m`` (5,), row ``v_px`` (9,) and column ``u_px`` (9,).
    """

    u_px: Array
    v_px: Array
    distance_m: Array
    p95_mm: Array


def standard_normal(count: int, dimensions: int) -> Array:
    """Standard normal points (count, dimensions) that fill space evenly; always the same ones.

    Additive recurrence with the powers of the generalised golden ratio (M. Roberts, "The unreasonable effectiveness of
    quasirandom sequences", 2018), carried through the inverse of the normal distribution.
    """
    ratio = 2.0
    for _ in range(60):
        ratio = (1 + ratio) ** (1 / (dimensions + 1))
    steps = ratio ** -np.arange(1.0, dimensions + 1)
    out: Array = scipy.special.ndtri((0.5 + np.arange(1, count + 1)[:, None] * steps) % 1.0)
    return out


@cache
def _standard_draws() -> Array:
    """(1024, 7): 6 for the transform, 1 for the noise choice."""
    return standard_normal(_DRAWS, 7)


def _posterior_draws(joint: JointEstimate) -> Array:
    """Changes of X (1024, 6) drawn from the posterior."""
    points = _standard_draws()
    edges = np.cumsum(joint.weights)
    choice = np.searchsorted(edges / edges[-1], scipy.special.ndtr(points[:, 6])).clip(0, len(edges) - 1)
    roots = _root(joint.covariances[:, :6, :6])
    out: Array = joint.means[choice, :6] + (roots[choice] @ points[:, :6, None])[..., 0]
    return out


def _root(covariance: Array) -> Array:
    scale = np.sqrt(np.maximum(np.diagonal(covariance, axis1=-2, axis2=-1), 1e-300))
    values, vectors = np.linalg.eigh(covariance / scale[..., :, None] / scale[..., None, :])
    out: Array = scale[..., :, None] * vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :]
    return out


def expected_error(problem: Problem, joint: JointEstimate) -> tuple[ErrorSummary, ErrorMap]:
    """The transform's own error over the working volume, without the camera's measuring error: pooled, and by place."""
    summary, p95_m = _pooled_and_by_point(_displacements(_posterior_draws(joint), problem.grid))
    u_px, v_px, distance_m = problem.volume.axes(problem.camera)
    by_grid_point = p95_m.reshape(len(distance_m), len(v_px), len(u_px)) * 1e3
    return summary, ErrorMap(u_px, v_px, distance_m, by_grid_point)


def p95_of_covariance(problem: Problem, covariance: Array) -> float:
    """Millimetres, pooled as in the statement, for a plain normal error of X with ``covariance`` (6, 6)."""
    errors_m = _displacements(_standard_draws()[:, :6] @ _root(covariance).T, problem.grid)
    return float(_quantile(errors_m.reshape(-1), 0.95)) * 1e3


def _displacements(draws: Array, grid: Array) -> Array:
    """(g, s) metres: how far a change (s, 6) of X, (translation t, rotation w), moves each point p (g, 3).

    The square of t + w x p is a product of what depends on the change and what depends on the point:
    t.t + 2 p.(t x w) + sum_ij p_i p_j (w.w delta_ij - w_i w_j).
    """
    t, w = draws[:, :3], draws[:, 3:]
    rotation_terms = (w**2).sum(axis=1)[:, None, None] * np.eye(3) - w[:, :, None] * w[:, None, :]
    change_terms = np.concatenate(
        [(t**2).sum(axis=1)[:, None], 2 * np.cross(t, w), rotation_terms.reshape(-1, 9)], axis=1
    )
    products = (grid[:, :, None] * grid[:, None, :]).reshape(-1, 9)
    point_terms = np.concatenate([np.ones((len(grid), 1)), grid, products], axis=1)
    out: Array = point_terms @ change_terms.T
    # Rounding may leave a square just under zero.
    np.maximum(out, 0.0, out=out)
    return np.sqrt(out, out=out)


def pooled_summary(errors_m: Array) -> ErrorSummary:
    """The statement for errors (points, draws), which it reorders."""
    return _pooled_and_by_point(errors_m)[0]


def _pooled_and_by_point(errors_m: Array) -> tuple[ErrorSummary, Array]:
    point_terms = _quantile(errors_m, 0.95)
    pooled = errors_m.reshape(-1)
    median, p95 = _quantile(pooled, 0.5), _quantile(pooled, 0.95)
    return ErrorSummary(float(median) * 1e3, float(p95) * 1e3, float(point_terms.max()) * 1e3), point_terms


def _quantile(values: Array, share: float) -> Array:
    """numpy's quantile along the last axis, in place: one partition at a time is many times faster than several."""
    place = share * (values.shape[-1] - 1)
    low = int(place)
    values.partition(low, axis=-1)
    below, above = values[..., low], values[..., low + 1 :].min(axis=-1)
    out: Array = below + (place - low) * (above - below)
    return out
