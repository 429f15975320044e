"""Sub-pixel position of a corner: a model of two crossing edges fitted to the pixels along them.

Brightness near the corner of four squares, lit unevenly by g and blurred by sigma:

    I(p) = (mean + step * erf(d1 / sqrt(2) sigma) * erf(d2 / sqrt(2) sigma)) * (1 + g . (p - c))

with d1, d2 the signed distances of p from the two edges through c. Perspective keeps straight edges straight, so the
model holds at any tilt. It uses every pixel along the edges and therefore has a smaller variance than the search for
the point where gradients are orthogonal.

Each edge is fitted to its own pixels with its own levels and blur, while the other edge is held at its estimate of the
previous iteration: away from the crossing the factor of the other edge is 1 or -1, so the two are nearly independent,
and two small systems replace a large one. Gauss-Newton over all edges of all corners at once, in single precision
relative to the start; converged edges drop out. ``edge_samples`` selects the pixels, ``edge_fit`` iterates.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from eyebolt.boards.edge_fit import GOOD_START_SIGMA_PX, fit_edges
from eyebolt.boards.edge_samples import EdgeSamples, Float32Array, MarkerClearance, median, sample_edges
from eyebolt.boards.exposure import GrayImage
from eyebolt.geometry import Array

# Typical blur of a lens in focus, from which the fit starts.
DEFAULT_BLUR_PX = 0.8
# Edges at a smaller angle do not determine their intersection.
_MIN_CROSSING_SINE = 0.05
# Half-window of the gradient-based first step.
_MIN_WINDOW_PX, _MAX_WINDOW_PX, _WINDOW_SQUARES = 3, 5, 0.35


@dataclass(frozen=True)
class CornerFits:
    """Fitted corners; meaningful only where ``sigma_px`` is small."""

    corners_px: Array
    """(K, 2), positions of the corners."""
    sigma_px: Array
    """(K,), standard deviation of the position per coordinate, from the residuals; infinite without an edge."""
    blur_px: Array
    """(K,), standard deviation of the blur."""
    step: Array
    """(K,), half the brightness difference across an edge, grey levels; positive where the square towards +x +y is the
    brighter one."""
    residual_rms: Array
    """(K,), RMS of the residuals, grey levels."""


def fit_corners(
    gray: GrayImage,
    start_px: Array,
    along_x_px: Array,
    along_y_px: Array,
    clearance: MarkerClearance | None = None,
    *,
    blur_px: float = DEFAULT_BLUR_PX,
    start_sigma_px: float = 0.3,
    l_junction: bool = False,
    reference_step: float = 0.0,
) -> CornerFits:
    """Fit corners (K, 2) of ``gray`` (H, W) from ``start_px`` (K, 2), good to about ``start_sigma_px``.

    ``along_x_px``, ``along_y_px`` (K, 2): image vectors of one square along the board's x and y. ``clearance``: strip
    beside the edges whose pixels are used; None on boards without markers. ``blur_px``: expected blur. ``l_junction``:
    corners of one black square on white, whose sides are the two vectors (y clockwise of x), instead of crossings; the
    clearance then applies to both sides of an edge. ``reference_step``: typical ``step``, 0 if unknown; places with
    hardly any edge in comparison are skipped.
    """
    count = len(start_px)
    if count == 0:
        return CornerFits(np.zeros((0, 2)), *(np.zeros(0) for _ in range(4)))
    refined_px = _refined_by_gradients(gray, start_px, along_x_px, along_y_px, clearance)
    if refined_px is not None:
        start_px, start_sigma_px = refined_px, min(start_sigma_px, GOOD_START_SIGMA_PX)
    start = np.concatenate([start_px, start_px])
    along = np.concatenate([along_x_px, along_y_px])
    # The other edge's direction is that of one square across this edge.
    across = np.concatenate([along_y_px, along_x_px])
    samples = sample_edges(gray, start, along, across, clearance, max(blur_px, start_sigma_px), l_junction)
    partner = np.concatenate([np.arange(count, 2 * count), np.arange(count)])
    q, variance_px2, residual_rms = fit_edges(samples, partner, blur_px, start_sigma_px, reference_step)
    return _edge_intersections(start_px, samples, q, variance_px2, residual_rms)


def _refined_by_gradients(
    gray: GrayImage, start_px: Array, along_x_px: Array, along_y_px: Array, clearance: MarkerClearance | None
) -> Array | None:
    """The start moved by the orthogonality of gradients, which is fast and good to a few hundredths of a pixel.

    None where the squares are too small for a window with one corner.
    """
    area = np.abs(along_x_px[:, 0] * along_y_px[:, 1] - along_x_px[:, 1] * along_y_px[:, 0])
    beside_px = area / np.maximum(np.hypot(*along_x_px.T), np.hypot(*along_y_px.T)).clip(1e-6)
    free_px = float(median(beside_px)) * (_WINDOW_SQUARES if clearance is None else clearance.squares)
    half = int(min(free_px, _MAX_WINDOW_PX))
    if half < _MIN_WINDOW_PX:
        return None
    image = gray if gray.dtype == np.uint8 else gray.astype(np.float32)
    from_px = start_px.astype(np.float32).reshape(-1, 1, 2)
    inside = ((start_px > half + 2) & (start_px < np.array(gray.shape[::-1]) - half - 3)).all(axis=1)
    out: Array = start_px.copy()
    if inside.any():
        criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 5, 0.02)
        moved = cv2.cornerSubPix(image, from_px[inside], (half, half), (-1, -1), criteria)
        to_px = np.asarray(moved, dtype=np.float64).reshape(-1, 2)
        # A corner that leaves its window has moved to another feature.
        lost = np.hypot(*(to_px - start_px[inside]).T) > half
        out[inside] = np.where(lost[:, None], start_px[inside], to_px)
    return out


def _edge_intersections(
    start_px: Array, samples: EdgeSamples, q: Float32Array, variance_px2: Array, residual_rms: Array
) -> CornerFits:
    """Intersection of the two edges of each corner, side * (cos y - sin x) - turn * (cos x + sin y) = offset.

    The variance of the position follows from those of the two offsets by propagation through the 2 x 2 system.
    """
    count = len(start_px)
    sin, cos = np.sin(samples.angle.astype(float)), np.cos(samples.angle.astype(float))
    turn, offset = q[:, 1].astype(float), q[:, 0].astype(float)
    rows = np.stack([-samples.side * sin - turn * cos, samples.side * cos - turn * sin], axis=-1)
    first, second = rows[:count], rows[count:]
    determinant = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
    usable = np.abs(determinant) > _MIN_CROSSING_SINE
    safe = np.where(usable, determinant, 1.0)
    moved = (
        np.stack(
            [
                offset[:count] * second[:, 1] - offset[count:] * first[:, 1],
                offset[count:] * first[:, 0] - offset[:count] * second[:, 0],
            ],
            axis=-1,
        )
        / safe[:, None]
    )
    variance = variance_px2[:count] * (second**2).sum(1) + variance_px2[count:] * (first**2).sum(1)
    return CornerFits(
        corners_px=start_px + np.where(usable[:, None], moved, 0.0),
        sigma_px=np.where(usable, np.sqrt(np.maximum(variance, 0.0) / 2) / np.abs(safe), np.inf),
        blur_px=np.sqrt((q[:count, 4].astype(float) ** 2 + q[count:, 4].astype(float) ** 2) / 2),
        step=(q[:count, 3] + q[count:, 3]).astype(float) / 2,
        residual_rms=np.sqrt((residual_rms[:count] ** 2 + residual_rms[count:] ** 2) / 2),
    )
