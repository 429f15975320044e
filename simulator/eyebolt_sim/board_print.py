"""The printed board as a texture, drawn with OpenCV and NumPy alone so that it does not repeat a slip of the product.

Board frame: origin at the outer corner of the first square, x along columns, y along rows, z into the board.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.errors import InputFault
from eyebolt_sim.matrices import Array
from eyebolt_sim.views import BoardShape, squares_board

Picture = NDArray[np.uint8]

_TEXELS_PER_SQUARE = 240
_MARGIN_SQUARES = 0.5


@dataclass(frozen=True)
class BoardPrint:
    """A board's face: ``texture`` (H, W) gray, 255 where it is white, with a white margin around the squares.

    ``texels_per_m``; ``origin_texel`` (2,): where the board's origin lies, texel centres at integers.
    """

    texture: Picture
    texels_per_m: float
    origin_texel: Array
    shape: BoardShape

    def coarser(self, factor: int) -> BoardPrint:
        """The same print with texels ``factor`` times as long, averaged over their area."""
        if factor <= 1:
            return self
        height, width = (side // factor * factor for side in self.texture.shape)
        small = cv2.resize(
            self.texture[:height, :width], (width // factor, height // factor), interpolation=cv2.INTER_AREA
        )
        origin = (self.origin_texel + 0.5) / factor - 0.5
        return BoardPrint(small.astype(np.uint8), self.texels_per_m / factor, origin, self.shape)


def print_board(
    kind: str,
    columns: int,
    rows: int,
    square_mm: float,
    marker_mm: float | None = None,
    dictionary: str | None = None,
    corner_order: str = "current",
) -> BoardPrint:
    """The print of a chessboard or ChArUco board with the numbers of a station file.

    Raises InputFault ``sim-board`` for a board that the simulator cannot draw.
    """
    size = (columns * _TEXELS_PER_SQUARE, rows * _TEXELS_PER_SQUARE)
    if kind == "chessboard":
        row, column = np.indices((rows, columns))
        squares = np.where((row + column) % 2 == 0, 0, 255).astype(np.uint8)
        face = np.kron(squares, np.ones((_TEXELS_PER_SQUARE, _TEXELS_PER_SQUARE), np.uint8))
    elif kind == "charuco" and marker_mm is not None and dictionary is not None:
        number = getattr(cv2.aruco, f"DICT_{dictionary}", None)
        if number is None:
            raise _cannot_draw(f"the marker dictionary {dictionary!r}")
        markers = cv2.aruco.getPredefinedDictionary(number)
        board = cv2.aruco.CharucoBoard((columns, rows), square_mm, marker_mm, markers)
        board.setLegacyPattern(corner_order == "legacy")
        face = np.asarray(board.generateImage(size, marginSize=0), dtype=np.uint8)
    else:
        raise _cannot_draw(f"a board of kind {kind!r}")
    margin = round(_MARGIN_SQUARES * _TEXELS_PER_SQUARE)
    texture = np.pad(face, margin, constant_values=255)
    return BoardPrint(
        texture,
        _TEXELS_PER_SQUARE / (square_mm * 1e-3),
        np.full(2, margin - 0.5),
        squares_board(columns, rows, square_mm * 1e-3),
    )


def _cannot_draw(what: str) -> InputFault:
    return InputFault(
        "sim-board",
        f"the simulator cannot draw {what}",
        'use a [board] of kind "charuco" (with square_mm, marker_mm, dictionary) or "chessboard".',
    )
