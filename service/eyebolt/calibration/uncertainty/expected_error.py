"""Expected error of the result over the working volume: the error of camera points transformed by X.

Draws from the posterior of X, a Gaussian mixture (``XPosterior``), displace every point of a grid over the working
volume. The error is the length of that displacement; it is summarised by quantiles over draws and points together, and
at each point by itself. The draws are quasi-random and always the same, so that equal data give equal numbers.

The points of one result err together: if it errs by more than most, it does so nearly everywhere. So a result whose
pooled p95 is just within a tolerance exceeds it in more than 1 of 20 cases, and the upper confidence bound of the p95
is stated beside it: the 95 % quantile over the draws of the 95 % quantile over the points.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import scipy
from numpy.typing import NDArray

from eyebolt.calibration.estimation import JointEstimate
from eyebolt.calibration.problem import Problem
from eyebolt.calibration.uncertainty.transform_error import TransformError
from eyebolt.geometry import Array

_DRAWS = 512


@dataclass(frozen=True)
class ErrorSummary:
    """Quantiles of an error."""

    median: float
    """Median over posterior and working volume together, mm."""
    p95: float
    """95 % quantile over posterior and working volume together, mm."""
    worst_p95: float
    """95 % quantile over the posterior at the worst point of the working volume, mm."""
    p95_upper: float
    """Upper bound, at 95 % confidence, of the 95 % quantile over the working volume, mm: what is compared with a
    tolerance."""


@dataclass(frozen=True)
class ErrorMap:
    """The expected error at each point of the working volume by itself."""

    u_px: Array
    """(9,) px: image columns."""
    v_px: Array
    """(9,) px: image rows."""
    distance_m: Array
    """(5,) m: distances along the optical axis."""
    p95_mm: Array
    """(5, 9, 9) mm: 95 % quantile by distance, row and column; its maximum is ``ErrorSummary.worst_p95``. NaN where the
    lens has no ray for the pixel."""


def standard_normal(count: int, dimensions: int) -> Array:
    """Quasi-random standard normal points (count, dimensions), always the same ones.

    Additive recurrence with the powers of the generalised golden ratio (M. Roberts, "The unreasonable effectiveness of
    quasirandom sequences", 2018), mapped by the inverse of the normal distribution function.
    """
    # Fixed-point iteration for the positive root of x^(dimensions + 1) = 1 + x.
    ratio = 2.0
    for _ in range(60):
        ratio = (1 + ratio) ** (1 / (dimensions + 1))
    steps = ratio ** -np.arange(1.0, dimensions + 1)
    out: Array = scipy.special.ndtri((0.5 + np.arange(1, count + 1)[:, None] * steps) % 1.0)
    return out


@cache
def _standard_draws() -> Array:
    """(512, 7): six columns for the change of X, one for the component of the mixture."""
    return standard_normal(_DRAWS, 7)


@dataclass(frozen=True)
class XPosterior:
    """What is known about X: a Gaussian mixture over the noise of the arm, and over a pose-correlated error of it."""

    weights: Array
    """(m,), sum 1."""
    means: Array
    """(m, 6), m and rad: changes of X, perturbed on the right."""
    covariances: Array
    """(m, 6, 6)."""

    @staticmethod
    def of(problem: Problem, joint: JointEstimate, X_error: TransformError) -> XPosterior:
        """The posterior by ``joint`` without a pose-correlated error, and by ``X_error`` with one."""
        probability = X_error.variances.correlated_probability(problem.correlated_error_range_m)
        correlated = X_error.correlated_covariances(problem.displacement_metric)
        count, mean = len(correlated), joint.weights @ joint.means[:, :6]
        return XPosterior(
            np.concatenate([(1 - probability) * joint.weights, np.full(count, probability / count)]),
            np.concatenate([joint.means[:, :6], np.broadcast_to(mean, (count, 6))]),
            np.concatenate([joint.covariances[:, :6, :6], correlated]),
        )

    @property
    def covariance(self) -> Array:
        """(6, 6) of the mixture."""
        centred = self.means - self.weights @ self.means
        spread = self.covariances + centred[:, :, None] * centred[:, None, :]
        out: Array = np.tensordot(self.weights, spread, axes=1)
        return out

    def draws(self, problem: Problem) -> Array:
        """(512, 6) changes of X."""
        points = _standard_draws()
        edges = np.cumsum(self.weights)
        component = np.searchsorted(edges / edges[-1], scipy.special.ndtr(points[:, 6])).clip(0, len(edges) - 1)
        roots = root_of(problem, self.covariances)
        out: Array = self.means[component] + (roots[component] @ points[:, :6, None])[..., 0]
        return out


def root_of(problem: Problem, covariance: Array) -> Array:
    """Square root R (..., 6, 6), R R^T = covariance; its columns are independent displacements over the working volume,
    the largest first, since quasi-random points are the most even in their first coordinates."""
    metric_root = np.linalg.cholesky(problem.displacement_metric)
    values, vectors = np.linalg.eigh(metric_root.T @ covariance @ metric_root)
    columns = np.linalg.solve(metric_root.T, vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :])
    out: Array = columns[..., ::-1]
    return out


def expected_error(problem: Problem, posterior: XPosterior) -> tuple[ErrorSummary, ErrorMap]:
    """The error of X over the working volume, as a summary and as a map; without the error of measuring a point."""
    squares = _squared_displacements(posterior.draws(problem), problem.grid)
    summary, p95_m = _pooled_and_by_point(squares, p95_upper_m(squares.T))
    u_px, v_px, distance_m = problem.volume.axes(problem.camera)
    p95_mm = np.full((len(distance_m), len(v_px), len(u_px)), np.nan)
    is_seen = problem.volume.is_seen(problem.camera)
    if is_seen.any():
        p95_mm[:, is_seen] = p95_m.reshape(len(distance_m), -1) * 1e3
    return summary, ErrorMap(u_px, v_px, distance_m, p95_mm)


def p95_upper_of_covariance(problem: Problem, covariance: Array) -> float:
    """``ErrorSummary.p95_upper``, mm, for a Gaussian error of X with ``covariance`` (6, 6), m and rad."""
    draws = _standard_draws()[:, :6] @ root_of(problem, covariance).T
    return p95_upper_m(_squared_displacements(draws, problem.grid).T) * 1e3


def p95_upper_m(squared_errors: NDArray[np.floating]) -> float:
    """The 95 % quantile over the draws of the 95 % quantile over the points, m, for squared errors (draws, points)."""
    of_draws = root_quantile(np.array(squared_errors, order="C"), 0.95)
    return float(root_quantile(of_draws**2, 0.95))


def _squared_displacements(draws: Array, grid: Array) -> NDArray[np.float32]:
    """Squared lengths (g, s), m^2, of the displacement t + w x p of grid points p (g, 3) by draws (s, 6) = (t, w).

    A sum of products of a term of the draw and a term of the point, so one matrix product gives all:
    t.t + 2 p.(t x w) + sum_ij p_i p_j (w.w delta_ij - w_i w_j).
    """
    t, w = draws[:, :3], draws[:, 3:]
    rotation_terms = (w**2).sum(axis=1)[:, None, None] * np.eye(3) - w[:, :, None] * w[:, None, :]
    draw_terms = np.concatenate(
        [(t**2).sum(axis=1)[:, None], 2 * np.cross(t, w), rotation_terms.reshape(-1, 9)], axis=1
    )
    products = (grid[:, :, None] * grid[:, None, :]).reshape(-1, 9)
    point_terms = np.concatenate([np.ones((len(grid), 1)), grid, products], axis=1)
    # Cancellation may leave a square slightly negative. Single precision suffices for what is only sorted from here on.
    out: NDArray[np.float32] = np.maximum(point_terms @ draw_terms.T, 0.0).astype(np.float32)
    return out


def pooled_summary(squared_errors: NDArray[np.floating], upper_m: float) -> ErrorSummary:
    """The summary of squared errors (points, draws), m^2, with ``p95_upper_m`` of their joint distribution; reorders
    them."""
    return _pooled_and_by_point(squared_errors, upper_m)[0]


def _pooled_and_by_point(squared_errors: NDArray[np.floating], upper_m: float) -> tuple[ErrorSummary, Array]:
    """The summary, and the p95 (points,), m, of each point; reorders ``squared_errors``, m^2."""
    p95_of_points_m = root_quantile(squared_errors, 0.95)
    pooled = squared_errors.reshape(-1)
    median, p95 = root_quantile(pooled, 0.5), root_quantile(pooled, 0.95)
    # No point can be better than all points together; where they are alike, the quantile of the fewer values may
    # nevertheless be a step lower, since it lies between other order statistics.
    worst = max(float(p95_of_points_m.max()), float(p95))
    # Where few points err far more than the others, most draws have a smaller p95 than all points and draws together.
    upper = max(upper_m, float(p95))
    return ErrorSummary(float(median) * 1e3, float(p95) * 1e3, worst * 1e3, upper * 1e3), p95_of_points_m


def root_quantile(squares: NDArray[np.floating], share: float) -> Array:
    """NumPy's linear quantile of the roots of ``squares`` along the last axis, which it reorders: one partition at a
    time is many times faster."""
    place = share * (squares.shape[-1] - 1)
    low = int(place)
    squares.partition(low, axis=-1)
    below, above = (np.sqrt(one, dtype=float) for one in (squares[..., low], squares[..., low + 1 :].min(axis=-1)))
    out: Array = below + (place - low) * (above - below)
    return out
