"""The printed board as a texture, drawn with OpenCV and NumPy alone so that it cannot repeat an error of the product.

Board frame: origin at the outer corner of the first square, x along columns, y along rows, z into the board.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.errors import InputFault
from eyebolt_sim.transforms import Array
from eyebolt_sim.views import BoardShape, chessboard_shape

Image = NDArray[np.uint8]

_TEXELS_PER_SQUARE = 240
_MARGIN_SQUARES = 0.5


@dataclass(frozen=True)
class BoardTexture:
    """The face of a board, with a white margin around the pattern."""

    texture: Image
    """(H, W) gray levels, 255 for white"""
    texels_per_m: float
    """resolution"""
    origin_texel: Array
    """origin of the board frame (2,), in texels with centres at integers"""
    shape: BoardShape
    """nominal geometry"""

    def scaled(self, scale: float) -> BoardTexture:
        """The same print, ``scale`` times as large about its origin; ``shape`` stays nominal."""
        return replace(self, texels_per_m=self.texels_per_m / scale)

    def downsampled(self, factor: int) -> BoardTexture:
        """The same print at 1/``factor`` of the resolution, averaged over areas."""
        if factor <= 1:
            return self
        height, width = (side // factor * factor for side in self.texture.shape)
        small = cv2.resize(
            self.texture[:height, :width], (width // factor, height // factor), interpolation=cv2.INTER_AREA
        )
        origin = (self.origin_texel + 0.5) / factor - 0.5
        return BoardTexture(small.astype(np.uint8), self.texels_per_m / factor, origin, self.shape)


def draw_board_texture(
    kind: str,
    columns: int,
    rows: int,
    square_mm: float | None = None,
    marker_mm: float | None = None,
    dictionary: str | None = None,
    corner_order: str = "current",
    gap_mm: float | None = None,
    spacing_mm: float | None = None,
) -> BoardTexture:
    """The print of a board with the [board] values of a station file. Raises InputFault ``sim-board``."""
    if kind == "grid" and marker_mm and gap_mm and dictionary is not None:
        return _draw_marker_grid(columns, rows, marker_mm, gap_mm, _markers(dictionary))
    if kind == "circles" and spacing_mm:
        return _draw_circle_grid(columns, rows, spacing_mm)
    if not square_mm:
        raise _unsupported_board(f"a board of kind {kind!r} with these sizes")
    size = (columns * _TEXELS_PER_SQUARE, rows * _TEXELS_PER_SQUARE)
    if kind == "chessboard":
        row, column = np.indices((rows, columns))
        squares = np.where((row + column) % 2 == 0, 0, 255).astype(np.uint8)
        face = np.kron(squares, np.ones((_TEXELS_PER_SQUARE, _TEXELS_PER_SQUARE), np.uint8))
    elif kind == "charuco" and marker_mm is not None and dictionary is not None:
        board = cv2.aruco.CharucoBoard((columns, rows), square_mm, marker_mm, _markers(dictionary))
        board.setLegacyPattern(corner_order == "legacy")
        face = np.asarray(board.generateImage(size, marginSize=0), dtype=np.uint8)
    else:
        raise _unsupported_board(f"a board of kind {kind!r}")
    margin = round(_MARGIN_SQUARES * _TEXELS_PER_SQUARE)
    texture = np.pad(face, margin, constant_values=255)
    return BoardTexture(
        texture,
        _TEXELS_PER_SQUARE / (square_mm * 1e-3),
        np.full(2, margin - 0.5),
        chessboard_shape(columns, rows, square_mm * 1e-3),
    )


def _draw_marker_grid(
    columns: int, rows: int, marker_mm: float, gap_mm: float, markers: cv2.aruco.Dictionary
) -> BoardTexture:
    """Markers row by row; the corners of each are numbered clockwise from the upper left."""
    cells = markers.markerSize + 2
    side = max(1, round(_TEXELS_PER_SQUARE / cells)) * cells
    gap = round(side * gap_mm / marker_mm)
    # Marker and gap are rounded to whole texels; the corner coordinates are those of the rounded print.
    texels_per_m = side / (marker_mm * 1e-3)
    margin = max(gap, side // 4)
    size = (rows * (side + gap) - gap, columns * (side + gap) - gap)
    face = np.full(size, 255, np.uint8)
    corners = []
    for number in range(columns * rows):
        row, column = divmod(number, columns)
        y, x = row * (side + gap), column * (side + gap)
        face[y : y + side, x : x + side] = cv2.aruco.generateImageMarker(markers, number, side, borderBits=1)
        corners += [(x, y), (x + side, y), (x + side, y + side), (x, y + side)]
    flat = np.column_stack([np.array(corners, dtype=float), np.zeros(len(corners))]) / texels_per_m
    shape = BoardShape(flat, (size[1] / texels_per_m, size[0] / texels_per_m))
    return BoardTexture(np.pad(face, margin, constant_values=255), texels_per_m, np.full(2, margin - 0.5), shape)


def _draw_circle_grid(columns: int, rows: int, spacing_mm: float) -> BoardTexture:
    """Black discs with the row spacing as diameter, every second row offset; the origin is the first centre."""
    step = _TEXELS_PER_SQUARE
    number = np.arange(columns * rows)
    row, column = np.divmod(number, columns)
    centres = np.column_stack([2 * column + row % 2, row]).astype(float)
    width, height = (int(v) for v in (centres.max(axis=0) + 2) * step)
    face = np.full((height, width), 255, np.uint8)
    # Fixed-point coordinates in 1/16 texel; texel centres at integers, so the face's edge is at -1/2.
    for x, y in np.round(((centres + 1) * step - 0.5) * 16).astype(int):
        cv2.circle(face, (int(x), int(y)), step // 2 * 16, 0, -1, cv2.LINE_AA, 4)
    pitch_m = spacing_mm * 1e-3
    points = np.column_stack([centres * pitch_m, np.zeros(len(centres))])
    shape = BoardShape(points, (float(centres[:, 0].max() * pitch_m), float(centres[:, 1].max() * pitch_m)))
    margin = round(_MARGIN_SQUARES * step)
    return BoardTexture(
        np.pad(face, margin, constant_values=255), step / pitch_m, np.full(2, step + margin - 0.5), shape
    )


def _markers(dictionary: str) -> cv2.aruco.Dictionary:
    number = getattr(cv2.aruco, f"DICT_{dictionary}", None)
    if number is None:
        raise _unsupported_board(f"the marker dictionary {dictionary!r}")
    return cv2.aruco.getPredefinedDictionary(number)


def _unsupported_board(what: str) -> InputFault:
    return InputFault(
        "sim-board",
        f"the simulator cannot draw {what}",
        'use a [board] of kind "charuco" (with square_mm, marker_mm, dictionary), "chessboard" (square_mm),'
        ' "grid" (marker_mm, gap_mm, dictionary) or "circles" (spacing_mm).',
    )
