"""What a board is: its kind, its size, and where its inner corners lie.

Board frame: origin at the outer corner of the first square, x along the columns, y along the rows, z into the board.
Inner corners are numbered row by row from 0, so corner 0 lies one square along x and one along y from the origin.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np

from eyebolt.errors import InputFault
from eyebolt.geometry.rigid import Array

KINDS = ("charuco", "chessboard")
LATER_KINDS = ("grid", "circles")
CORNER_ORDERS = ("current", "legacy")
FEWEST_SQUARES = {"charuco": 3, "chessboard": 4}
MOST_SQUARES = 200


@dataclass(frozen=True)
class Board:
    """A flat board of ``columns`` x ``rows`` squares with sides of ``square_m`` metres.

    A chessboard's first square, the one at the origin, is black. A ChArUco board carries a marker of side
    ``marker_m`` from ``dictionary`` ("5X5_100", ...) in each of its white squares, numbered row by row from 0.
    ``corner_order``: "current" starts every ChArUco board with a black square; "legacy" (OpenCV before 4.6) starts
    boards with an even number of rows with a white one.

    Raises InputFault ``board-kind``, ``board-size``, ``board-marker``, ``board-dictionary``, ``board-corner-order``.
    """

    kind: str
    columns: int
    rows: int
    square_m: float
    marker_m: float | None = None
    dictionary: str | None = None
    corner_order: Literal["current", "legacy"] = "current"

    def __post_init__(self) -> None:
        _check_kind(self.kind)
        _check_size(self)
        if self.kind == "charuco":
            _check_markers(self)
        elif self.marker_m is not None:
            raise InputFault(
                "board-marker",
                "a chessboard has no markers, but a marker size is given",
                'remove marker_mm, or write kind = "charuco" if the board carries markers.',
            )
        else:
            # Two chessboards are the same board whatever a file says about markers they do not have.
            object.__setattr__(self, "dictionary", None)
            object.__setattr__(self, "corner_order", "current")

    @classmethod
    def from_mm(
        cls,
        kind: str,
        columns: int,
        rows: int,
        square_mm: float,
        marker_mm: float | None = None,
        dictionary: str | None = None,
        corner_order: Literal["current", "legacy"] = "current",
    ) -> Board:
        """The board of a station file, whose lengths are in millimetres. Raises InputFault as the class does."""
        for name, value in (("square_mm", square_mm), ("marker_mm", marker_mm)):
            if value is not None and (isinstance(value, bool) or not isinstance(value, int | float)):
                raise InputFault("board-size", f"{name} is {value!r}, not a number", f"give {name} in millimetres.")
        marker_m = None if marker_mm is None else marker_mm / 1000
        return cls(kind, columns, rows, square_mm / 1000, marker_m, dictionary, corner_order)

    @property
    def corner_count(self) -> int:
        """How many inner corners the board has."""
        return (self.columns - 1) * (self.rows - 1)

    @property
    def first_square_black(self) -> bool:
        """Whether the square at the origin is black."""
        return self.kind == "chessboard" or self.corner_order == "current" or self.rows % 2 == 1

    @property
    def half_turn_ambiguous(self) -> bool:
        """Whether the board looks the same after half a turn, so that one picture cannot number its corners."""
        return self.kind == "chessboard" and (self.columns + self.rows) % 2 == 0

    def corners_m(self) -> Array:
        """Inner corners (K, 3) in the board frame, metres, in the order of their numbers; z is 0."""
        return self.corner_squares(np.arange(self.corner_count)) * self.square_m

    def corner_squares(self, ids: np.typing.NDArray[np.integer]) -> Array:
        """Corners with the numbers ``ids`` (K,) as (K, 3) in the board frame, in units of one square; z is 0."""
        row, column = np.divmod(np.asarray(ids, dtype=np.int64), self.columns - 1)
        return np.column_stack([column + 1.0, row + 1.0, np.zeros(len(row))])

    def square_is_black(self, column: int, row: int) -> bool:
        """Colour of a square, ``column`` and ``row`` from 0 at the origin."""
        return ((column + row) % 2 == 0) == self.first_square_black

    def marker_dictionary(self) -> cv2.aruco.Dictionary:
        """The markers of a ChArUco board. Raises InputFault ``board-dictionary`` for a board without markers."""
        return marker_dictionary(self.dictionary or "")


def marker_dictionary(name: str) -> cv2.aruco.Dictionary:
    """OpenCV's predefined marker dictionary of that name, with or without its "DICT_".

    Raises InputFault ``board-dictionary`` listing the names there are.
    """
    known = _dictionary_names()
    wanted = str(name).strip().upper().removeprefix("DICT_")
    if wanted not in known:
        raise InputFault(
            "board-dictionary",
            f"no marker dictionary is called {name!r}",
            f"write one of {', '.join(sorted(known))}, as printed with the board.",
            known=sorted(known),
        )
    return cv2.aruco.getPredefinedDictionary(known[wanted])


@functools.cache
def _dictionary_names() -> dict[str, int]:
    names = (name for name in dir(cv2.aruco) if name.startswith("DICT_"))
    return {name.removeprefix("DICT_").upper(): int(getattr(cv2.aruco, name)) for name in names}


def _check_kind(kind: str) -> None:
    if kind in KINDS:
        return
    if kind in LATER_KINDS:
        raise InputFault(
            "board-kind",
            f"boards of kind {kind!r} cannot be found yet",
            f"use a board of kind {' or '.join(KINDS)}.",
        )
    raise InputFault("board-kind", f"no board kind is called {kind!r}", f"write one of {', '.join(KINDS)}.")


def _check_size(board: Board) -> None:
    fewest = FEWEST_SQUARES[board.kind]
    for name in ("columns", "rows"):
        count = getattr(board, name)
        if isinstance(count, bool) or not isinstance(count, int) or not fewest <= count <= MOST_SQUARES:
            raise InputFault(
                "board-size",
                f"{name} is {count!r}; a {board.kind} has {fewest} to {MOST_SQUARES}",
                f"count the squares (not the inner corners) and write them as {name}.",
            )
    if not _is_length(board.square_m):
        raise InputFault(
            "board-size",
            f"the square side is {board.square_m!r} m",
            "measure over ten squares or more and write the side of one in millimetres as square_mm.",
        )
    if board.kind == "chessboard" and board.columns == board.rows and board.columns % 2 == 1:
        raise InputFault(
            "board-size",
            f"a chessboard of {board.columns} x {board.rows} squares looks the same after a quarter turn",
            "use a board with an odd number of squares one way and an even number the other way.",
        )


def _check_markers(board: Board) -> None:
    if board.corner_order not in CORNER_ORDERS:
        raise InputFault(
            "board-corner-order",
            f"no corner order is called {board.corner_order!r}",
            f"write one of {', '.join(CORNER_ORDERS)}.",
        )
    if board.marker_m is None or not _is_length(board.marker_m) or board.marker_m >= board.square_m:
        raise InputFault(
            "board-marker",
            f"the marker side is {board.marker_m!r} m, the square {board.square_m!r} m",
            "measure the black border of a marker from edge to edge; it is smaller than the square around it.",
        )
    if board.dictionary is None:
        raise InputFault(
            "board-dictionary",
            "a charuco board needs the name of its marker dictionary",
            'write it as printed with the board, for instance dictionary = "5X5_100".',
        )
    dictionary = marker_dictionary(board.dictionary)
    wanted = board.columns * board.rows // 2
    available = len(dictionary.bytesList)
    if wanted > available:
        raise InputFault(
            "board-dictionary",
            f"{board.columns} x {board.rows} squares need {wanted} markers; {board.dictionary} has {available}",
            "check the number of squares and the name of the dictionary.",
            wanted=wanted,
            available=available,
        )


def _is_length(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value) and value > 0
