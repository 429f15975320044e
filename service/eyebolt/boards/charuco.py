"""A chessboard with a marker in each white square: found whole or in part."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.corner_fit import fit_corners
from eyebolt.boards.corner_refinement import MarkerPattern
from eyebolt.boards.detection import LocatedCorners, SearchImage
from eyebolt.boards.edge_samples import MarkerClearance
from eyebolt.boards.family import BoardKind, black_squares, draw_squares, inner_corners, required_length, square_m
from eyebolt.boards.marker_detector import (
    check_dictionary,
    detect_marker_board,
    draw_markers,
    marker_bits,
    truncated_dictionary,
)
from eyebolt.errors import InputFault

if TYPE_CHECKING:
    from eyebolt.boards.board import Board


def detect_charuco(search_image: SearchImage, board: Board) -> LocatedCorners | None:
    """Corners of ``board`` in a picture; None if there are none."""
    return detect_marker_board(search_image, _pattern(board))


def charuco_pattern(board: Board) -> cv2.aruco.CharucoBoard:
    """OpenCV's board for ``board``, in units of one square.

    Its corner numbers and its origin are ours in both orders: from the upper left of the print, row by row.
    """
    marker_ratio = required_length(board.marker_m) / required_length(board.square_m)
    pattern = cv2.aruco.CharucoBoard((board.columns, board.rows), 1.0, marker_ratio, board.marker_dictionary())
    pattern.setLegacyPattern(board.corner_order == "legacy")
    return pattern


@functools.lru_cache(maxsize=8)
def _pattern(board: Board) -> MarkerPattern:
    marker_corners = np.asarray(charuco_pattern(board).getObjPoints(), dtype=float).reshape(-1, 4, 3)[..., :2]
    corners = inner_corners(board)
    # The square after the corner, towards +x +y.
    black_after = black_squares(board)[1:, 1:].ravel()
    dictionary = board.marker_dictionary()
    side = float(marker_corners[0, 1, 0] - marker_corners[0, 0, 0])
    return MarkerPattern(
        dictionary=truncated_dictionary(dictionary, len(marker_corners)),
        marker_corners=marker_corners,
        bits=marker_bits(dictionary, len(marker_corners)),
        corners=corners,
        first=np.tile([1.0, 0.0], (len(corners), 1)),
        second=np.tile([0.0, 1.0], (len(corners), 1)),
        sign=np.where(black_after, -1.0, 1.0),
        clearance=MarkerClearance((1 - side) / 2),
        fit=fit_corners,
    )


def _check(board: Board) -> None:
    if required_length(board.marker_m) >= required_length(board.square_m):
        raise InputFault(
            "board-marker",
            f"the marker side is {board.marker_m!r} m, the square {board.square_m!r} m",
            "measure the black border of a marker from edge to edge; it is smaller than the square around it.",
        )
    layout = f"{board.columns} x {board.rows} squares"
    check_dictionary(board.dictionary, board.kind, layout, board.columns * board.rows // 2)


def _artwork(board: Board, size: int) -> tuple[NDArray[np.uint8], tuple[float, float]]:
    image = draw_squares(board, size)
    marker_ratio = required_length(board.marker_m) / required_length(board.square_m)
    bits = marker_bits(board.marker_dictionary(), board.columns * board.rows // 2)
    draw_markers(image, bits, np.argwhere(~black_squares(board)), size, marker_ratio, (1 - marker_ratio) / 2)
    return image, (0.0, 0.0)


CHARUCO = BoardKind(
    kind="charuco",
    required_fields=("square_m", "marker_m", "dictionary"),
    min_count=3,
    counted_noun="squares (not the inner corners)",
    check=_check,
    pitch_m=square_m,
    points=inner_corners,
    half_turn_ambiguous=lambda board: False,
    detect=detect_charuco,
    artwork=_artwork,
)
