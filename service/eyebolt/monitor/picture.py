"""The camera's picture as lines of a terminal, with the outlines of the board marked in it. Pure.

A cell of a terminal is about twice as high as wide. With 256 colours it holds two pixels, one above the other: the
upper half block in the colour of the upper pixel on the colour of the lower one. Without, one of five shades. OpenCV
decodes the JPEG; nothing else of the monitor needs it, so this module is loaded where a picture is shown.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.monitor.screen import PictureSize
from eyebolt.monitor.subscriber import ReceivedView
from eyebolt.protocol import MAX_VIEW_SIDE_PX, ViewMessage

SEEN_MARK, PREDICTED_MARK, BOTH_MARK, CORNER_MARK = "o", "+", "*", "."
# Gray levels that every palette of 256 colours has (xterm): black, 24 of the ramp, white.
_GRAYS = np.array([0, *range(8, 248, 10), 255])
_PALETTE = [16, *range(232, 256), 231]
_FOREGROUND = [f"38;5;{index}" for index in _PALETTE]
_BACKGROUND = [f"48;5;{index}" for index in _PALETTE]
_NEAREST = np.abs(np.arange(256)[:, None] - _GRAYS).argmin(axis=1)
# A mark has a background of its own: it is legible on any picture.
_MARK_STYLE = "1;38;5;231;48;5;16"
_RESET = "\x1b[0m"
# None of them is a mark.
_SHADES, _ASCII_SHADES = " \u2591\u2592\u2593\u2588", " :-=#"
# Darkest and brightest of five shades: a picture whose middle part is all that differs would be of one shade.
_SHADE_PERCENTILES = (5, 95)
# Corners closer than this would cover the picture.
_MIN_CORNER_CELLS = (3.0, 2.0)

# Markers between those of frames: tables of Huffman codes, an extension, conditioning of arithmetic coding.
_NO_FRAME = (0xC4, 0xC8, 0xCC)

Cells = NDArray[np.str_]


def picture_lines(view: ReceivedView, size: PictureSize, *, colours: bool, ascii_only: bool = False) -> list[str]:
    """The picture as ``size.rows`` lines of ``size.columns`` columns; empty where there is none, or it is damaged.

    ``colours``: the terminal has 256. The outline where the board is seen is drawn with "o", the one where the result
    in use puts it with "+", both at one place with "*"; single corners with "." where there is room between them.
    """
    gray = decoded_gray(view.jpeg)
    if gray is None or size.rows < 1 or size.columns < 1:
        return []
    marks = _marks(view.message, size)
    if not colours or ascii_only:
        shades = _ASCII_SHADES if ascii_only else _SHADES
        small = cv2.resize(gray, (size.columns, size.rows), interpolation=cv2.INTER_AREA)
        darkest, brightest = np.percentile(small, _SHADE_PERCENTILES)
        share = (small - darkest) / max(float(brightest - darkest), 1.0)
        levels = np.clip(share * len(shades), 0, len(shades) - 1).astype(int)
        cells = np.where(marks != "", marks, np.array(list(shades))[levels])
        return ["".join(row) for row in cells]
    small = _NEAREST[cv2.resize(gray, (size.columns, 2 * size.rows), interpolation=cv2.INTER_AREA)]
    return [
        _coloured_line(*pair) for pair in zip(small[::2].tolist(), small[1::2].tolist(), marks.tolist(), strict=True)
    ]


def decoded_gray(jpeg: bytes) -> NDArray[np.uint8] | None:
    """The picture (height, width) in gray; None where there is none, or it is damaged or larger than any view."""
    # A few bytes may announce a picture that fills the memory.
    if max(_stated_size(jpeg) or (MAX_VIEW_SIDE_PX + 1,)) > MAX_VIEW_SIDE_PX:
        return None
    try:
        gray = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_GRAYSCALE)
    except cv2.error:
        return None
    return None if gray is None else np.asarray(gray, np.uint8)


def _stated_size(jpeg: bytes) -> tuple[int, int] | None:
    """Height and width in a JPEG's frame header (ITU-T T.81, B.1.1 and B.2.2); None without one."""
    position = 2
    while jpeg[:2] == b"\xff\xd8" and position + 9 <= len(jpeg) and jpeg[position] == 0xFF:
        marker, length = jpeg[position + 1], int.from_bytes(jpeg[position + 2 : position + 4], "big")
        if 0xC0 <= marker <= 0xCF and marker not in _NO_FRAME:
            return (
                int.from_bytes(jpeg[position + 5 : position + 7], "big"),
                int.from_bytes(jpeg[position + 7 : position + 9], "big"),
            )
        position += 2 + length
    return None


