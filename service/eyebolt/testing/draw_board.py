"""Exact drawings of boards, for printing and for rendering test scenes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import singledispatch

import numpy as np
from numpy.typing import ArrayLike, NDArray

from eyebolt.boards import Board, CharucoBoard, Chessboard, CircleGrid, MarkerGrid
from eyebolt.errors import InputFault
from eyebolt.geometry import Array

_MIN_PX_PER_SQUARE = 8
_MAX_PIXELS = 400_000_000
# Diameter of a drawn circle and white border around the outermost centres, in spacings.
_CIRCLE_DIAMETER, _CIRCLE_BORDER = 1.0, 1.0

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
    artwork, origin = _artwork(board, size)
    image = np.pad(artwork, margin, constant_values=255)
    return BoardDrawing(image, (origin[0] + margin - 0.5, origin[1] + margin - 0.5), size, board.pitch_m)


@singledispatch
def _artwork(board: Board, size: int) -> tuple[GrayPixels, tuple[float, float]]:
    """The board without margin at ``size`` pixels per unit, and the distance of its origin from the upper left edge."""
    raise InputFault("board-drawing", f"boards of kind {board.kind!r} cannot be drawn", "add their drawing here.")


@_artwork.register
def _(board: Chessboard, size: int) -> tuple[GrayPixels, tuple[float, float]]:
    return _squares(board.black_squares, size), (0.0, 0.0)


@_artwork.register
def _(board: CharucoBoard, size: int) -> tuple[GrayPixels, tuple[float, float]]:
    image = _squares(board.black_squares, size)
    marker_ratio = board.marker_m / board.square_m
    _paint_markers(
        image, board.marker_bits(), np.argwhere(~board.black_squares), size, marker_ratio, (1 - marker_ratio) / 2
    )
    return image, (0.0, 0.0)


@_artwork.register
def _(board: MarkerGrid, size: int) -> tuple[GrayPixels, tuple[float, float]]:
    image = np.full((board.rows * size, board.columns * size), 255, np.uint8)
    cells = np.argwhere(np.ones((board.rows, board.columns)))
    _paint_markers(image, board.marker_bits(), cells, size, board.marker_ratio, 0.0)
    return image, (0.0, 0.0)


@_artwork.register
def _(board: CircleGrid, size: int) -> tuple[GrayPixels, tuple[float, float]]:
    border = round(_CIRCLE_BORDER * size)
    extent = board.corners().max(axis=0) * size
    width, height = (int(v) + 2 * border for v in extent)
    image = np.full((height, width), 255, np.uint8)
    radius = _CIRCLE_DIAMETER * size / 2
    reach = int(np.ceil(radius)) + 1
    for x, y in board.corners() * size + border - 0.5:
        left, top = max(0, int(x) - reach), max(0, int(y) - reach)
        part = image[top : int(y) + reach + 2, left : int(x) + reach + 2]
        rows, columns = np.indices(part.shape)
        covered = np.clip(radius + 0.5 - np.hypot(columns + left - x, rows + top - y), 0, 1)
        np.minimum(part, np.round(255 * (1 - covered)).astype(np.uint8), out=part)
    return image, (float(border), float(border))


def _squares(black: NDArray[np.bool_], size: int) -> GrayPixels:
    """Squares (rows, columns) of ``size`` pixels."""
    shades = np.where(black, 0, 255).astype(np.uint8)
    return np.kron(shades, np.ones((size, size), np.uint8))


def _paint_markers(
    image: GrayPixels,
    bits: NDArray[np.uint8],
    squares_at: NDArray[np.intp],
    size: int,
    marker_ratio: float,
    margin: float,
) -> None:
    """Paint marker k of ``bits`` (M, n, n), 1 is white, into the square (``size`` px) at row, column ``squares_at[k]``.

    A marker is ``marker_ratio`` of its square wide and starts at ``margin`` of it; each pixel has the colour at its
    centre.
    """
    for cells, (row, column) in zip(bits, squares_at, strict=False):
        place = ((np.arange(size) + 0.5) / size - margin) / marker_ratio * len(cells)
        index = np.floor(place).astype(int)
        within = (index >= 0) & (index < len(cells))
        square = np.full((size, size), 255, np.uint8)
        square[np.ix_(within, within)] = cells[np.ix_(index[within], index[within])] * 255
        image[row * size : (row + 1) * size, column * size : (column + 1) * size] = square
