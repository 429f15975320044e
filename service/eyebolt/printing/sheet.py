"""A board with its ruler and its definition on one sheet, and the pages that the sheet is printed on.

Lengths are millimetres; x to the right and y down from the upper left corner of the sheet or of the page.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from eyebolt.boards import Board, CharucoBoard, Chessboard, CircleGrid, MarkerGrid
from eyebolt.errors import InputFault

PAPERS_MM = {"A4": (210.0, 297.0), "A3": (297.0, 420.0), "letter": (215.9, 279.4)}
"""Width and height of each paper, upright."""
# White border around the board, in its units, and at least so wide: what detection needs, and what a printer leaves
# white anyway.
_QUIET_UNITS, _MIN_QUIET_MM = 0.5, 6.0
# Ruler and lines of text below the board; the sheet is wide enough for both.
_LEGEND_MM, _MIN_WIDTH_MM, _INSET_MM = 27.0, 170.0, 8.0
_RULER_MM, _TICK_MM = 100, 10
_TEXT_MM, _SMALL_TEXT_MM = 2.8, 2.4
LINE_WIDTH_MM = 0.15
"""Width of every line."""
# Of a page that shows a part of the sheet: its margin, with the marks in it, and what two neighbours both show.
_MARGIN_MM, _OVERLAP_MM, _MARK_MM = 12.0, 10.0, 5.0
_MAX_PAGES = 100
# Of the sheet against the paper: rounding.
_TOLERANCE_MM = 1e-6


@dataclass(frozen=True)
class Line:
    """A thin black line."""

    x1: float
    """x of its start, mm."""
    y1: float
    """y of its start, mm."""
    x2: float
    """x of its end, mm."""
    y2: float
    """y of its end, mm."""


@dataclass(frozen=True)
class Text:
    """A line of text, in printable ASCII."""

    x: float
    """x of its start, mm."""
    y: float
    """y of its baseline, mm."""
    size: float
    """Size of the letters, mm."""
    text: str
    """The words."""


@dataclass(frozen=True)
class Sheet:
    """A board at true scale with its ruler and definition."""

    title: str
    """Name of the sheet."""
    width: float
    """Width, mm."""
    height: float
    """Height, mm."""
    origin: tuple[float, float]
    """Origin of the board on the sheet, mm."""
    rectangles: tuple[tuple[float, float, float, float], ...]
    """x, y, width and height of everything black that has corners, mm."""
    discs: tuple[tuple[float, float, float], ...]
    """x, y and diameter of the circles, mm."""
    lines: tuple[Line, ...]
    """The ruler."""
    texts: tuple[Text, ...]
    """The definition, and the numbers of the ruler."""


@dataclass(frozen=True)
class Page:
    """One page: a window of the sheet, with marks around it if there are several."""

    width: float
    """Width of the paper, mm."""
    height: float
    """Height of the paper, mm."""
    window: tuple[float, float, float, float]
    """x, y, width and height of the part of the sheet that the page shows, mm on the sheet."""
    at: tuple[float, float]
    """Upper left corner of the window on the page, mm."""
    lines: tuple[Line, ...] = ()
    """Cut marks, mm on the page."""
    texts: tuple[Text, ...] = ()
    """What is written beside them, mm on the page."""


def board_text(board: Board) -> str:
    """The definition of a board in one line."""
    unit_mm = f"{board.pitch_m * 1e3:g}"
    match board:
        case CharucoBoard():
            return (
                f"charuco, {board.columns} x {board.rows} squares of {unit_mm} mm, markers {board.marker_m * 1e3:g} mm,"
                f" {board.dictionary}, corner order {board.corner_order}"
            )
        case Chessboard():
            return f"chessboard, {board.columns} x {board.rows} squares of {unit_mm} mm"
        case MarkerGrid():
            return (
                f"grid, {board.columns} x {board.rows} markers of {board.marker_m * 1e3:g} mm,"
                f" gaps {board.gap_m * 1e3:g} mm, {board.dictionary}"
            )
        case CircleGrid():
            return f"circles, {board.columns} columns x {board.rows} rows, spacing {unit_mm} mm"
        case _:
            return f"{board.kind}, {board.columns} x {board.rows}, unit {unit_mm} mm"


def board_sheet(board: Board, station: str) -> Sheet:
    """The sheet of ``board`` of the station of that name; ruler and text lie outside the white border of the board."""
    artwork, unit = board.artwork(), board.pitch_m * 1e3
    quiet = max(_QUIET_UNITS * unit, _MIN_QUIET_MM)
    inked = [(high - low) * unit for low, high in zip(artwork.low, artwork.high, strict=True)]
    width = max(inked[0] + 2 * quiet, _MIN_WIDTH_MM)
    x0 = (width - inked[0]) / 2 - artwork.low[0] * unit
    y0 = quiet - artwork.low[1] * unit
    below = inked[1] + 2 * quiet
    left = _INSET_MM
    texts = [
        Text(left, below + 3.0, _TEXT_MM, f"Board of station {station}"),
        Text(left, below + 7.0, _TEXT_MM, board_text(board)),
        Text(
            left, below + 11.0, _SMALL_TEXT_MM, "Print at 100 %. The bar is 100 mm long; measure the board itself too."
        ),
    ]
    ruler = below + 17.0
    lines = [Line(left, ruler, left + _RULER_MM, ruler)]
    for mm in range(_RULER_MM + 1):
        length = 4.0 if mm % 50 == 0 else 3.0 if mm % _TICK_MM == 0 else 1.0
        if mm % _TICK_MM == 0 or mm < _TICK_MM:
            lines.append(Line(left + mm, ruler - length, left + mm, ruler))
    texts += [Text(left + mm - 0.7, ruler + 3.2, _SMALL_TEXT_MM, f"{mm}") for mm in (0, 50)]
    texts.append(Text(left + _RULER_MM - 2.0, ruler + 3.2, _SMALL_TEXT_MM, "100 mm"))
    return Sheet(
        title=f"Board of station {station}",
        width=width,
        height=below + _LEGEND_MM,
        origin=(x0, y0),
        rectangles=tuple(
            (x0 + x * unit, y0 + y * unit, w * unit, h * unit)
            for cells in artwork.cells
            for x, y, w, h in cells.rectangles()
        ),
        discs=tuple((x0 + d.x * unit, y0 + d.y * unit, d.diameter * unit) for d in artwork.discs),
        lines=tuple(lines),
        texts=tuple(texts),
    )


def pages_of(sheet: Sheet, paper: str) -> tuple[Page, ...]:
    """The pages of a sheet on a paper of ``PAPERS_MM``, upright or lying, whichever takes fewer; row by row.

    Raises InputFault ``board-pages`` for more than a hundred.
    """
    upright = PAPERS_MM[paper]
    sides = (upright, upright[::-1])
    fitting = [side for side in sides if sheet.width <= side[0] + _TOLERANCE_MM and sheet.height <= side[1]]
    if fitting:
        width, height = fitting[0]
        at = ((width - sheet.width) / 2, (height - sheet.height) / 2)
        return (Page(width, height, (0.0, 0.0, sheet.width, sheet.height), at),)
    width, height = min(sides, key=lambda side: _count(sheet.width, side[0]) * _count(sheet.height, side[1]))
    columns, rows = _count(sheet.width, width), _count(sheet.height, height)
    if columns * rows > _MAX_PAGES:
        raise InputFault(
            "board-pages",
            f"the board of {sheet.width:.0f} x {sheet.height:.0f} mm needs {columns * rows} pages of {paper}",
            "have the SVG file printed on one sheet, choose a larger paper, or a smaller board.",
        )
    return tuple(
        _tile(sheet, (width, height), (column, row), (columns, rows))
        for row in range(rows)
        for column in range(columns)
    )


def _count(length: float, paper: float) -> int:
    """Pages along one side."""
    usable = paper - 2 * _MARGIN_MM
    return 1 if length <= usable else math.ceil((length - _OVERLAP_MM) / (usable - _OVERLAP_MM) - _TOLERANCE_MM)


def _tile(sheet: Sheet, paper: tuple[float, float], place: tuple[int, int], counts: tuple[int, int]) -> Page:
    # Windows of equal size, so that none shows a sliver only.
    overlaps = tuple(_OVERLAP_MM if count > 1 else 0.0 for count in counts)
    steps = tuple(
        (length - overlap) / count
        for length, overlap, count in zip((sheet.width, sheet.height), overlaps, counts, strict=True)
    )
    x, y = place[0] * steps[0], place[1] * steps[1]
    width, height = steps[0] + overlaps[0], steps[1] + overlaps[1]
    at = ((paper[0] - width) / 2, (paper[1] - height) / 2)
    right, bottom = at[0] + width, at[1] + height
    lines: list[Line] = []
    texts: list[Text] = []
    # Both neighbours mark the same line, the middle of what both show: one is cut there and laid on the other.
    middle = _OVERLAP_MM / 2
    near, far = 1.0, 1.0 + _MARK_MM
    for is_there, mark_x, word in (
        (place[0] > 0, at[0] + middle, "cut"),
        (place[0] < counts[0] - 1, right - middle, "edge"),
    ):
        if is_there:
            lines += [
                Line(mark_x, at[1] - far, mark_x, at[1] - near),
                Line(mark_x, bottom + near, mark_x, bottom + far),
            ]
            texts.append(Text(mark_x + 1.0 if word == "cut" else mark_x - 7.0, at[1] - 3.0, _SMALL_TEXT_MM, word))
    for is_there, mark_y, word in (
        (place[1] > 0, at[1] + middle, "cut"),
        (place[1] < counts[1] - 1, bottom - middle, "edge"),
    ):
        if is_there:
            lines += [Line(at[0] - far, mark_y, at[0] - near, mark_y), Line(right + near, mark_y, right + far, mark_y)]
            texts.append(Text(at[0] - far, mark_y - 0.8, _SMALL_TEXT_MM, word))
    number = place[1] * counts[0] + place[0] + 1
    label = (
        f"{sheet.title}: page {number} of {counts[0] * counts[1]} (row {place[1] + 1} of {counts[1]},"
        f" column {place[0] + 1} of {counts[0]}). Cut along 'cut', lay that edge on 'edge' of its neighbour."
    )
    texts.append(Text(at[0] + 8.0, bottom + 4.5, _SMALL_TEXT_MM, label))
    return Page(*paper, (x, y, width, height), at, tuple(lines), tuple(texts))
