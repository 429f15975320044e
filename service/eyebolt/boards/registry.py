"""The kinds of boards there are. A new kind is a module of its own and one entry here."""

from __future__ import annotations

from eyebolt.boards.board import Board, CornerOrder
from eyebolt.boards.charuco import CharucoBoard
from eyebolt.boards.chessboard import Chessboard
from eyebolt.boards.circle_grid import CircleGrid
from eyebolt.boards.marker_grid import MarkerGrid
from eyebolt.errors import InputFault

BOARD_KINDS: dict[str, type[Board]] = {cls.kind: cls for cls in (CharucoBoard, Chessboard, MarkerGrid, CircleGrid)}


def board_from_mm(
    kind: str,
    columns: int,
    rows: int,
    square_mm: float | None = None,
    marker_mm: float | None = None,
    dictionary: str | None = None,
    corner_order: CornerOrder | None = None,
    gap_mm: float | None = None,
    spacing_mm: float | None = None,
) -> Board:
    """The board described by the keys of a station file, lengths in millimetres; None: not stated.

    Raises InputFault ``board-kind`` for an unknown kind, and what the class of the kind raises.
    """
    if kind not in BOARD_KINDS:
        raise InputFault(
            "board-kind", f"no board kind is called {kind!r}", f"write one of {', '.join(BOARD_KINDS)} as kind."
        )
    return BOARD_KINDS[kind].from_description(
        {
            "columns": columns,
            "rows": rows,
            "square_mm": square_mm,
            "marker_mm": marker_mm,
            "gap_mm": gap_mm,
            "spacing_mm": spacing_mm,
            "dictionary": dictionary,
            "corner_order": corner_order,
        }
    )
