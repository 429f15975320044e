"""A grid of coded square markers with white gaps between them: its points are the markers' outer corners.

Points are numbered marker by marker, row by row: 4 k to 4 k + 3 are the upper left, upper right, lower right and lower
left corner of marker k.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.corner_fit import fit_corners
from eyebolt.boards.corner_refinement import MarkerPattern
from eyebolt.boards.detection import LocatedCorners, SearchImage
from eyebolt.boards.edge_samples import MarkerClearance
from eyebolt.boards.family import BoardKind, required_length
from eyebolt.boards.marker_detector import (
    check_dictionary,
    detect_marker_board,
    draw_markers,
    marker_bits,
    truncated_dictionary,
)
from eyebolt.errors import InputFault
from eyebolt.geometry import Array

if TYPE_CHECKING:
    from eyebolt.boards.board import Board

# A marker whose gap is smaller merges with its neighbours in the picture.
_MIN_GAP_RATIO = 0.1
_TRACKED_UNIT_PX = 40.0


def detect_marker_grid(search_image: SearchImage, board: Board) -> LocatedCorners | None:
    """Marker corners of ``board`` in a picture; None if there are none."""
    return detect_marker_board(search_image, _pattern(board))


def _pitch_m(board: Board) -> float:
    return required_length(board.marker_m) + required_length(board.gap_m)


def _marker_ratio(board: Board) -> float:
    return required_length(board.marker_m) / _pitch_m(board)


def _points(board: Board) -> Array:
    return _marker_corners(board).reshape(-1, 2)


def _marker_corners(board: Board) -> Array:
    row, column = np.divmod(np.arange(board.columns * board.rows), board.columns)
    around = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * _marker_ratio(board)
    return np.stack([column, row], axis=-1)[:, None] + around


@functools.lru_cache(maxsize=8)
def _pattern(board: Board) -> MarkerPattern:
    corners = _marker_corners(board)
    dictionary = board.marker_dictionary()
    # The border is one cell wide; beyond it come the marker's own cells, and outside the gap the next marker.
    clearance_width = min(
        1 / (dictionary.markerSize + 2), required_length(board.gap_m) / required_length(board.marker_m)
    )
    return MarkerPattern(
        dictionary=truncated_dictionary(dictionary, len(corners)),
        marker_corners=corners,
        bits=marker_bits(dictionary, len(corners)),
        corners=corners.reshape(-1, 2),
        first=(np.roll(corners, -1, axis=1) - corners).reshape(-1, 2),
        second=(np.roll(corners, 1, axis=1) - corners).reshape(-1, 2),
        sign=np.full(4 * len(corners), -1.0),
        clearance=MarkerClearance(clearance_width),
        fit=functools.partial(fit_corners, l_junction=True),
        tracked_unit_px=_TRACKED_UNIT_PX,
    )


def _check(board: Board) -> None:
    if required_length(board.gap_m) < _MIN_GAP_RATIO * required_length(board.marker_m):
        raise InputFault(
            "board-size",
            f"a gap of {required_length(board.gap_m):g} m is too small for markers of {required_length(board.marker_m):g} m",
            "print the grid with gaps of a tenth of a marker or more; measure the white between two markers.",
        )
    layout = f"{board.columns} x {board.rows} markers"
    check_dictionary(board.dictionary, board.kind, layout, board.columns * board.rows)


def _artwork(board: Board, size: int) -> tuple[NDArray[np.uint8], tuple[float, float]]:
    image = np.full((board.rows * size, board.columns * size), 255, np.uint8)
    bits = marker_bits(board.marker_dictionary(), board.columns * board.rows)
    draw_markers(image, bits, np.argwhere(np.ones((board.rows, board.columns))), size, _marker_ratio(board), 0.0)
    return image, (0.0, 0.0)


GRID = BoardKind(
    kind="grid",
    required_fields=("marker_m", "gap_m", "dictionary"),
    min_count=1,
    counted_noun="markers",
    check=_check,
    pitch_m=_pitch_m,
    points=_points,
    half_turn_ambiguous=lambda board: False,
    detect=detect_marker_grid,
    artwork=_artwork,
)
