"""What a board is: its kind, its size, and where its points lie.

Board frame: x along the columns, y along the rows, z into the board. The origin is the outer corner of the first square
(charuco, chessboard), the outer corner of the first marker (grid), or the centre of the first circle (circles).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np

from eyebolt.boards.family import BoardKind, is_positive_length
from eyebolt.boards.marker_detector import marker_dictionary
from eyebolt.boards.registry import BOARD_KINDS
from eyebolt.errors import InputFault
from eyebolt.geometry import Array

KIND_NAMES = tuple(BOARD_KINDS)
CORNER_ORDERS = ("current", "legacy")
MAX_COUNT_PER_SIDE = 200
_LENGTH_REMEDIES = {
    "square_m": "measure over ten squares or more and write the side of one in millimetres as square_mm.",
    "marker_m": "measure the black border of a marker from edge to edge and write it in millimetres as marker_mm.",
    "gap_m": "measure the white between two markers and write it in millimetres as gap_mm.",
    "spacing_m": "measure from the first row of circles to the eleventh, and write a tenth of it as spacing_mm.",
}


@dataclass(frozen=True)
class Board:
    """A flat board of one of the KINDS; lengths in metres.

    ``columns``, ``rows``: squares (charuco, chessboard), markers (grid), circles in a row and rows of them (circles).
    A chessboard's first square, the one at the origin, is black. A ChArUco board carries a marker of side
    ``marker_m`` from ``dictionary`` ("5X5_100", ...) in each of its white squares, numbered row by row from 0.
    ``corner_order``: "current" starts every ChArUco board with a black square; "legacy" (OpenCV before 4.6) starts
    boards with an even number of rows with a white one. A grid has markers of side ``marker_m``, numbered row by row,
    ``gap_m`` apart. Circles stand in rows ``spacing_m`` apart, every second row set off by ``spacing_m``, circles of
    one row twice that apart.

    Raises InputFault ``board-kind``, ``board-size``, ``board-marker``, ``board-dictionary``, ``board-corner-order``.
    """

    kind: str
    columns: int
    rows: int
    square_m: float | None = None
    marker_m: float | None = None
    dictionary: str | None = None
    corner_order: Literal["current", "legacy"] = "current"
    gap_m: float | None = None
    spacing_m: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in BOARD_KINDS:
            raise InputFault(
                "board-kind", f"no board kind is called {self.kind!r}", f"write one of {', '.join(KIND_NAMES)}."
            )
        board_kind = self.board_kind
        _check_counts(self, board_kind)
        _check_lengths(self, board_kind)
        if "dictionary" not in board_kind.required_fields:
            # Two boards without markers are the same board whatever a file says about markers.
            object.__setattr__(self, "dictionary", None)
        if self.kind != "charuco":
            object.__setattr__(self, "corner_order", "current")
        elif self.corner_order not in CORNER_ORDERS:
            raise InputFault(
                "board-corner-order",
                f"no corner order is called {self.corner_order!r}",
                f"write one of {', '.join(CORNER_ORDERS)}.",
            )
        board_kind.check(self)

    @classmethod
    def from_mm(
        cls,
        kind: str,
        columns: int,
        rows: int,
        square_mm: float | None = None,
        marker_mm: float | None = None,
        dictionary: str | None = None,
        corner_order: Literal["current", "legacy"] = "current",
        gap_mm: float | None = None,
        spacing_mm: float | None = None,
    ) -> Board:
        """The board of a station file, whose lengths are in millimetres. Raises InputFault as the class does."""
        lengths_m: list[float | None] = []
        lengths_mm = {"square_mm": square_mm, "marker_mm": marker_mm, "gap_mm": gap_mm, "spacing_mm": spacing_mm}
        for name, value in lengths_mm.items():
            if value is not None and (isinstance(value, bool) or not isinstance(value, int | float)):
                raise InputFault("board-size", f"{name} is {value!r}, not a number", f"give {name} in millimetres.")
            lengths_m.append(None if value is None else value / 1000)
        square_m, marker_m, gap_m, spacing_m = lengths_m
        return cls(kind, columns, rows, square_m, marker_m, dictionary, corner_order, gap_m, spacing_m)

    @property
    def board_kind(self) -> BoardKind:
        """What this kind of board can do."""
        return BOARD_KINDS[self.kind]

    @property
    def pitch_m(self) -> float:
        """The board's unit: a square, a marker with its gap, the spacing of the circles."""
        return self.board_kind.pitch_m(self)

    @property
    def corner_count(self) -> int:
        """How many numbered points the board has."""
        return len(self.board_kind.points(self))

    @property
    def first_square_black(self) -> bool:
        """Whether the square at the origin is black."""
        return self.kind == "chessboard" or self.corner_order == "current" or self.rows % 2 == 1

    @property
    def half_turn_ambiguous(self) -> bool:
        """Whether the board looks the same after half a turn, so that one picture cannot number its points."""
        return self.board_kind.half_turn_ambiguous(self)

    def corners_m(self) -> Array:
        """Numbered points (K, 3) in the board frame, metres, in the order of their numbers; z is 0."""
        points = self.board_kind.points(self) * self.pitch_m
        return np.column_stack([points, np.zeros(len(points))])

    def is_square_black(self, column: int, row: int) -> bool:
        """Colour of a square, ``column`` and ``row`` from 0 at the origin."""
        return ((column + row) % 2 == 0) == self.first_square_black

    def marker_dictionary(self) -> cv2.aruco.Dictionary:
        """The markers of the board. Raises InputFault ``board-dictionary`` for a board without markers."""
        return marker_dictionary(self.dictionary or "")


def _check_counts(board: Board, board_kind: BoardKind) -> None:
    for name in ("columns", "rows"):
        count = getattr(board, name)
        if (
            isinstance(count, bool)
            or not isinstance(count, int)
            or not board_kind.min_count <= count <= MAX_COUNT_PER_SIDE
        ):
            raise InputFault(
                "board-size",
                f"{name} is {count!r}; a {board.kind} has {board_kind.min_count} to {MAX_COUNT_PER_SIDE}",
                f"count the {board_kind.counted_noun} and write them as {name}.",
            )


def _check_lengths(board: Board, board_kind: BoardKind) -> None:
    for name, remedy in _LENGTH_REMEDIES.items():
        value = getattr(board, name)
        code = "board-marker" if name == "marker_m" else "board-size"
        key = name.replace("_m", "_mm")
        if name in board_kind.required_fields:
            if not is_positive_length(value):
                raise InputFault(code, f"{key} of a {board.kind} is {value!r} m", remedy)
        elif value is not None and not (name == "square_m" and value == 0):
            wanted = ", ".join(n.replace("_m", "_mm") for n in board_kind.required_fields)
            raise InputFault(
                code, f"a {board.kind} has no {key}, but one is given", f"remove {key}; a {board.kind} has {wanted}."
            )
