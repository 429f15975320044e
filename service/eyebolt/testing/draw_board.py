"""A picture of a board, exact to the pixel, for printing and for rendering scenes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from eyebolt.boards import Board
from eyebolt.errors import InputFault
from eyebolt.geometry import Array

_MIN_PX_PER_SQUARE = 8
_MAX_PIXELS = 400_000_000


@dataclass(frozen=True, eq=False)
class BoardDrawing:
    """``image`` (H, W) uint8, black 0 and white 255; ``origin_px`` (x, y) of the board's origin in it.

    Pixel centres are at integers, so the outer edge of a square that fills whole pixels lies halfway between two
    of them: without a margin the origin is at (-0.5, -0.5).
    """

    image: NDArray[np.uint8]
    origin_px: tuple[float, float]
    pixels_per_square: int
    square_m: float

    def to_pixels(self, points_m: ArrayLike) -> Array:
        """Pixels (..., 2) of points in the board frame, (..., 2) or (..., 3) with z = 0, metres."""
        points = np.asarray(points_m, dtype=float)[..., :2]
        out: Array = points / self.square_m * self.pixels_per_square + np.array(self.origin_px)
        return out


def draw_board(board: Board, pixels_per_square: int, margin_squares: float = 1.0) -> BoardDrawing:
    """Draw ``board`` with a white margin; sizes in the board's unit (a square, a marker with its gap, a spacing).

    Edges of squares are exact, those of markers within half a pixel, those of circles shaded by how much they cover.

    Raises InputFault ``board-drawing`` for a size that cannot be drawn.
    """
    if pixels_per_square < _MIN_PX_PER_SQUARE or margin_squares < 0:
        raise InputFault(
            "board-drawing",
            f"{pixels_per_square} pixels a square and a margin of {margin_squares} squares cannot be drawn",
            f"use at least {_MIN_PX_PER_SQUARE} pixels a square and a margin of 0 or more.",
        )
    size = pixels_per_square
    margin = round(margin_squares * size)
    extent = np.ceil(board.board_kind.points(board).max(axis=0)) + 2
    width, height = (int(e) * size + 2 * margin for e in extent)
    if height * width > _MAX_PIXELS:
        raise InputFault(
            "board-drawing", f"a picture of {width} x {height} pixels is too large", "use fewer pixels a square."
        )
    artwork, origin = board.board_kind.artwork(board, size)
    image = np.pad(artwork, margin, constant_values=255)
    return BoardDrawing(image, (origin[0] + margin - 0.5, origin[1] + margin - 0.5), size, board.pitch_m)
