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

from eyebolt.boards.edge_fit import NEARBY_SIGMA_PX, fit_edges
from eyebolt.boards.edge_samples import ClearStrip, Single, Strips, strips_along
from eyebolt.boards.exposure import Pixels
from eyebolt.boards.numeric import median
from eyebolt.geometry import Array

USUAL_BLUR_PX = 0.8
# Edges that meet more flatly than this cross nowhere in particular.
_FLATTEST_SINE = 0.05
# Half-window of the quick first step.
_NEARBY_LEAST_PX, _NEARBY_MOST_PX, _NEARBY_SQUARES = 3, 5, 0.35


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


def fit_corners(
    gray: Pixels,
    start_px: Array,
    along_x_px: Array,
    along_y_px: Array,
    clear: ClearStrip | None = None,
    *,
    blur_px: float = USUAL_BLUR_PX,
    start_sigma_px: float = 0.3,
    bent: bool = False,
    least_step: float = 0.0,
) -> CornerFits:
    """Fit corners (K, 2) of ``gray`` (H, W), starting about ``start_sigma_px`` from ``start_px``.

    ``along_x_px``, ``along_y_px`` (K, 2): how far one square along the board's x and y reaches in the picture.
    ``clear``: beside an edge, only pixels within this strip count; None where there are no markers. ``blur_px``: about
    what blur to expect. ``bent``: corners of one black square on white, whose sides the two vectors are (x to y turns
    clockwise in the picture), instead of crossings; the clear strip then holds for either side of the edge.
    ``least_step``: the usual height of an edge, if that is known; beside it the fit leaves out what shows none. Results
    are meaningful only where ``sigma_px`` is small; the caller decides.
    """
    count = len(start_px)
    if count == 0:
        return CornerFits(np.zeros((0, 2)), *(np.zeros(0) for _ in range(4)))
    nearby_px = _nearby(gray, start_px, along_x_px, along_y_px, clear)
    if nearby_px is not None:
        start_px, start_sigma_px = nearby_px, min(start_sigma_px, NEARBY_SIGMA_PX)
    start = np.concatenate([start_px, start_px])
    along = np.concatenate([along_x_px, along_y_px])
    # The other edge's direction is that of one square across this edge.
    across = np.concatenate([along_y_px, along_x_px])
    strips = strips_along(gray, start, along, across, clear, max(blur_px, start_sigma_px), bent)
    partner = np.concatenate([np.arange(count, 2 * count), np.arange(count)])
    q, variance_px2, misfit = fit_edges(strips, partner, blur_px, start_sigma_px, least_step)
    return _crossings(start_px, strips, q, variance_px2, misfit)


def _nearby(
    gray: Pixels, start_px: Array, along_x_px: Array, along_y_px: Array, clear: ClearStrip | None
) -> Array | None:
    """The starts moved by the orthogonality of gradients, good to a few hundredths of a pixel and quick; None where
    the window that sees one corner only is too small for it."""
    area = np.abs(along_x_px[:, 0] * along_y_px[:, 1] - along_x_px[:, 1] * along_y_px[:, 0])
    beside_px = area / np.maximum(np.hypot(*along_x_px.T), np.hypot(*along_y_px.T)).clip(1e-6)
    free_px = float(median(beside_px)) * (_NEARBY_SQUARES if clear is None else clear.squares)
    half = int(min(free_px, _NEARBY_MOST_PX))
    if half < _NEARBY_LEAST_PX:
        return None
    picture = gray if gray.dtype == np.uint8 else gray.astype(np.float32)
    from_px = start_px.astype(np.float32).reshape(-1, 1, 2)
    inside = ((start_px > half + 2) & (start_px < np.array(gray.shape[::-1]) - half - 3)).all(axis=1)
    out: Array = start_px.copy()
    if inside.any():
        until = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 5, 0.02)
        moved = cv2.cornerSubPix(picture, from_px[inside], (half, half), (-1, -1), until)
        to_px = np.asarray(moved, dtype=np.float64).reshape(-1, 2)
        # One that leaves its window has lost its corner.
        lost = np.hypot(*(to_px - start_px[inside]).T) > half
        out[inside] = np.where(lost[:, None], start_px[inside], to_px)
    return out


def _crossings(start_px: Array, strips: Strips, q: Single, variance_px2: Array, misfit: Array) -> CornerFits:
    """Where the two edges of each corner meet: side * (cos y - sin x) - turn * (cos x + sin y) = offset."""
    count = len(start_px)
    sin, cos = np.sin(strips.angle.astype(float)), np.cos(strips.angle.astype(float))
    turn, offset = q[:, 1].astype(float), q[:, 0].astype(float)
    rows = np.stack([-strips.side * sin - turn * cos, strips.side * cos - turn * sin], axis=-1)
    first, second = rows[:count], rows[count:]
    determinant = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
    usable = np.abs(determinant) > _FLATTEST_SINE
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
    spread = variance_px2[:count] * (second**2).sum(1) + variance_px2[count:] * (first**2).sum(1)
    return CornerFits(
        corners_px=start_px + np.where(usable[:, None], moved, 0.0),
        sigma_px=np.where(usable, np.sqrt(np.maximum(spread, 0.0) / 2) / np.abs(safe), np.inf),
        blur_px=np.sqrt((q[:count, 4].astype(float) ** 2 + q[count:, 4].astype(float) ** 2) / 2),
        step=(q[:count, 3] + q[count:, 3]).astype(float) / 2,
        misfit=np.sqrt((misfit[:count] ** 2 + misfit[count:] ** 2) / 2),
    )
