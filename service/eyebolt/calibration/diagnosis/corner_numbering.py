"""Check of the corner numbers: a wrong number of columns, or columns and rows exchanged.

A homography maps the corners of a flat board to the image, up to the distortion of the lens, for every pose and focal
length (R. Hartley, A. Zisserman, Multiple View Geometry, 2nd ed. 2003, section 8.1). With the corners assigned to rows
of the wrong length no homography fits. So one image is enough, and no pose takes part.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.robust import evenly_spaced_rows
from eyebolt.geometry import Array
from eyebolt.observations import Pair

# A numbering fault is the same in all images: a few are enough for a median.
_MAX_IMAGES = 5
# A homography has eight parameters: nine corners leave ten residuals.
_MIN_CORNERS = 9
# Distortion leaves a few pixels at most, a wrong numbering leaves the size of a square.
_GROSS_RESIDUAL_PX = 5.0
# The residual with the right row length is this many times smaller than that of every other. Common practice, no
# source.
_IMPROVEMENT_RATIO = 5.0
# Longer rows than those of any usual board.
_MAX_ROW_LENGTH = 60


def find_wrong_row_length(board_corners_m: Array, pairs: Sequence[Pair]) -> Finding | None:
    """The finding that the corner numbers run in rows of another length than those of ``board_corners_m`` (K, 3)."""
    stated = _row_length(board_corners_m)
    usable = [pair for pair in pairs if len(pair.ids) >= _MIN_CORNERS]
    if stated is None or not usable:
        return None
    sample = [usable[k] for k in evenly_spaced_rows(len(usable), _MAX_IMAGES)]
    as_stated_px = _homography_residual_px(sample, stated)
    # Images of a single row of corners fit no row length that is stated, and any other.
    if as_stated_px < _GROSS_RESIDUAL_PX or not np.isfinite(as_stated_px):
        return None
    tried = sorted(
        (_homography_residual_px(sample, row_length), row_length)
        for row_length in range(2, _MAX_ROW_LENGTH)
        if row_length != stated
    )
    (best_px, row_length), (next_px, _) = tried[:2]
    if as_stated_px < _IMPROVEMENT_RATIO * best_px or next_px < _IMPROVEMENT_RATIO * best_px:
        return None
    evidence = {
        "corners_per_row": float(row_length),
        "stated_corners_per_row": float(stated),
        "residual_px": best_px,
        "residual_as_stated_px": as_stated_px,
        "next_best_px": next_px,
    }
    return Finding(
        FindingCode.CORNER_NUMBERING,
        Severity.STOP,
        f"the corners are numbered in rows of {row_length}, not of {stated}: numbered so, the corners of an image fit"
        f" the board to {best_px:.1f} px instead of {as_stated_px:.0f} px",
        evidence,
        "count the squares of the board and set, in the station file under [board],"
        f" columns = {row_length + 1} (squares along a row of corner numbers) and the matching rows; a program that"
        " supplies corners must number them row by row.",
    )


def _row_length(board_corners_m: Array) -> int | None:
    """Number of corners in a row of the board (K, 3); None if its corners are not a grid of equal rows."""
    row_length = int(np.argmax(np.abs(board_corners_m[:, 1] - board_corners_m[0, 1]) > 1e-9))
    if row_length < 2 or len(board_corners_m) % row_length:
        return None
    rows = board_corners_m.reshape(-1, row_length, 3)
    is_grid = np.allclose(rows[:, :, 0], rows[0, :, 0], atol=1e-9) and np.allclose(
        rows[..., 1], rows[:, :1, 1], atol=1e-9
    )
    return row_length if is_grid else None


def _homography_residual_px(pairs: Sequence[Pair], row_length: int) -> float:
    """Residual (RMS, px) of the corners about the best homography, median over the images of ``pairs``."""
    return float(np.median([_image_residual_px(pair, row_length) for pair in pairs]))


def _image_residual_px(pair: Pair, row_length: int) -> float:
    """The same of one image; infinite where its corners allow no homography."""
    grid_points = np.stack([pair.ids % row_length, pair.ids // row_length], axis=1).astype(float)
    if np.linalg.matrix_rank(grid_points - grid_points.mean(axis=0)) < 2:
        return float("inf")
    found, _ = cv2.findHomography(grid_points, pair.corners_px)
    if found is None:
        return float("inf")
    mapped = np.concatenate([grid_points, np.ones((len(grid_points), 1))], axis=1) @ np.asarray(found).T
    with np.errstate(all="ignore"):
        residual_px = mapped[:, :2] / mapped[:, 2:] - pair.corners_px
    rms_px = float(np.sqrt((residual_px**2).sum(axis=1).mean()))
    return rms_px if np.isfinite(rms_px) else float("inf")