def _coloured_line(upper: Sequence[int], lower: Sequence[int], marks: Sequence[str]) -> str:
    parts, style = [], None
    for above, below, mark in zip(upper, lower, marks, strict=True):
        wanted = _MARK_STYLE if mark else (above, below)
        if wanted != style:
            codes = _MARK_STYLE if mark else f"{_FOREGROUND[above]};{_BACKGROUND[below]}"
            parts.append(f"\x1b[0;{codes}m")
            style = wanted
        parts.append(mark or "\u2580")
    return "".join(parts) + _RESET


def _marks(message: ViewMessage, size: PictureSize) -> Cells:
    """(rows, columns): the mark of each cell, empty for none."""
    marks: Cells = np.full((size.rows, size.columns), "", "<U1")
    if message.view_size is None:
        return marks
    scale = np.array([size.columns, size.rows]) / np.array(message.view_size)
    corners = np.array(message.corners_px, float).reshape(-1, 2) * scale
    if _has_room(corners):
        columns, rows = _inside(corners, size)
        marks[rows, columns] = CORNER_MARK
    for outline, mark in ((message.board_outline_px, SEEN_MARK), (message.predicted_outline_px, PREDICTED_MARK)):
        if outline is not None:
            # A pixel's centre has whole coordinates.
            columns, rows = _inside(_polygon((np.array(outline, float) + 0.5) * scale, size), size)
            is_both = marks[rows, columns] == SEEN_MARK
            marks[rows, columns] = np.where(is_both & (mark != SEEN_MARK), BOTH_MARK, mark)
    return marks


def _has_room(corners: NDArray[np.float64]) -> bool:
    """Whether marks of the corners (n, 2), in cells, leave most of the picture to be seen."""
    if len(corners) < 2:
        return len(corners) == 1
    columns, rows = np.ptp(corners, axis=0)
    each = np.sqrt(len(corners))
    return bool(columns / each >= _MIN_CORNER_CELLS[0] and rows / each >= _MIN_CORNER_CELLS[1])


def _inside(points: NDArray[np.float64], size: PictureSize) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Columns and rows of those of the points (n, 2) that lie in the picture."""
    # Compared before they are converted: an absurd number has no integer.
    is_in = np.all((points >= 0) & (points < [size.columns, size.rows]), axis=1)
    cells = points[is_in].astype(np.intp)
    return cells[:, 0], cells[:, 1]


def _polygon(corners: NDArray[np.float64], size: PictureSize) -> NDArray[np.float64]:
    """Points along the sides of a polygon of corners (n, 2), one or more in each cell that they pass."""
    points = [np.empty((0, 2))]
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        clipped = _clip(start, end, size)
        if clipped is not None:
            first, last = clipped
            count = 2 + 2 * int(np.ceil(np.abs(last - first).max()))
            points.append(np.linspace(first, last, count))
    return np.concatenate(points)


def _clip(
    start: NDArray[np.float64], end: NDArray[np.float64], size: PictureSize
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """The part of a line within the picture; None without one (Y.-D. Liang, B. A. Barsky, ACM TOG 3(1), 1984)."""
    step = end - start
    limits = np.array([size.columns, size.rows], float)
    enter, leave = 0.0, 1.0
    for direction, distance in zip([*-step, *step], [*start, *(limits - start)], strict=True):
        if direction == 0:
            if distance < 0:
                return None
        elif direction < 0:
            enter = max(enter, distance / direction)
        else:
            leave = min(leave, distance / direction)
    if not enter <= leave:
        return None
    return start + enter * step, start + leave * step
