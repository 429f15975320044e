"""Rows of terminal text of a given width: wrapping, truncation, bars, colour, and big type."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass

from rich.cells import cell_len, chop_cells, set_cell_size

from eyebolt.monitor.operator_prompt import Tone

# Colours of indicators after IEC 60073: green normal, yellow abnormal, red fault; cyan instead of blue (mandatory
# action), because blue on black is illegible at a distance.
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
    """One line of the screen."""

    text: str
    """Content, without escape codes; may be too long."""
    tone: Tone = Tone.PLAIN
    """Urgency, shown as colour."""


@dataclass(frozen=True)
class Glyphs:
    """Characters for drawing, one column each."""

    solid: str
    """Dot of a letter, filled part of a bar."""
    empty: str
    """Empty part of a bar."""
    rule: str
    """Horizontal rule."""

    @classmethod
    def blocks(cls) -> Glyphs:
        """For terminals with Unicode."""
        return cls("\u2588", "\u2591", "\u2500")

    @classmethod
    def ascii(cls) -> Glyphs:
        """For terminals limited to ASCII."""
        return cls("#", ".", "-")


def render_row(row: Row, width: int, colour: bool, ascii_only: bool) -> str:
    """The row truncated to ``width`` columns; in ASCII with ``ascii_only``, with escape codes with ``colour``."""
    text = _to_ascii(row.text) if ascii_only else row.text
    if cell_len(text) > width:
        text = set_cell_size(text, width)
    text = text.rstrip()
    code = _ANSI_STYLES[row.tone] if colour else ""
    return f"{code}{text}{_ANSI_RESET}" if code and text else text


def clause_that_fits(text: str, room: int) -> str:
    """The longest part of ``text`` up to the end of a clause that has at most ``room`` columns; "..." if none has."""
    if cell_len(text) <= room:
        return text
    ends = [i for i in range(1, len(text) - 1) if text[i] in ".;:," and text[i + 1] == " " and text[i - 1] != "."]
    fitting = [i for i in ends if cell_len(text[:i]) <= room]
    # A comma may stand within a list.
    for marks in (".;:", ","):
        for end in reversed(fitting):
            if text[end] in marks:
                return text[:end]
    return wrap(text, max(room, 1), 1)[0]


def wrap(text: str, width: int, max_lines: int | None = None, indent: int = 0) -> list[str]:
    """``text`` broken at spaces into lines of ``width`` columns, at most ``max_lines``; "..." marks a truncated text.

    Lines after the first are indented by ``indent`` columns. The first ``indent`` columns of the text are kept as is.
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
    if max_lines is not None and len(lines) > max_lines:
        lines = lines[:max_lines]
        lines[-1] = set_cell_size(lines[-1], max(min(cell_len(lines[-1]), room - 3), 0)).rstrip() + "..."[:room]
    return [(lead if number == 0 else " " * indent) + line for number, line in enumerate(lines)]


def command_lines(command: str, width: int) -> list[str]:
    """A command to copy, over lines of ``width`` columns from the left edge.

    A line that goes on ends with a backslash, by which a shell joins it to the next; names in a path are not broken
    unless one is wider than the screen.
    """
    lines = []
    while cell_len(command) > width > 2:
        end = len(set_cell_size(command, width - 1).rstrip())
        for cut in (command.rfind("/", 0, end) + 1, command.rfind(" ", 0, end) + 1):
            if cut > 1:
                end = cut
                break
        else:
            end -= command[end - 1] == "\\"
        lines.append(command[:end] + "\\")
        command = command[end:]
    return [*lines, command] if command else lines


def justify(parts: list[str], width: int) -> str:
    """``parts`` spread over ``width`` columns, at least two columns apart; may be longer than ``width``."""
    gaps = len(parts) - 1
    if gaps < 1:
        return "".join(parts)
    spare = max(width - sum(cell_len(part) for part in parts), 2 * gaps)
    line = parts[0]
    for number, part in enumerate(parts[1:]):
        line += " " * (spare // gaps + (number < spare % gaps)) + part
    return line


def progress_bar(name: str, fraction: float, words: str, length: int, label: int, glyphs: Glyphs, tone: Tone) -> Row:
    """A bar of ``length`` columns for ``fraction`` 0 to 1, ``name`` in ``label`` columns before it, ``words`` after it.

    It is full at 1 only: rounding must not show a goal as reached. Below five columns the bar is left out.
    """
    if length < 5:
        return Row(f"{name:<{label}}{words}", tone)
    full = length if fraction >= 1 else min(int(fraction * length), length - 1)
    return Row(f"{name:<{label}}[{glyphs.solid * full}{glyphs.empty * (length - full)}] {words}", tone)


def _to_ascii(text: str) -> str:
    mapped = "".join(_ASCII_EQUIVALENTS.get(c, c) for c in text)
    letters = unicodedata.normalize("NFKD", mapped)
    return "".join(c if c.isascii() else "?" for c in letters if not unicodedata.combining(c))


# Only the characters of the headlines and of the counter.
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
    "B": "##. #.# ##. #.# ##.",
    "C": "### #.. #.. #.. ###",
    "D": "##. #.# #.# #.# ##.",
    "E": "### #.. ##. #.. ###",
    "F": "### #.. ##. #.. #..",
    "G": "#### #... #.## #..# ####",
    "H": "#.# #.# ### #.# #.#",
    "I": "# # # # #",
    "L": "#.. #.. #.. #.. ###",
    "M": "#...# ##.## #.#.# #...# #...#",
    "N": "#..# ##.# #.## #..# #..#",
    "O": "### #.# #.# #.# ###",
    "P": "### #.# ### #.. #..",
    "R": "### #.# ##. #.# #.#",
    "S": "### #.. ### ..# ###",
    "T": "### .#. .#. .#. .#.",
    "V": "#.# #.# #.# #.# .#.",
    "W": "#...# #...# #.#.# ##.## #...#",
    "X": "#.# #.# .#. #.# #.#",
    "Y": "#.# #.# ### .#. .#.",
}


def big_text(text: str, solid: str, scale: int = 1) -> list[str]:
    """``text`` as ``LETTER_ROWS`` * ``scale`` rows of equal length; a dot is 2 * ``scale`` columns wide.

    Characters without a shape are left out.
    """
    rows = [""] * LETTER_ROWS
    for number, shape in enumerate(_LETTER_SHAPES[c].split() for c in text if c in _LETTER_SHAPES):
        gap = "  " * scale if number else ""
        for row, dots in enumerate(shape):
            rows[row] += gap + "".join((solid if dot == "#" else " ") * 2 * scale for dot in dots)
    return [row for row in rows for _ in range(scale)]
