"""Gauss-Newton fit of edges to the pixels along them; ``corner_fit`` states the model."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.edge_samples import EdgeSamples, Float32Array, median
from eyebolt.geometry import Array

# Parameters of an edge: offset (px), turn (rad) against its start, mean and step (grey levels), blur sigma (px), and
# the relative slope of the illumination along it.
_PARAMETER_COUNT = 6
# An edge that has not converged by then is not one of a corner.
_MAX_ITERATIONS, _GOOD_START_ITERATIONS = 8, 3
# The first iterations use every third line across the edges.
_THINNING, _THIN_ITERATIONS = 3, 2
# After an iteration that moves an edge by this much, about a thousandth of a pixel remains: convergence is quadratic.
_CONVERGED_PX = 5e-2
# Edges of small squares depend on each other more and converge more slowly.
_CONVERGED_SMALL_PX = 5e-3
_MAX_STEP_PX = 1.0
# Priors (standard deviations): edge direction from the neighbouring corners, blur of a lens in focus, slowly varying
# illumination.
_DIRECTION_SIGMA_RAD = 0.05
_BLUR_SIGMA_PX = 1.0
_SLOPE_SIGMA = 0.03
# Tighter priors where an edge has few pixels: levels as a share of the step, blur.
_LEVEL_SIGMA, _NARROW_BLUR_SIGMA_PX = 0.05, 0.15
_MIN_BLUR_PX, _MAX_BLUR_PX = 0.25, 6.0
_PRIOR_PRECISION = np.array([[0], [_DIRECTION_SIGMA_RAD**-2], [0], [0], [_BLUR_SIGMA_PX**-2], [_SLOPE_SIGMA**-2]])
# A start this good needs no iterations on thinned pixels.
GOOD_START_SIGMA_PX = 0.1
# A step below this share of the typical one is not an edge. The caller applies a stricter limit after the fit.
_MIN_VISIBLE_STEP = 0.05
_ROOT_HALF, _ROOT_TWO = np.float32(np.sqrt(0.5)), np.float32(np.sqrt(2))
# erf(z) = tanh(z (a + b z^2)) to 0.0003, far below the noise of any camera; coefficients by minimax fit.
_TANH = (np.float32(1.12968), np.float32(0.099793))


def fit_edges(
    samples: EdgeSamples, partner: NDArray[np.int64], blur_px: float, start_sigma_px: float, reference_step: float
) -> tuple[Float32Array, Array, Array]:
    """Parameters (E, 6), variance of the offsets (E,) in px^2, RMS residual (E,) in grey levels.

    ``partner`` (E,): index of the other edge of the same corner. The variance is infinite where there is no edge.
    """
    q = np.zeros((len(samples.angle), _PARAMETER_COUNT), np.float32)
    q[:, 4] = blur_px
    all_edges = np.arange(len(q))
    prior_mean = q.copy()
    good_start, levels_unknown = start_sigma_px <= GOOD_START_SIGMA_PX, True
    if not good_start or samples.is_narrow:
        # A few pixels bring the edge close; the slope of the illumination matters only to the full set.
        thin = samples.thinned(_THINNING)
        if start_sigma_px > blur_px:
            # With a blur as wide as the uncertainty, the model edge overlaps the true one from the start.
            q[:, 4] = start_sigma_px
            _gauss_newton_step(thin, q, prior_mean, partner, all_edges, 4, levels_unknown=True)
            q[:, 4], levels_unknown = blur_px, False
        for _ in range(_THIN_ITERATIONS):
            moved, *_ = _gauss_newton_step(
                thin, q, prior_mean, partner, all_edges, _PARAMETER_COUNT - 1, levels_unknown=levels_unknown
            )
            levels_unknown = False
            if moved.max() < _CONVERGED_PX:
                break
    prior_precision = np.repeat(_PRIOR_PRECISION, len(q), axis=1)
    if samples.is_narrow:
        # So few pixels across an edge hardly separate its position from its levels, which both edges of a corner share.
        q[:, 2:5] = (q[:, 2:5] + q[partner, 2:5]) / 2
        q[:, 4] = median(q[:, 4])
        prior_mean = q.copy()
        prior_mean[:, 1] = 0
        prior_precision[2:4] = (_LEVEL_SIGMA * np.abs(q[:, 3]) + 1.0) ** -2
        prior_precision[4] = _NARROW_BLUR_SIGMA_PX**-2
    variance, offset_variance = np.ones(len(q)), np.full(len(q), np.inf)
    active = all_edges
    converged_px = _CONVERGED_PX if good_start else _CONVERGED_SMALL_PX
    for _ in range(_GOOD_START_ITERATIONS if good_start else _MAX_ITERATIONS):
        moved, variance[active], offset_variance[active] = _gauss_newton_step(
            samples, q, prior_mean, partner, active, _PARAMETER_COUNT, prior_precision[:, active], levels_unknown
        )
        if levels_unknown:
            # With hardly any step along both edges, the corner is occluded.
            step = np.abs(prior_mean[:, 3])
            has_edge = step > _MIN_VISIBLE_STEP * max(reference_step, float(median(step)))
            no_edge = ~(has_edge | has_edge[partner])
            moved[no_edge], offset_variance[no_edge], levels_unknown = 0.0, np.inf, False
        active = active[moved > converged_px]
        if not len(active):
            break
    return q, offset_variance, np.sqrt(variance)


def _gauss_newton_step(
    samples: EdgeSamples,
    q: Float32Array,
    prior_mean: Float32Array,
    partner: NDArray[np.int64],
    active: NDArray[np.int64],
    count: int,
    prior_precision: Array = _PRIOR_PRECISION,
    levels_unknown: bool = False,
) -> tuple[Array, Array, Array]:
    """One step of the edges ``active`` (A,) in their first ``count`` parameters, written into ``q``.

    Returns, each (A,): the movement in px (a change of blur counts a fifth), the variance of the residuals and that of
    the offset. ``levels_unknown``: mean and step are first estimated by linear least squares, also into ``prior_mean``.
    """
    whole = len(active) == len(q)
    s, t, weight, value, pixel_count = (
        part if whole else part[active]
        for part in (samples.along, samples.across, samples.weight, samples.value, samples.pixel_count)
    )
    a, other = q[active], partner[active]
    offset, turn, mean, step, sigma = (a[:, k : k + 1] for k in range(5))
    scale = _ROOT_HALF / sigma
    z = turn * s
    np.subtract(t, z, out=z)
    z -= offset
    z *= scale
    partner_factor = _erf(_distance_to_edge(samples, q, other, active, _ROOT_HALF / q[other, 4]))
    # Weights are 0 or 1, so that one factor of each product suffices to apply them.
    if samples.l_junction:
        partner_factor += 1
        partner_factor *= np.float32(0.5)
    partner_factor *= weight
    # Row 0: the model (later the residual); rows 1 to count: its derivatives by the parameters.
    factors = np.empty((count + 1, *s.shape), np.float32)
    flat, by_distance, by_turn, by_mean, pattern = factors[:5]
    np.multiply(z, z, out=by_distance)
    np.negative(by_distance, out=by_distance)
    np.exp(by_distance, out=by_distance)
    by_distance *= partner_factor
    np.multiply(partner_factor, _erf(z), out=pattern)
    if samples.l_junction:
        pattern += partner_factor
        pattern -= weight
    if levels_unknown:
        # By least squares on the initial pattern: too small a step would make the edge overshoot.
        middle, level = (part.sum(axis=1) / np.maximum(pixel_count, 1) for part in (pattern, value))
        square = _row_sums(pattern, pattern) - pixel_count * middle**2
        step[:, 0] = (_row_sums(pattern, value) - pixel_count * middle * level) / np.maximum(square, 1e-6)
        mean[:, 0] = level - step[:, 0] * middle
        prior_mean[active, 2:4] = a[:, 2:4]
    by_distance *= step * (-np.float32(2 / np.sqrt(np.pi)) * scale)
    np.multiply(pattern, step, out=flat)
    flat += mean * weight
    if count > 5:
        light = s * np.float32(1 / samples.reach_px)
        np.multiply(flat, light, out=factors[6])
        light *= a[:, 5:6]
        light += 1
        np.multiply(light, weight, out=by_mean)
        flat *= light
        by_distance *= light
        pattern *= light
    else:
        by_mean[:] = weight
    np.multiply(by_distance, s, out=by_turn)
    if count > 4:
        np.multiply(by_distance, z, out=factors[5])
        factors[5] *= _ROOT_TWO
    residual = np.subtract(value, flat, out=flat)
    degrees_of_freedom = np.maximum(pixel_count - count, 1)
    # Quantisation alone has a variance of 1/12 grey level squared.
    variance = np.maximum(_row_sums(residual, residual) / degrees_of_freedom, 1 / 12)
    products = np.swapaxes(factors[1:], 0, 1) @ np.moveaxis(factors, 0, 2)
    system = np.moveaxis(products, 0, 2).astype(np.float64, order="C")
    system /= variance
    prior = prior_precision[:count]
    system[:, 0] += prior * (prior_mean[active, :count] - a[:, :count]).T
    np.einsum("kke->ke", system[:, 1:])[:] += prior + 1e-9
    change, offset_variance, decrease = _solve_systems(system)
    # The residual variance after the step, to first order.
    after = np.maximum(variance - decrease * variance / degrees_of_freedom, np.maximum(variance / 100, 1 / 12))
    limit = np.maximum(_MAX_STEP_PX, 1.5 * a[:, 4])
    change[0] = np.clip(change[0], -limit, limit)
    a[:, :count] += change.T
    a[:, 4] = np.clip(a[:, 4], _MIN_BLUR_PX, min(samples.reach_px / 2, _MAX_BLUR_PX))
    moved = np.maximum(np.abs(change[0]), np.abs(a[:, 4] - q[active, 4]) / 5)
    q[active] = a
    return moved, after, offset_variance * (after / variance)


def _solve_systems(system: Array) -> tuple[Array, Array, Array]:
    """Solve E symmetric positive definite systems of n unknowns, ``system`` (n, 1 + n, E) with the right side first.

    Returns the solutions (n, E), the variance of the first unknown (E,), and the decrease of each sum of squares (E,).
    Overwrites ``system``. Elimination from the last unknown to the first, vectorised over the systems: one library call
    for each system costs more.
    """
    count = len(system)
    pivot = np.einsum("kke->ke", system[:, 1:])
    for k in range(count - 1, 0, -1):
        system[:k, : k + 1] -= (system[:k, k + 1] / pivot[k])[:, None] * system[k, : k + 1]
    right = system[:, 0].copy()
    change = right / pivot
    for k in range(1, count):
        change[k] -= np.einsum("ke,ke->e", system[k, 1 : k + 1], change[:k]) / pivot[k]
    return change, 1 / pivot[0], (right * right / pivot).sum(axis=0)


def _distance_to_edge(
    samples: EdgeSamples,
    q: Float32Array,
    edges: NDArray[np.int64],
    at: NDArray[np.int64],
    scale: Float32Array | np.float32,
) -> Float32Array:
    """Signed distances (A, P) of the pixels of the edges ``at`` from the edges ``edges``, times ``scale``."""
    along, across = samples.along, samples.across
    if len(at) < len(samples.side):
        along, across = along[at], across[at]
    # Direction of the other edge relative to this one.
    angle_between = samples.angle[at] - samples.angle[edges]
    sin, cos, side, turn = np.sin(angle_between), np.cos(angle_between), samples.side[edges], q[edges, 1]
    out: Float32Array = along * (scale * (side * sin - turn * cos))[:, None]
    out += across * (scale * samples.side[at] * (side * cos + turn * sin))[:, None]
    out -= (scale * q[edges, 0])[:, None]
    return out


def _row_sums(a: Float32Array, b: Float32Array) -> Float32Array:
    """Sums over P (E,) of the products of two arrays (E, P)."""
    out: Float32Array = np.einsum("ep,ep->e", a, b)
    return out


def _erf(z: Float32Array) -> Float32Array:
    """The error function, accurate to 0.0003."""
    out = z * z
    out *= _TANH[1]
    out += _TANH[0]
    out *= z
    np.tanh(out, out=out)
    return out
