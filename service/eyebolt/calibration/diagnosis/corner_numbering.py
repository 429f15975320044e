"""A board with another number of columns than stated, or numbered along its other side: seen in one picture.

Whatever the lens and the pose, the corners of a flat board go to the picture by a homography, nearly; with the corners
counted off in lines of the wrong length there is none that fits.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from eyebolt.calibration.finding import Finding
from eyebolt.geometry import Array
from eyebolt.observations import Pair

_MOST_PICTURES = 5
_FEWEST_CORNERS = 9
# A lens bends a board by some pixels at most; corners counted off wrongly are off by squares.
_BAD_PX = 5.0
_BETTER = 5.0
_LONGEST_LINE = 60


def find_wrong_lines(board_corners_m: Array, pairs: Sequence[Pair]) -> Finding | None:
    """Whether the corner numbers run in lines of another length than those of the board (K, 3)."""
    stated = _line_of(board_corners_m)
    usable = [pair for pair in pairs if len(pair.ids) >= _FEWEST_CORNERS]
    if stated is None or not usable:
        return None
    some = [usable[k] for k in np.unique(np.linspace(0, len(usable) - 1, min(len(usable), _MOST_PICTURES)).astype(int))]
    as_stated_px = _misfit_px(some, stated)
    if as_stated_px < _BAD_PX:
        return None
    tried = sorted((_misfit_px(some, line), line) for line in range(2, _LONGEST_LINE) if line != stated)
    (best_px, line), (next_px, _) = tried[:2]
    if as_stated_px < _BETTER * best_px or next_px < _BETTER * best_px:
        return None
    evidence = {
        "corners_in_a_line": float(line),
        "stated": float(stated),
        "misfit_px": best_px,
        "misfit_as_stated_px": as_stated_px,
        "next_best_px": next_px,
    }
    return Finding(
        "board-corners",
        "stop",
        f"the corner numbers run in lines of {line}, not of {stated}: counted so, each picture agrees with the board to"
        f" {best_px:.1f} px instead of {as_stated_px:.0f} px",
        evidence,
        f"count the squares: in the station file under [board] columns = {line + 1} (squares along a line of numbers)"
        " and rows to match; where corners come from another program, it must number them row by row.",
    )


def _line_of(board_corners_m: Array) -> int | None:
    """How many corners a row of the board has; None if its corners are no such rows."""
    line = int(np.argmax(np.abs(board_corners_m[:, 1] - board_corners_m[0, 1]) > 1e-9))
    if line < 2 or len(board_corners_m) % line:
        return None
    rows = board_corners_m.reshape(-1, line, 3)
    alike = np.allclose(rows[:, :, 0], rows[0, :, 0], atol=1e-9) and np.allclose(
        rows[..., 1], rows[:, :1, 1], atol=1e-9
    )
    return line if alike else None


def _misfit_px(pairs: Sequence[Pair], line: int) -> float:
    """Median over the pictures of how far the corners lie from the best homography, RMS, counted off in ``line``."""
    return float(np.median([_of_picture_px(pair, line) for pair in pairs]))


def _of_picture_px(pair: Pair, line: int) -> float:
    places = np.stack([pair.ids % line, pair.ids // line], axis=1).astype(float)
    if np.linalg.matrix_rank(places - places.mean(axis=0)) < 2:
        return float("inf")
    found, _ = cv2.findHomography(places, pair.corners_px)
    if found is None:
        return float("inf")
    mapped = np.concatenate([places, np.ones((len(places), 1))], axis=1) @ np.asarray(found).T
    with np.errstate(all="ignore"):
        off = mapped[:, :2] / mapped[:, 2:] - pair.corners_px
    size = float(np.sqrt((off**2).sum(axis=1).mean()))
    return size if np.isfinite(size) else float("inf")
