"""Exact drawings of boards, for printing and for rendering test scenes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from eyebolt.boards import Artwork, Board, Cells, Disc
from eyebolt.errors import InputFault
from eyebolt.geometry import Array

_MIN_PX_PER_SQUARE = 8
_MAX_PIXELS = 400_000_000

GrayPixels = NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class BoardDrawing:
    """A drawn board.

    Pixel centres are at integers, so the outer edge of a square that fills whole pixels lies halfway between two of
    them: without a margin the origin is at (-0.5, -0.5).
    """

    image: GrayPixels
    """(H, W), black 0 and white 255."""
    origin_px: tuple[float, float]
    """(x, y), the board's origin."""
    pixels_per_square: int
    """Pixels per unit of the board."""
    square_m: float
    """Unit of the board, m."""

    def to_pixels(self, points_m: ArrayLike) -> Array:
        """Pixels (..., 2) of points in the board frame, (..., 2) or (..., 3) with z = 0, metres."""
        points = np.asarray(points_m, dtype=float)[..., :2]
        out: Array = points / self.square_m * self.pixels_per_square + np.array(self.origin_px)
        return out


def draw_board(board: Board, pixels_per_square: int, margin_squares: float = 1.0) -> BoardDrawing:
    """Draw ``board`` with a white margin; sizes in the board's unit (a square, a marker with its gap, a spacing).

    Edges of squares are exact, those of markers within half a pixel, those of circles antialiased.

    Raises InputFault ``board-drawing`` for a size that cannot be drawn.
    """
    if pixels_per_square < _MIN_PX_PER_SQUARE or margin_squares < 0:
        raise InputFault(
            "board-drawing",
            f"{pixels_per_square} pixels per square and a margin of {margin_squares} squares cannot be drawn",
            f"use at least {_MIN_PX_PER_SQUARE} pixels per square and a margin of 0 or more.",
        )
    size = pixels_per_square
    margin = round(margin_squares * size)
    extent = np.ceil(board.corners().max(axis=0)) + 2
    width, height = (int(e) * size + 2 * margin for e in extent)
    if height * width > _MAX_PIXELS:
        raise InputFault(
            "board-drawing", f"an image of {width} x {height} pixels is too large", "use fewer pixels per square."
        )
    artwork, origin = _artwork(board.artwork(), size)
    image = np.pad(artwork, margin, constant_values=255)
    return BoardDrawing(image, (origin[0] + margin - 0.5, origin[1] + margin - 0.5), size, board.pitch_m)


def _artwork(artwork: Artwork, size: int) -> tuple[GrayPixels, tuple[float, float]]:
    """The board without margin at ``size`` pixels per unit, and the distance of its origin from the upper left edge."""
    low, high = (int(np.floor(v)) for v in artwork.low), (int(np.ceil(v)) for v in artwork.high)
    (left, top), (right, bottom) = low, high
    image = np.full(((bottom - top) * size, (right - left) * size), 255, np.uint8)
    for cells in artwork.cells:
        _paint_cells(image, cells, size)
    for disc in artwork.discs:
        _paint_disc(image, disc, size, (-left * size, -top * size))
    return image, (float(-left * size), float(-top * size))


def _paint_cells(image: GrayPixels, cells: Cells, size: int) -> None:
    """Each pixel has the colour at its centre. The image begins at the origin of the board."""
    rows, columns = cells.black.shape
    height = cells.width * (rows / columns)
    indices = []
    for length, count, start in ((height, rows, cells.row), (cells.width, columns, cells.column)):
        place = ((np.arange(int(np.ceil(length)) * size) + 0.5) / size - cells.margin) / length * count
        index = np.floor(place).astype(int)
        within = np.flatnonzero((index >= 0) & (index < count))
        indices.append((start * size + within, index[within]))
    (y, row), (x, column) = indices
    image[np.ix_(y, x)] = np.where(cells.black[np.ix_(row, column)], 0, 255)


def _paint_disc(image: GrayPixels, disc: Disc, size: int, origin_px: tuple[int, int]) -> None:
    radius = disc.diameter * size / 2
    reach = int(np.ceil(radius)) + 1
    x, y = disc.x * size + origin_px[0] - 0.5, disc.y * size + origin_px[1] - 0.5
    left, top = max(0, int(x) - reach), max(0, int(y) - reach)
    part = image[top : int(y) + reach + 2, left : int(x) + reach + 2]
    rows, columns = np.indices(part.shape)
    covered = np.clip(radius + 0.5 - np.hypot(columns + left - x, rows + top - y), 0, 1)
    np.minimum(part, np.round(255 * (1 - covered)).astype(np.uint8), out=part)
