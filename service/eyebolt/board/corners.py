"""Where exactly a corner is: a model of two crossing edges fitted to the picture around it.

Brightness near the corner c of four squares, lit unevenly by g and blurred by sigma:

    I(p) = (mean + step * erf(d1 / sqrt(2) sigma) * erf(d2 / sqrt(2) sigma)) * (1 + g . (p - c))

with d1, d2 the signed distances from p to the two edges through c. Straight edges stay straight in perspective, so the
model holds at any tilt; it uses every pixel along the edges, which is why it scatters less than a search for the point
where gradients are orthogonal. Levenberg-Marquardt over all corners at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eyebolt.board.light import Pixels
from eyebolt.geometry.rigid import Array

# Parameters: x, y, direction of either edge, mean, step, sigma, and the slope of the light in x and y.
_COUNT = 9
_ROUNDS = 15
_SETTLED_PX = 1e-4
_MOST_REACH_PX = 12
# Next to the neighbouring edges the model is wrong.
_REACH_SQUARES = 0.45
_BATCH = 128
# What is known before: edge directions from the neighbouring corners, a lens in focus, light that changes slowly.
_DIRECTION_SIGMA_RAD = 0.05
_USUAL_BLUR_PX, _BLUR_SIGMA_PX = 0.8, 1.0
_SLOPE_SIGMA = 0.2
_LEAST_BLUR_PX = 0.25


@dataclass(frozen=True)
class CornerFits:
    """``corners_px`` (K, 2); ``sigma_px`` (K,) standard deviation of a position as the fit sees it; ``blur_px`` (K,);
    ``step`` (K,) in grey levels, positive where the square towards +x +y is the brighter one; ``misfit`` (K,) RMS
    of the residual in grey levels."""

    corners_px: Array
    sigma_px: Array
    blur_px: Array
    step: Array
    misfit: Array


@dataclass(frozen=True)
class ClearStrip:
    """The empty strip between an edge and the markers beside it: its width in squares, and how many pixels of that
    the blurred border of the marker takes up."""

    squares: float
    guard_px: float = 2.0


def fit_corners(
    gray: Pixels, start_px: Array, along_x_px: Array, along_y_px: Array, clear: ClearStrip | None = None
) -> CornerFits:
    """Fit corners (K, 2) of ``gray`` (H, W), starting within about 1 px of ``start_px``.

    ``along_x_px``, ``along_y_px`` (K, 2): how far one square along the board's x and y reaches in the picture.
    ``clear``: beside an edge, only pixels within this strip count; None where there are no markers. Results are
    meaningful only where ``sigma_px`` is small; the caller decides.
    """
    parts = [
        _fit_batch(gray, start_px[k], along_x_px[k], along_y_px[k], clear)
        for k in (slice(i, i + _BATCH) for i in range(0, len(start_px), _BATCH))
    ]
    return CornerFits(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in CornerFits.__dataclass_fields__)
    )


@dataclass(frozen=True)
class _Patches:
    x: Array
    y: Array
    value: Array
    weight: Array
    reach_px: float


def _fit_batch(
    picture: Pixels,
    start_px: Array,
    along_x_px: Array,
    along_y_px: Array,
    clear: ClearStrip | None,
) -> CornerFits:
    patches, u, v = _patches(picture, start_px, along_x_px, along_y_px, clear)
    weight_sum = np.maximum(patches.weight.sum(axis=1), 1.0)
    q = np.zeros((len(start_px), _COUNT))
    q[:, :2] = start_px
    q[:, 2] = np.arctan2(along_x_px[:, 1], along_x_px[:, 0])
    q[:, 3] = np.arctan2(along_y_px[:, 1], along_y_px[:, 0])
    q[:, 4] = (patches.weight * patches.value).sum(axis=1) / weight_sum
    q[:, 5] = (patches.weight * patches.value * np.sign(u * v)).sum(axis=1) / weight_sum
    q[:, 6] = _USUAL_BLUR_PX
    expected = q.copy()
    prior = np.zeros(_COUNT)
    prior[2:4] = _DIRECTION_SIGMA_RAD**-2
    prior[6] = _BLUR_SIGMA_PX**-2
    prior[7:9] = _SLOPE_SIGMA**-2

    damping = np.full(len(q), 1e-3)
    freedom = np.maximum(weight_sum - _COUNT, 1.0)
    residual, jacobian = _residual(patches, q)
    # One grey level is the least that rounding leaves uncertain (a third of it, squared, is about 1/12).
    variance = np.maximum((patches.weight * residual**2).sum(axis=1) / freedom, 1 / 12)
    cost = _cost(patches, residual, q, expected, prior, variance)
    normal = np.zeros((len(q), _COUNT, _COUNT))
    for _ in range(_ROUNDS):
        weighted = jacobian * patches.weight[..., None]
        normal = np.swapaxes(weighted, 1, 2) @ jacobian / variance[:, None, None] + np.diag(prior)
        gradient = (np.swapaxes(weighted, 1, 2) @ residual[..., None])[..., 0] / variance[:, None]
        gradient += prior * (expected - q)
        diagonal = np.einsum("kii->ki", normal)
        damped = normal + np.eye(_COUNT) * (damping[:, None] * diagonal + 1e-12)[:, None, :]
        change = np.linalg.solve(damped, gradient[..., None])[..., 0]
        trial = q + change
        trial[:, 6] = np.clip(trial[:, 6], _LEAST_BLUR_PX, patches.reach_px / 2)
        trial_residual, trial_jacobian = _residual(patches, trial)
        trial_cost = _cost(patches, trial_residual, trial, expected, prior, variance)
        better = trial_cost <= cost
        q = np.where(better[:, None], trial, q)
        residual = np.where(better[:, None], trial_residual, residual)
        jacobian = np.where(better[:, None, None], trial_jacobian, jacobian)
        damping = np.where(better, damping / 10, damping * 10)
        variance = np.maximum((patches.weight * residual**2).sum(axis=1) / freedom, 1 / 12)
        cost = _cost(patches, residual, q, expected, prior, variance)
        if np.abs(change[:, :2]).max(initial=0.0) < _SETTLED_PX:
            break
    covariance = np.linalg.inv(normal + 1e-12 * np.eye(_COUNT))
    return CornerFits(
        corners_px=q[:, :2],
        sigma_px=np.sqrt((covariance[:, 0, 0] + covariance[:, 1, 1]) / 2),
        blur_px=q[:, 6],
        step=q[:, 5],
        misfit=np.sqrt(variance),
    )


def _patches(
    picture: Pixels,
    start_px: Array,
    along_x_px: Array,
    along_y_px: Array,
    clear: ClearStrip | None,
) -> tuple[_Patches, Array, Array]:
    """The pixels around each corner and which of them count; u, v are their board coordinates in squares."""
    area = along_x_px[:, 0] * along_y_px[:, 1] - along_x_px[:, 1] * along_y_px[:, 0]
    area = np.where(np.abs(area) < 1e-6, 1e-6, area)
    # Distance between opposite edges of the square, measured across them.
    width_px = np.abs(area) / np.maximum(np.linalg.norm(along_y_px, axis=1), 1e-6)
    height_px = np.abs(area) / np.maximum(np.linalg.norm(along_x_px, axis=1), 1e-6)
    longest = max(float(np.linalg.norm(a, axis=1).max()) for a in (along_x_px, along_y_px))
    reach = int(np.clip(np.ceil(_REACH_SQUARES * longest), 3, _MOST_REACH_PX))
    offset_y, offset_x = (o.ravel() for o in np.mgrid[-reach : reach + 1, -reach : reach + 1])
    centre = np.round(start_px).astype(int)
    x, y = centre[:, :1] + offset_x, centre[:, 1:] + offset_y
    inside = (x >= 0) & (y >= 0) & (x < picture.shape[1]) & (y < picture.shape[0])
    value = picture[np.clip(y, 0, picture.shape[0] - 1), np.clip(x, 0, picture.shape[1] - 1)].astype(np.float64)
    dx, dy = x - start_px[:, :1], y - start_px[:, 1:]
    u = (dx * along_y_px[:, 1:] - dy * along_y_px[:, :1]) / area[:, None]
    v = (dy * along_x_px[:, :1] - dx * along_x_px[:, 1:]) / area[:, None]
    counts = inside & (np.abs(u) < _REACH_SQUARES) & (np.abs(v) < _REACH_SQUARES) & (dx**2 + dy**2 <= reach**2)
    if clear is not None:
        # One pixel either side of an edge is the least that still shows where it is.
        across, down = (np.maximum(clear.squares * size - clear.guard_px, 1.0) for size in (width_px, height_px))
        counts &= (np.abs(u) * width_px[:, None] <= across[:, None]) | (np.abs(v) * height_px[:, None] <= down[:, None])
    patches = _Patches(x.astype(float), y.astype(float), value, counts.astype(float), float(reach))
    return patches, u, v


def _residual(patches: _Patches, q: Array) -> tuple[Array, Array]:
    """Measured minus modelled brightness (K, P), and the derivative (K, P, 9) of the modelled one."""
    dx, dy = patches.x - q[:, :1], patches.y - q[:, 1:2]
    sin1, cos1, sin2, cos2 = (f(q[:, k])[:, None] for k in (2, 3) for f in (np.sin, np.cos))
    mean, step, sigma, slope_x, slope_y = (q[:, k : k + 1] for k in range(4, 9))
    d1, d2 = cos1 * dy - sin1 * dx, sin2 * dx - cos2 * dy
    scale = 1 / (np.sqrt(2) * sigma)
    side1, bell1 = _erf(d1 * scale)
    side2, bell2 = _erf(d2 * scale)
    pattern = side1 * side2
    flat = mean + step * pattern
    light = 1 + (slope_x * dx + slope_y * dy) / patches.reach_px
    by_d1 = step * light * side2 * bell1 * scale * (2 / np.sqrt(np.pi))
    by_d2 = step * light * side1 * bell2 * scale * (2 / np.sqrt(np.pi))
    jacobian = np.empty((*dx.shape, _COUNT))
    jacobian[..., 0] = by_d1 * sin1 - by_d2 * sin2 - flat * slope_x / patches.reach_px
    jacobian[..., 1] = by_d2 * cos2 - by_d1 * cos1 - flat * slope_y / patches.reach_px
    jacobian[..., 2] = -by_d1 * (cos1 * dx + sin1 * dy)
    jacobian[..., 3] = by_d2 * (cos2 * dx + sin2 * dy)
    jacobian[..., 4] = light
    jacobian[..., 5] = pattern * light
    jacobian[..., 6] = -(by_d1 * d1 + by_d2 * d2) / sigma
    jacobian[..., 7] = flat * dx / patches.reach_px
    jacobian[..., 8] = flat * dy / patches.reach_px
    return patches.value - flat * light, jacobian


def _cost(patches: _Patches, residual: Array, q: Array, expected: Array, prior: Array, variance: Array) -> Array:
    out: Array = (patches.weight * residual**2).sum(axis=1) / variance + (prior * (q - expected) ** 2).sum(axis=1)
    return out


def _erf(z: Array) -> tuple[Array, Array]:
    """The error function to 1.5e-7, and exp(-z^2): Abramowitz and Stegun, 1964, formula 7.1.26."""
    size = np.abs(z)
    bell: Array = np.exp(-size * size)
    t = 1 / (1 + 0.3275911 * size)
    series = t * (0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429))))
    out: Array = np.sign(z) * (1 - series * bell)
    return out, bell
