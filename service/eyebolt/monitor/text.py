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
_ANSI_STYLES = {
    Tone.PLAIN: "",
    Tone.QUIET: "\x1b[2m",
    Tone.GOOD: "\x1b[1;32m",
    Tone.ACT: "\x1b[1;36m",
    Tone.WAIT: "\x1b[1;33m",
    Tone.BAD: "\x1b[1;31m",
}
_ANSI_RESET = "\x1b[0m"
_ASCII_EQUIVALENTS = {
    "\u2013": "-",
    "\u2014": "-",
    "\u2018": "'",
    "\u2019": "'",
    "\u201c": '"',
    "\u201d": '"',
    "\u00b0": "deg",
}


@dataclass(frozen=True)
class Row:
    """One line of the screen and how it is meant."""

    text: str
    tone: Tone = Tone.PLAIN


@dataclass(frozen=True)
class Glyphs:
    """The characters that things are drawn with, one column each."""

    solid: str
    empty: str
    rule: str

    @classmethod
    def blocks(cls) -> Glyphs:
        """For terminals that show Unicode."""
        return cls("\u2588", "\u2591", "\u2500")

    @classmethod
    def ascii(cls) -> Glyphs:
        """For terminals that may show nothing but ASCII."""
        return cls("#", ".", "-")


def render_row(row: Row, width: int, colour: bool, ascii_only: bool) -> str:
    """The row cut to ``width`` columns, in ASCII if so asked, between escape codes if ``colour``."""
    text = _to_ascii(row.text) if ascii_only else row.text
    if cell_len(text) > width:
        text = set_cell_size(text, width)
    text = text.rstrip()
    code = _ANSI_STYLES[row.tone] if colour else ""
    return f"{code}{text}{_ANSI_RESET}" if code and text else text


def wrap(text: str, width: int, max_lines: int, indent: int = 0) -> list[str]:
    """``text`` broken at spaces into at most ``max_lines`` lines of ``width`` columns; "..." marks what was cut away.

    Lines after the first are indented by ``indent`` columns. The first ``indent`` columns of the text stay as they are.
    """
    indent = min(indent, max(width - 1, 0))
    lead, body = text[:indent], text[indent:]
    room = max(width - indent, 1)
    lines = [""]
    for headline in body.split():
        for piece in chop_cells(headline, room):
            joined = f"{lines[-1]} {piece}" if lines[-1] else piece
            if cell_len(joined) <= room:
                lines[-1] = joined
            else:
                lines.append(piece)
    if len(lines) > max_lines:
        lines = lines[:max_lines]
        lines[-1] = set_cell_size(lines[-1], max(min(cell_len(lines[-1]), room - 3), 0)).rstrip() + "..."[:room]
    return [(lead if number == 0 else " " * indent) + line for number, line in enumerate(lines)]


def justify(parts: list[str], width: int) -> str:
    """``parts`` on one line spread over ``width`` columns, at least two apart (longer than ``width`` if it must be)."""
    gaps = len(parts) - 1
    if gaps < 1:
        return "".join(parts)
    spare = max(width - sum(cell_len(part) for part in parts), 2 * gaps)
    line = parts[0]
    for number, part in enumerate(parts[1:]):
        line += " " * (spare // gaps + (number < spare % gaps)) + part
    return line


def progress_bar(name: str, fraction: float, words: str, length: int, label: int, glyphs: Glyphs, tone: Tone) -> Row:
    """A bar of ``length`` columns, full at ``fraction`` 1, its name in ``label`` columns before it and ``words`` after it.

    It never looks full below 1. A bar too short to tell anything is left out; name and words stay.
    """
    if length < 5:
        return Row(f"{name:<{label}}{words}", tone)
    full = length if fraction >= 1 else min(int(fraction * length), length - 1)
    return Row(f"{name:<{label}}[{glyphs.solid * full}{glyphs.empty * (length - full)}] {words}", tone)


def _to_ascii(text: str) -> str:
    mapped = "".join(_ASCII_EQUIVALENTS.get(c, c) for c in text)
    letters = unicodedata.normalize("NFKD", mapped)
    return "".join(c if c.isascii() else "?" for c in letters if not unicodedata.combining(c))


LETTER_ROWS = 5

_LETTER_SHAPES = {
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


def big_text(text: str, glyphs: str, scale: int = 1) -> list[str]:
    """``text`` as ROWS * ``scale`` rows of equal length; a dot of a shape is 2 * ``scale`` columns wide.

    A character without a shape is left out.
    """
    rows = [""] * LETTER_ROWS
    for number, shape in enumerate(_LETTER_SHAPES[c].split() for c in text if c in _LETTER_SHAPES):
        gap = "  " * scale if number else ""
        for row, dots in enumerate(shape):
            rows[row] += gap + "".join((glyphs if dot == "#" else " ") * 2 * scale for dot in dots)
    return [row for row in rows for _ in range(scale)]
