"""Edges fitted to the pixels along them; see ``corners`` for the model."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from eyebolt.board.strips import Single, Strips
from eyebolt.geometry.rigid import Array

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
_PRECISION = np.array([0, _DIRECTION_SIGMA_RAD**-2, 0, 0, _BLUR_SIGMA_PX**-2, _SLOPE_SIGMA**-2])
# Starts this good need no rounds on few pixels.
NEARBY_SIGMA_PX = 0.1
_SOFT_END = 2.05
_SOFT = (1.1165, -0.3322, 0.0663, -0.00545)
_ROOT_HALF = np.float32(np.sqrt(0.5))


def fit_edges(
    strips: Strips, partner: NDArray[np.int64], blur_px: float, start_sigma_px: float
) -> tuple[Single, Array, Array]:
    """Parameters (E, 6), variance of the offsets (E,), RMS residual (E,)."""
    thin = strips.thinned(_THINNING)
    weight_sum = np.maximum(thin.weight.sum(axis=1), 1.0)
    q = np.zeros((len(weight_sum), _COUNT), np.float32)
    everywhere = np.arange(len(q))
    # Levels by least squares on the pattern as it starts: a step too small would send the edge too far.
    scale = _ROOT_HALF / np.float32(blur_px)
    near, far = _softly(thin.across * scale), _softly(_distance(thin, q, partner, everywhere) * scale)
    crossed = (1 + near) * (1 + far) / 2 - 1 if strips.bent else near * far
    q[:, 2] = (thin.weight * thin.value).sum(axis=1) / weight_sum
    middle = (thin.weight * crossed).sum(axis=1) / weight_sum
    crossed -= middle[:, None]
    crossed *= thin.weight
    q[:, 3] = (crossed * thin.value).sum(axis=1) / np.maximum((crossed * crossed).sum(axis=1), 1e-6)
    q[:, 2] -= q[:, 3] * middle
    q[:, 4] = blur_px
    expected = q.copy()
    if start_sigma_px > blur_px:
        # A blur as wide as the doubt sees the edge from where it starts.
        q[:, 4] = start_sigma_px
        _round(thin, q, expected, partner, everywhere, 4)
        q[:, 4] = blur_px
    # A few pixels bring an edge near; light that changes along it matters only to all of them.
    for _ in range(_THIN_ROUNDS if start_sigma_px > NEARBY_SIGMA_PX else 0):
        if _round(thin, q, expected, partner, everywhere, _COUNT - 1)[0].max() < _SETTLED_PX:
            break
    precision = np.tile(_PRECISION, (len(q), 1))
    if strips.narrow:
        # So few pixels across an edge tell its place from its levels badly: both edges of a corner see the same ones.
        q[:, 2:5] = (q[:, 2:5] + q[partner, 2:5]) / 2
        q[:, 4] = np.median(q[:, 4])
        expected = q.copy()
        expected[:, 1] = 0
        precision[:, 2:4] = (_LEVEL_SIGMA * np.abs(q[:, 3:4]) + 1.0) ** -2
        precision[:, 4] = _NARROW_BLUR_SIGMA_PX**-2
    variance, offset_variance = np.ones(len(q)), np.full(len(q), np.inf)
    active = everywhere
    settled_px = _SETTLED_PX if start_sigma_px <= NEARBY_SIGMA_PX else _SETTLED_SMALL_PX
    for _ in range(_ROUNDS if settled_px < _SETTLED_PX else _NEARBY_ROUNDS):
        moved, variance[active], offset_variance[active] = _round(
            strips, q, expected, partner, active, _COUNT, precision[active]
        )
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
    precision: Array = _PRECISION[None],
) -> tuple[Array, Array, Array]:
    """One step of the edges ``active`` in their first ``count`` parameters, written into ``q``: how far they moved
    in pixels (blur counts a fifth), variance of the residual, variance of the offset, each (A,)."""
    whole = len(active) == len(q)
    s, t, weight, value = (
        part if whole else part[active] for part in (strips.along, strips.across, strips.weight, strips.value)
    )
    a, other = q[active], partner[active]
    offset, turn, mean, step, sigma = (a[:, k : k + 1] for k in range(5))
    distance = t - offset
    distance -= turn * s
    here, bell = _erf(distance * (_ROOT_HALF / sigma))
    there = _softly(_distance(strips, q, other, active) * (_ROOT_HALF / q[other, 4:5]))
    jacobian = np.empty((count, *s.shape), np.float32)
    # weight is 0 or 1, so it may be applied to one factor of each product alone.
    if strips.bent:
        there = (there + np.float32(1)) * np.float32(0.5)
    there *= weight
    by_distance, pattern = jacobian[0], jacobian[3]
    np.multiply(there, bell, out=by_distance)
    by_distance *= step * (-_ROOT_HALF * np.float32(2 / np.sqrt(np.pi)) / sigma)
    np.multiply(there, here, out=pattern)
    if strips.bent:
        pattern += there
        pattern -= weight
    flat = mean * weight
    flat += step * pattern
    if count > 5:
        share = s * np.float32(1 / strips.reach_px)
        np.multiply(flat, share, out=jacobian[5])
        light = share
        light *= a[:, 5:6]
        light += 1
        np.multiply(light, weight, out=jacobian[2])
        flat *= light
        by_distance *= light
        pattern *= light
    else:
        jacobian[2] = weight
    np.multiply(by_distance, s, out=jacobian[1])
    if count > 4:
        np.multiply(by_distance, distance, out=jacobian[4])
        jacobian[4] /= sigma
    residual = value * weight
    residual -= flat
    by_edge = np.swapaxes(jacobian, 0, 1)
    freedom = np.maximum(weight.sum(axis=1) - count, 1.0)
    # One grey level is the least that rounding leaves uncertain (a third of it, squared, is about 1/12).
    variance = np.maximum(np.einsum("ep,ep->e", residual, residual) / freedom, 1 / 12)
    normal = (by_edge @ np.moveaxis(jacobian, 0, 2)).astype(np.float64) / variance[:, None, None]
    normal[:, range(count), range(count)] += precision[:, :count]
    gradient = (by_edge @ residual[..., None])[..., 0] / variance[:, None]
    gradient += precision[:, :count] * (expected[active, :count] - a[:, :count])
    covariance = np.linalg.inv(normal + 1e-9 * np.eye(count))
    change = (covariance @ gradient[..., None])[..., 0]
    # What the step takes off the squares, as far as the model is straight there.
    gained = (change * gradient).sum(axis=1) * variance
    after = np.maximum(variance - np.maximum(gained, 0.0) / freedom, np.maximum(variance / 100, 1 / 12))
    limit = np.maximum(_LONGEST_ROUND_PX, 1.5 * a[:, 4])
    change[:, 0] = np.clip(change[:, 0], -limit, limit)
    a[:, :count] += change
    a[:, 4] = np.clip(a[:, 4], _LEAST_BLUR_PX, min(strips.reach_px / 2, _MOST_BLUR_PX))
    moved = np.maximum(np.abs(change[:, 0]), np.abs(a[:, 4] - q[active, 4]) / 5)
    q[active] = a
    return moved, after, covariance[:, 0, 0] * (after / variance)


def _distance(strips: Strips, q: Single, edges: NDArray[np.int64], at: NDArray[np.int64]) -> Single:
    """Signed distance of the pixels of ``at`` to the edges ``edges`` (E, P)."""
    sin, cos = np.sin(strips.angle[edges])[:, None], np.cos(strips.angle[edges])[:, None]
    dx, dy = (strips.dx, strips.dy) if len(at) == len(strips.dx) else (strips.dx[at], strips.dy[at])
    out: Single = strips.side[edges][:, None] * (dy * cos - dx * sin)
    out -= q[edges, :1] + q[edges, 1:2] * (dx * cos + dy * sin)
    return out


def _softly(z: Single | Array) -> Single:
    """The error function to 0.004: enough for the edge that is held. An odd polynomial, fitted by least squares."""
    bounded = np.clip(z, -_SOFT_END, _SOFT_END).astype(np.float32)
    square = bounded * bounded
    out = bounded * (_SOFT[0] + square * (_SOFT[1] + square * (_SOFT[2] + square * _SOFT[3])))
    return np.asarray(out, dtype=np.float32)


def _erf(z: Single) -> tuple[Single, Single]:
    """The error function to 1.5e-7, and exp(-z^2): Abramowitz and Stegun, 1964, formula 7.1.26."""
    size = np.abs(z)
    bell: Single = np.exp(-size * size)
    t = 1 / (1 + np.float32(0.3275911) * size)
    series = t * (0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429))))
    out: Single = np.copysign(1 - series * bell, z)
    return out, bell
