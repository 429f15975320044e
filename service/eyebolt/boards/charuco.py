"""A chessboard with a coded marker in each white square: detected as a whole or in part."""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.artwork import Artwork, Cells, marker_cells
from eyebolt.boards.board import (
    Board,
    BoardFault,
    BoardValues,
    CornerOrder,
    LocatedCorners,
    check_marker_count,
    inner_corners,
)
from eyebolt.boards.corner_fit import fit_corners
from eyebolt.boards.corner_refinement import MarkerPattern
from eyebolt.boards.edge_samples import MarkerClearance
from eyebolt.boards.marker_detector import detect_marker_board
from eyebolt.boards.marker_dictionary import marker_bits, marker_dictionary, truncated_dictionary
from eyebolt.boards.roi import SearchImage
from eyebolt.geometry import Array


@dataclass(frozen=True)
class CharucoBoard(Board):
    """Squares in chessboard colours, a marker centred in each white one, markers numbered row by row from 0.

    Origin: the outer corner of the first square. Corners: those between squares, row by row.
    """

    kind: ClassVar[str] = "charuco"
    min_count: ClassVar[int] = 3
    counted: ClassVar[str] = "squares (not the inner corners)"

    square_m: float
    """Side of a square, m."""
    marker_m: float
    """Side of a marker's black border, m."""
    dictionary: str
    """Marker dictionary, such as "5X5_100"."""
    corner_order: CornerOrder = "current"
    """"current": the first square is black; "legacy" (OpenCV before 4.6): white if the number of rows is even."""

    @property
    def pitch_m(self) -> float:
        """Side of a square, m."""
        return self.square_m

    @property
    def first_square_black(self) -> bool:
        """Colour of the square at the origin."""
        return self.corner_order == "current" or self.rows % 2 == 1

    @property
    def black_squares(self) -> NDArray[np.bool_]:
        """(rows, columns)."""
        row, column = np.indices((self.rows, self.columns))
        out: NDArray[np.bool_] = ((row + column) % 2 == 0) == self.first_square_black
        return out

    def corners(self) -> Array:
        """Corners between squares (K, 2), in squares."""
        return inner_corners(self.columns, self.rows)

    def locate(self, search_image: SearchImage) -> LocatedCorners | None:
        """The corners detected from any part of the board."""
        return detect_marker_board(search_image, _pattern(self))

    def artwork(self) -> Artwork:
        """The squares, and the markers centred in the white ones."""
        ratio = self.marker_m / self.square_m
        squares = Cells(0, 0, 0.0, float(self.columns), self.black_squares)
        markers = marker_cells(self.marker_bits(), np.argwhere(~self.black_squares), (1 - ratio) / 2, ratio)
        return Artwork((0.0, 0.0), (float(self.columns), float(self.rows)), (squares, *markers))

    def marker_bits(self) -> NDArray[np.uint8]:
        """Cells (M, n, n) of the board's markers with their black border; 1 is white."""
        return marker_bits(marker_dictionary(self.dictionary), self.columns * self.rows // 2)

    @classmethod
    def _check_combinations(cls, values: BoardValues) -> Iterator[BoardFault]:
        square_m, marker_m = values.get("square_m"), values.get("marker_m")
        if square_m is not None and marker_m is not None and marker_m >= square_m:
            yield BoardFault("marker_mm", f"{marker_m * 1000:g}", f"less than square_mm, which is {square_m * 1000:g}")
        if "columns" in values and "rows" in values:
            yield from check_marker_count(values, values["columns"] * values["rows"] // 2)


def charuco_pattern(board: CharucoBoard) -> cv2.aruco.CharucoBoard:
    """OpenCV's board for ``board``, in units of one square.

    In both corner orders its corner numbers and its origin are those of CharucoBoard.
    """
    marker_ratio = board.marker_m / board.square_m
    dictionary = marker_dictionary(board.dictionary)
    pattern = cv2.aruco.CharucoBoard((board.columns, board.rows), 1.0, marker_ratio, dictionary)
    pattern.setLegacyPattern(board.corner_order == "legacy")
    return pattern


@functools.lru_cache(maxsize=8)
def _pattern(board: CharucoBoard) -> MarkerPattern:
    marker_corners = np.asarray(charuco_pattern(board).getObjPoints(), dtype=float).reshape(-1, 4, 3)[..., :2]
    corners = board.corners()
    # Colour of the square beyond each corner, towards +x +y.
    black_beyond = board.black_squares[1:, 1:].ravel()
    dictionary = marker_dictionary(board.dictionary)
    side = float(marker_corners[0, 1, 0] - marker_corners[0, 0, 0])
    return MarkerPattern(
        dictionary=truncated_dictionary(dictionary, len(marker_corners)),
        marker_corners=marker_corners,
        bits=marker_bits(dictionary, len(marker_corners)),
        corners=corners,
        first=np.tile([1.0, 0.0], (len(corners), 1)),
        second=np.tile([0.0, 1.0], (len(corners), 1)),
        sign=np.where(black_beyond, -1.0, 1.0),
        clearance=MarkerClearance((1 - side) / 2),
        fit=fit_corners,
    )
