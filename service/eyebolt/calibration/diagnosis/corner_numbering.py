"""A board with another number of columns than stated, or numbered along its other side: seen in one picture.

Whatever the lens and the pose, the corners of a flat board go to the picture by a homography, nearly; with the corners
counted off in lines of the wrong length there is none that fits.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.geometry import Array
from eyebolt.observations import Pair

_MAX_IMAGES = 5
_MIN_CORNERS = 9
# A lens bends a board by some pixels at most; corners counted off wrongly are off by squares.
_GROSS_RESIDUAL_PX = 5.0
_IMPROVEMENT_RATIO = 5.0
_MAX_ROW_LENGTH = 60


def find_wrong_row_length(board_corners_m: Array, pairs: Sequence[Pair]) -> Finding | None:
    """Whether the corner numbers run in lines of another length than those of the board (K, 3)."""
    stated = _row_length(board_corners_m)
    usable = [pair for pair in pairs if len(pair.ids) >= _MIN_CORNERS]
    if stated is None or not usable:
        return None
    sample = [usable[k] for k in np.unique(np.linspace(0, len(usable) - 1, min(len(usable), _MAX_IMAGES)).astype(int))]
    as_stated_px = _homography_residual_px(sample, stated)
    if as_stated_px < _GROSS_RESIDUAL_PX:
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
        f"the corner numbers run in lines of {row_length}, not of {stated}: counted so, each picture agrees with the board to"
        f" {best_px:.1f} px instead of {as_stated_px:.0f} px",
        evidence,
        f"count the squares: in the station file under [board] columns = {row_length + 1} (squares along a line of numbers)"
        " and rows to match; where corners come from another program, it must number them row by row.",
    )


def _row_length(board_corners_m: Array) -> int | None:
    """How many corners a row of the board has; None if its corners are no such rows."""
    row_length = int(np.argmax(np.abs(board_corners_m[:, 1] - board_corners_m[0, 1]) > 1e-9))
    if row_length < 2 or len(board_corners_m) % row_length:
        return None
    rows = board_corners_m.reshape(-1, row_length, 3)
    alike = np.allclose(rows[:, :, 0], rows[0, :, 0], atol=1e-9) and np.allclose(
        rows[..., 1], rows[:, :1, 1], atol=1e-9
    )
    return row_length if alike else None


def _homography_residual_px(pairs: Sequence[Pair], row_length: int) -> float:
    """Median over the pictures of how far the corners lie from the best homography, RMS, counted off in ``row_length``."""
    return float(np.median([_image_residual_px(pair, row_length) for pair in pairs]))


def _image_residual_px(pair: Pair, row_length: int) -> float:
    grid_points = np.stack([pair.ids % row_length, pair.ids // row_length], axis=1).astype(float)
    if np.linalg.matrix_rank(grid_points - grid_points.mean(axis=0)) < 2:
        return float("inf")
    found, _ = cv2.findHomography(grid_points, pair.corners_px)
    if found is None:
        return float("inf")
    mapped = np.concatenate([grid_points, np.ones((len(grid_points), 1))], axis=1) @ np.asarray(found).T
    with np.errstate(all="ignore"):
        off = mapped[:, :2] / mapped[:, 2:] - pair.corners_px
    size = float(np.sqrt((off**2).sum(axis=1).mean()))
    return size if np.isfinite(size) else float("inf")
