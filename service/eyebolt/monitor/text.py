"""Rows of text that keep to a width: wrapping, cutting, bars, and the paint that goes over them.

Digits and a few capitals drawn five rows high, to be read from across the hall.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass

from rich.cells import cell_len, chop_cells, set_cell_size

from eyebolt.monitor.operator_prompt import Tone

# Colours of indicators after IEC 60073: green normal, yellow abnormal, red fault; cyan stands in for blue (an act is
# asked of the operator), since blue on black cannot be read from afar.
_PAINT = {
    Tone.PLAIN: "",
    Tone.QUIET: "\x1b[2m",
    Tone.GOOD: "\x1b[1;32m",
    Tone.ACT: "\x1b[1;36m",
    Tone.WAIT: "\x1b[1;33m",
    Tone.BAD: "\x1b[1;31m",
}
_END = "\x1b[0m"
_ASCII = {"\u2013": "-", "\u2014": "-", "\u2018": "'", "\u2019": "'", "\u201c": '"', "\u201d": '"', "\u00b0": "deg"}


@dataclass(frozen=True)
class Row:
    """One line of the screen and how it is meant."""

    text: str
    tone: Tone = Tone.PLAIN


@dataclass(frozen=True)
class Ink:
    """The characters that things are drawn with, one column each."""

    solid: str
    empty: str
    rule: str

    @classmethod
    def blocks(cls) -> Ink:
        """For terminals that show Unicode."""
        return cls("\u2588", "\u2591", "\u2500")

    @classmethod
    def ascii(cls) -> Ink:
        """For terminals that may show nothing but ASCII."""
        return cls("#", ".", "-")


def paint(row: Row, width: int, colour: bool, ascii_only: bool) -> str:
    """The row cut to ``width`` columns, in ASCII if so asked, between escape codes if ``colour``."""
    text = _plain(row.text) if ascii_only else row.text
    if cell_len(text) > width:
        text = set_cell_size(text, width)
    text = text.rstrip()
    code = _PAINT[row.tone] if colour else ""
    return f"{code}{text}{_END}" if code and text else text


def wrap(text: str, width: int, most: int, indent: int = 0) -> list[str]:
    """``text`` broken at spaces into at most ``most`` lines of ``width`` columns; "..." marks what was cut away.

    Lines after the first are indented by ``indent`` columns. The first ``indent`` columns of the text stay as they are.
    """
    indent = min(indent, max(width - 1, 0))
    lead, body = text[:indent], text[indent:]
    room = max(width - indent, 1)
    lines = [""]
    for word in body.split():
        for piece in chop_cells(word, room):
            joined = f"{lines[-1]} {piece}" if lines[-1] else piece
            if cell_len(joined) <= room:
                lines[-1] = joined
            else:
                lines.append(piece)
    if len(lines) > most:
        lines = lines[:most]
        lines[-1] = set_cell_size(lines[-1], max(min(cell_len(lines[-1]), room - 3), 0)).rstrip() + "..."[:room]
    return [(lead if number == 0 else " " * indent) + line for number, line in enumerate(lines)]


def fill(parts: list[str], width: int) -> str:
    """``parts`` on one line spread over ``width`` columns, at least two apart (longer than ``width`` if it must be)."""
    gaps = len(parts) - 1
    if gaps < 1:
        return "".join(parts)
    spare = max(width - sum(cell_len(part) for part in parts), 2 * gaps)
    line = parts[0]
    for number, part in enumerate(parts[1:]):
        line += " " * (spare // gaps + (number < spare % gaps)) + part
    return line


def bar(name: str, share: float, words: str, length: int, label: int, ink: Ink, tone: Tone) -> Row:
    """A bar of ``length`` columns, full at ``share`` 1, its name in ``label`` columns before it and ``words`` after it.

    It never looks full below 1. A bar too short to tell anything is left out; name and words stay.
    """
    if length < 5:
        return Row(f"{name:<{label}}{words}", tone)
    full = length if share >= 1 else min(int(share * length), length - 1)
    return Row(f"{name:<{label}}[{ink.solid * full}{ink.empty * (length - full)}] {words}", tone)


def _plain(text: str) -> str:
    mapped = "".join(_ASCII.get(c, c) for c in text)
    letters = unicodedata.normalize("NFKD", mapped)
    return "".join(c if c.isascii() else "?" for c in letters if not unicodedata.combining(c))


ROWS = 5

_SHAPES = {
    "0": "### #.# #.# #.# ###",
    "1": ".#. ##. .#. .#. ###",
    "2": "### ..# ### #.. ###",
    "3": "### ..# ### ..# ###",
    "4": "#.# #.# ### ..# ..#",
    "5": "### #.. ### ..# ###",
    "6": "### #.. ### #.# ###",
    "7": "### ..# ..# ..# ..#",
    "8": "### #.# ### #.# ###",
    "9": "### #.# ### ..# ###",
    "/": "..# ..# .#. #.. #..",
    "A": "### #.# ### #.# #.#",
    "C": "### #.. #.. #.. ###",
    "D": "##. #.# #.# #.# ##.",
    "E": "### #.. ##. #.. ###",
    "F": "### #.. ##. #.. #..",
    "G": "#### #... #.## #..# ####",
    "I": "# # # # #",
    "L": "#.. #.. #.. #.. ###",
    "N": "#..# ##.# #.## #..# #..#",
    "O": "### #.# #.# #.# ###",
    "P": "### #.# ### #.. #..",
    "R": "### #.# ##. #.# #.#",
    "S": "### #.. ### ..# ###",
    "T": "### .#. .#. .#. .#.",
    "W": "#...# #...# #.#.# ##.## #...#",
    "X": "#.# #.# .#. #.# #.#",
    "Y": "#.# #.# ### .#. .#.",
}


def spell(text: str, ink: str, scale: int = 1) -> list[str]:
    """``text`` as ROWS * ``scale`` rows of equal length; a dot of a shape is 2 * ``scale`` columns wide.

    A character without a shape is left out.
    """
    rows = [""] * ROWS
    for number, shape in enumerate(_SHAPES[c].split() for c in text if c in _SHAPES):
        gap = "  " * scale if number else ""
        for row, dots in enumerate(shape):
            rows[row] += gap + "".join((ink if dot == "#" else " ") * 2 * scale for dot in dots)
    return [row for row in rows for _ in range(scale)]
