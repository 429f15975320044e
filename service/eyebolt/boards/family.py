"""What a board family is: everything that differs between kinds of boards, in one value."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.detection import LocatedCorners, SearchImage
from eyebolt.geometry import Array

if TYPE_CHECKING:
    from eyebolt.boards.board import Board


@dataclass(frozen=True)
class BoardKind:
    """One kind of board.

    ``required_fields``: the lengths it has, as attributes of a Board, others are refused; ``min_count``, ``counted_noun``: how few columns
    or rows there can be, of what. ``check``: raises InputFault for a board that cannot be; ``pitch_m``: the board's
    unit; ``points``: its numbered points (K, 2) in that unit; ``half_turn_ambiguous``; ``detect``: the points found in
    a picture, None if there are none; ``artwork``: what is printed, (H, W) uint8 at so many pixels a unit, and the pixel
    distance (x, y) of the board's origin from its upper left edge.
    """

    kind: str
    required_fields: tuple[str, ...]
    min_count: int
    counted_noun: str
    check: Callable[[Board], None]
    pitch_m: Callable[[Board], float]
    points: Callable[[Board], Array]
    half_turn_ambiguous: Callable[[Board], bool]
    detect: Callable[[SearchImage, Board], LocatedCorners | None]
    artwork: Callable[[Board, int], tuple[NDArray[np.uint8], tuple[float, float]]]


def is_positive_length(value: object) -> bool:
    """A finite number above 0."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value) and value > 0


def required_length(value: float | None) -> float:
    """A length that the family's checks have seen to be there."""
    return float(value or 0.0)


def square_m(board: Board) -> float:
    """The unit of such a board."""
    return required_length(board.square_m)


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
