"""Digits and a few capitals drawn five rows high, to be read from across the hall."""

from __future__ import annotations

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
