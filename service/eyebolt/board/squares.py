"""What chessboards and ChArUco boards share: squares, their colours, and inner corners numbered row by row."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from eyebolt.board.family import length
from eyebolt.geometry.rigid import Array

if TYPE_CHECKING:
    from eyebolt.board.definition import Board


def square_m(board: Board) -> float:
    """The unit of such a board."""
    return length(board.square_m)


def inner_corners(board: Board) -> Array:
    """(K, 2) in squares."""
    row, column = np.divmod(np.arange((board.columns - 1) * (board.rows - 1)), board.columns - 1)
    return np.column_stack([column + 1.0, row + 1.0])


def black_squares(board: Board) -> NDArray[np.bool_]:
    """(rows, columns)."""
    row, column = np.indices((board.rows, board.columns))
    out: NDArray[np.bool_] = ((row + column) % 2 == 0) == board.first_square_black
    return out


def draw_squares(board: Board, size: int) -> NDArray[np.uint8]:
    """The squares alone, ``size`` pixels each."""
    shades = np.where(black_squares(board), 0, 255).astype(np.uint8)
    return np.kron(shades, np.ones((size, size), np.uint8))
