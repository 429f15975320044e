"""Edges fitted to the pixels along them; see ``corners`` for the model."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.edge_samples import Single, Strips
from eyebolt.boards.numeric import median
from eyebolt.geometry import Array

# Parameters of an edge: offset, turn, mean, step, sigma, slope of the light along it.
_COUNT = 6
# What has not settled by then lies on no corner.
_ROUNDS, _NEARBY_ROUNDS = 8, 3
_THINNING, _THIN_ROUNDS = 3, 2
# A round that moves an edge by this much leaves a thousandth of a pixel: the steps shrink with their square or faster.
_SETTLED_PX = 5e-2
# Edges of small squares lean on each other, and take more rounds.
_SETTLED_SMALL_PX = 5e-3
_LONGEST_ROUND_PX = 1.0
# What is known before: edge directions from the neighbouring corners, a lens in focus, light that changes slowly.
_DIRECTION_SIGMA_RAD = 0.05
_BLUR_SIGMA_PX = 1.0
_SLOPE_SIGMA = 0.03
_LEVEL_SIGMA, _NARROW_BLUR_SIGMA_PX = 0.05, 0.15
_LEAST_BLUR_PX, _MOST_BLUR_PX = 0.25, 6.0
_PRECISION = np.array([[0], [_DIRECTION_SIGMA_RAD**-2], [0], [0], [_BLUR_SIGMA_PX**-2], [_SLOPE_SIGMA**-2]])
# Starts this good need no rounds on few pixels.
NEARBY_SIGMA_PX = 0.1
# A step of less than this share of the usual one is none. The caller's own limit is higher: it comes after the fit.
_UNSEEN = 0.05
_ROOT_HALF, _ROOT_TWO = np.float32(np.sqrt(0.5)), np.float32(np.sqrt(2))
# erf(z) = tanh(z (a + b z^2)) to 0.0003, far below the noise of any camera; fitted to the least greatest error.
_TANH = (np.float32(1.12968), np.float32(0.099793))


def fit_edges(
    strips: Strips, partner: NDArray[np.int64], blur_px: float, start_sigma_px: float, least_step: float
) -> tuple[Single, Array, Array]:
    """Parameters (E, 6), variance of the offsets (E,), infinite where there is no edge, RMS residual (E,)."""
    q = np.zeros((len(strips.angle), _COUNT), np.float32)
    q[:, 4] = blur_px
    everywhere = np.arange(len(q))
    expected = q.copy()
    nearby, fresh = start_sigma_px <= NEARBY_SIGMA_PX, True
    if not nearby or strips.narrow:
        # A few pixels bring an edge near; light that changes along it matters only to all of them.
        thin = strips.thinned(_THINNING)
        if start_sigma_px > blur_px:
            # A blur as wide as the doubt sees the edge from where it starts.
            q[:, 4] = start_sigma_px
            _round(thin, q, expected, partner, everywhere, 4, fresh=True)
            q[:, 4], fresh = blur_px, False
        for _ in range(_THIN_ROUNDS):
            moved, *_ = _round(thin, q, expected, partner, everywhere, _COUNT - 1, fresh=fresh)
            fresh = False
            if moved.max() < _SETTLED_PX:
                break
    precision = np.repeat(_PRECISION, len(q), axis=1)
    if strips.narrow:
        # So few pixels across an edge tell its place from its levels badly: both edges of a corner see the same ones.
        q[:, 2:5] = (q[:, 2:5] + q[partner, 2:5]) / 2
        q[:, 4] = median(q[:, 4])
        expected = q.copy()
        expected[:, 1] = 0
        precision[2:4] = (_LEVEL_SIGMA * np.abs(q[:, 3]) + 1.0) ** -2
        precision[4] = _NARROW_BLUR_SIGMA_PX**-2
    variance, offset_variance = np.ones(len(q)), np.full(len(q), np.inf)
    active = everywhere
    settled_px = _SETTLED_PX if nearby else _SETTLED_SMALL_PX
    for _ in range(_NEARBY_ROUNDS if nearby else _ROUNDS):
        moved, variance[active], offset_variance[active] = _round(
            strips, q, expected, partner, active, _COUNT, precision[:, active], fresh
        )
        if fresh:
            # Where hardly anything rises or falls along both edges of a corner, something lies over it.
            step = np.abs(expected[:, 3])
            seen = step > _UNSEEN * max(least_step, float(median(step)))
            unseen = ~(seen | seen[partner])
            moved[unseen], offset_variance[unseen], fresh = 0.0, np.inf, False
        active = active[moved > settled_px]
        if not len(active):
            break
    return q, offset_variance, np.sqrt(variance)


def _round(
    strips: Strips,
    q: Single,
    expected: Single,
    partner: NDArray[np.int64],
    active: NDArray[np.int64],
    count: int,
    precision: Array = _PRECISION,
    fresh: bool = False,
) -> tuple[Array, Array, Array]:
    """One step of the edges ``active`` in their first ``count`` parameters, written into ``q``: how far they moved
    in pixels (blur counts a fifth), variance of the residual, variance of the offset, each (A,). ``fresh``: the levels
    are not known yet, and are written into ``expected`` as they seem before the step."""
    whole = len(active) == len(q)
    s, t, weight, value, pixels = (
        part if whole else part[active]
        for part in (strips.along, strips.across, strips.weight, strips.value, strips.pixels)
    )
    a, other = q[active], partner[active]
    offset, turn, mean, step, sigma = (a[:, k : k + 1] for k in range(5))
    scale = _ROOT_HALF / sigma
    z = turn * s
    np.subtract(t, z, out=z)
    z -= offset
    z *= scale
    there = _erf(_held(strips, q, other, active, _ROOT_HALF / q[other, 4]))
    # weight is 0 or 1, so it may be applied to one factor of each product alone.
    if strips.bent:
        there += 1
        there *= np.float32(0.5)
    there *= weight
    # What the parameters are to explain, and below it the derivatives by each of them.
    factors = np.empty((count + 1, *s.shape), np.float32)
    flat, by_distance, by_turn, by_mean, pattern = factors[:5]
    np.multiply(z, z, out=by_distance)
    np.negative(by_distance, out=by_distance)
    np.exp(by_distance, out=by_distance)
    by_distance *= there
    np.multiply(there, _erf(z), out=pattern)
    if strips.bent:
        pattern += there
        pattern -= weight
    if fresh:
        # By least squares on the pattern as it starts: a step too small would send the edge too far.
        middle, level = (part.sum(axis=1) / np.maximum(pixels, 1) for part in (pattern, value))
        square = _row_sums(pattern, pattern) - pixels * middle**2
        step[:, 0] = (_row_sums(pattern, value) - pixels * middle * level) / np.maximum(square, 1e-6)
        mean[:, 0] = level - step[:, 0] * middle
        expected[active, 2:4] = a[:, 2:4]
    by_distance *= step * (-np.float32(2 / np.sqrt(np.pi)) * scale)
    np.multiply(pattern, step, out=flat)
    flat += mean * weight
    if count > 5:
        light = s * np.float32(1 / strips.reach_px)
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
    freedom = np.maximum(pixels - count, 1)
    # One grey level is the least that rounding leaves uncertain (a third of it, squared, is about 1/12).
    variance = np.maximum(_row_sums(residual, residual) / freedom, 1 / 12)
    products = np.swapaxes(factors[1:], 0, 1) @ np.moveaxis(factors, 0, 2)
    system = np.moveaxis(products, 0, 2).astype(np.float64, order="C")
    system /= variance
    known = precision[:count]
    system[:, 0] += known * (expected[active, :count] - a[:, :count]).T
    np.einsum("kke->ke", system[:, 1:])[:] += known + 1e-9
    change, offset_variance, gained = _solved(system)
    # What the step takes off the squares, as far as the model is straight there.
    after = np.maximum(variance - gained * variance / freedom, np.maximum(variance / 100, 1 / 12))
    limit = np.maximum(_LONGEST_ROUND_PX, 1.5 * a[:, 4])
    change[0] = np.clip(change[0], -limit, limit)
    a[:, :count] += change.T
    a[:, 4] = np.clip(a[:, 4], _LEAST_BLUR_PX, min(strips.reach_px / 2, _MOST_BLUR_PX))
    moved = np.maximum(np.abs(change[0]), np.abs(a[:, 4] - q[active, 4]) / 5)
    q[active] = a
    return moved, after, offset_variance * (after / variance)


def _solved(system: Array) -> tuple[Array, Array, Array]:
    """Solutions (n, E) of many small symmetric systems (n, 1 + n, E), the right side first; the first unknown's
    variance (E,); by how much each solution lowers its sum of squares (E,). Overwrites ``system``.

    Elimination from the last unknown to the first, all systems at once: a library's call for each of them costs more.
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


def _held(
    strips: Strips, q: Single, edges: NDArray[np.int64], at: NDArray[np.int64], scale: Single | np.float32
) -> Single:
    """Signed distance (E, P) of the pixels of ``at`` to the edges ``edges``, times ``scale``."""
    along, across = strips.along, strips.across
    if len(at) < len(strips.side):
        along, across = along[at], across[at]
    # The other edge's direction as this one sees it.
    apart = strips.angle[at] - strips.angle[edges]
    sin, cos, side, turn = np.sin(apart), np.cos(apart), strips.side[edges], q[edges, 1]
    out: Single = along * (scale * (side * sin - turn * cos))[:, None]
    out += across * (scale * strips.side[at] * (side * cos + turn * sin))[:, None]
    out -= (scale * q[edges, 0])[:, None]
    return out


def _row_sums(a: Single, b: Single) -> Single:
    """Sums (E,) of the products of two (E, P)."""
    out: Single = np.einsum("ep,ep->e", a, b)
    return out


def _erf(z: Single) -> Single:
    """The error function, to 0.0003."""
    out = z * z
    out *= _TANH[1]
    out += _TANH[0]
    out *= z
    np.tanh(out, out=out)
    return out
