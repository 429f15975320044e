"""Where exactly a corner is: a model of two crossing edges fitted to the pixels along them.

Brightness near the corner of four squares, lit unevenly by g and blurred by sigma:

    I(p) = (mean + step * erf(d1 / sqrt(2) sigma) * erf(d2 / sqrt(2) sigma)) * (1 + g . (p - c))

with d1, d2 the signed distances from p to the two edges through c. Straight edges stay straight in perspective, so the
model holds at any tilt; it uses every pixel along the edges, which is why it scatters less than a search for the point
where gradients are orthogonal.

Either edge is fitted to its own pixels with its own levels and blur, the other edge held where it was one round before:
away from the crossing the other edge is a sign, so the two hardly disturb each other, and two small systems are solved
instead of a large one. Gauss-Newton over all edges of all corners at once, in single precision relative to the start;
edges that have settled drop out.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from eyebolt.boards.edge_fit import GOOD_START_SIGMA_PX, fit_edges
from eyebolt.boards.edge_samples import EdgeSamples, Float32Array, MarkerClearance, sample_edges
from eyebolt.boards.exposure import GrayImage
from eyebolt.boards.numeric import median
from eyebolt.geometry import Array

DEFAULT_BLUR_PX = 0.8
# Edges that meet more flatly than this cross nowhere in particular.
_MIN_CROSSING_SINE = 0.05
# Half-window of the quick first step.
_MIN_WINDOW_PX, _MAX_WINDOW_PX, _WINDOW_SQUARES = 3, 5, 0.35


@dataclass(frozen=True)
class CornerFits:
    """``corners_px`` (K, 2); ``sigma_px`` (K,) standard deviation of a position as the fit sees it; ``blur_px`` (K,);
    ``step`` (K,) in grey levels, positive where the square towards +x +y is the brighter one; ``residual_rms`` (K,) RMS
    of the residual in grey levels."""

    corners_px: Array
    sigma_px: Array
    blur_px: Array
    step: Array
    residual_rms: Array


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
    """Fit corners (K, 2) of ``gray`` (H, W), starting about ``start_sigma_px`` from ``start_px``.

    ``along_x_px``, ``along_y_px`` (K, 2): how far one square along the board's x and y reaches in the picture.
    ``clearance``: beside an edge, only pixels within this strip count; None where there are no markers. ``blur_px``: about
    what blur to expect. ``l_junction``: corners of one black square on white, whose sides the two vectors are (x to y turns
    clockwise in the picture), instead of crossings; the clear strip then holds for either side of the edge.
    ``reference_step``: the usual height of an edge, if that is known; beside it the fit leaves out what shows none. Results
    are meaningful only where ``sigma_px`` is small; the caller decides.
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
    """The starts moved by the orthogonality of gradients, good to a few hundredths of a pixel and quick; None where
    the window that sees one corner only is too small for it."""
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
        # One that leaves its window has lost its corner.
        lost = np.hypot(*(to_px - start_px[inside]).T) > half
        out[inside] = np.where(lost[:, None], start_px[inside], to_px)
    return out


def _edge_intersections(
    start_px: Array, samples: EdgeSamples, q: Float32Array, variance_px2: Array, residual_rms: Array
) -> CornerFits:
    """Where the two edges of each corner meet: side * (cos y - sin x) - turn * (cos x + sin y) = offset."""
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
