"""A picture of a board, exact to the pixel, for printing and for rendering scenes."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from eyebolt.board.definition import Board
from eyebolt.errors import InputFault
from eyebolt.geometry.rigid import Array

_FEWEST_PX_PER_SQUARE = 8
_MOST_PIXELS = 400_000_000


@dataclass(frozen=True, eq=False)
class DrawnBoard:
    """``image`` (H, W) uint8, black 0 and white 255; ``origin_px`` (x, y) of the board's origin in it.

    Pixel centres are at integers, so the outer edge of a square that fills whole pixels lies halfway between two
    of them: without a margin the origin is at (-0.5, -0.5).
    """

    image: NDArray[np.uint8]
    origin_px: tuple[float, float]
    pixels_per_square: int
    square_m: float

    def pixel_of(self, points_m: ArrayLike) -> Array:
        """Pixels (..., 2) of points in the board frame, (..., 2) or (..., 3) with z = 0, metres."""
        points = np.asarray(points_m, dtype=float)[..., :2]
        out: Array = points / self.square_m * self.pixels_per_square + np.array(self.origin_px)
        return out


def draw_board(board: Board, pixels_per_square: int, margin_squares: float = 1.0) -> DrawnBoard:
    """Draw ``board`` with a white margin. Edges of squares are exact, those of markers within half a pixel.

    Raises InputFault ``board-drawing`` for a size that cannot be drawn.
    """
    if pixels_per_square < _FEWEST_PX_PER_SQUARE or margin_squares < 0:
        raise InputFault(
            "board-drawing",
            f"{pixels_per_square} pixels a square and a margin of {margin_squares} squares cannot be drawn",
            f"use at least {_FEWEST_PX_PER_SQUARE} pixels a square and a margin of 0 or more.",
        )
    size = pixels_per_square
    margin = round(margin_squares * size)
    height, width = board.rows * size + 2 * margin, board.columns * size + 2 * margin
    if height * width > _MOST_PIXELS:
        raise InputFault(
            "board-drawing", f"a picture of {width} x {height} pixels is too large", "use fewer pixels a square."
        )
    image = np.full((height, width), 255, np.uint8)
    cells = _marker_cells(board) if board.kind == "charuco" else []
    white_squares = 0
    for row in range(board.rows):
        for column in range(board.columns):
            y, x = margin + row * size, margin + column * size
            square = image[y : y + size, x : x + size]
            if board.square_is_black(column, row):
                square[:] = 0
            elif cells:
                square[:] = _white_square(cells[white_squares], size, (board.marker_m or 0.0) / board.square_m)
                white_squares += 1
    return DrawnBoard(image, (margin - 0.5, margin - 0.5), size, board.square_m)


def _marker_cells(board: Board) -> list[NDArray[np.uint8]]:
    """Each marker as (n, n), one value a cell, its black border of one cell included; in the order of its squares."""
    dictionary = board.marker_dictionary()
    side = dictionary.markerSize + 2
    count = board.columns * board.rows // 2
    return [
        np.asarray(cv2.aruco.generateImageMarker(dictionary, k, side, borderBits=1), np.uint8) for k in range(count)
    ]


def _white_square(cells: NDArray[np.uint8], size: int, marker_share: float) -> NDArray[np.uint8]:
    """A white square (size, size) with the marker in its middle: each pixel takes the colour at its centre."""
    place = ((np.arange(size) + 0.5) / size - (1 - marker_share) / 2) / marker_share * len(cells)
    index = np.floor(place).astype(int)
    within = (index >= 0) & (index < len(cells))
    square = np.full((size, size), 255, np.uint8)
    square[np.ix_(within, within)] = cells[np.ix_(index[within], index[within])]
    return square
