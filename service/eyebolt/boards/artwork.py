"""What is black on a board, as exact shapes: the one source of every drawing of a board."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Cells:
    """A rectangle of equal square cells, each black or white. Lengths in units of the board."""

    column: int
    """x of the unit square in which the rectangle begins."""
    row: int
    """y of the unit square in which the rectangle begins."""
    margin: float
    """Distance of the rectangle from the upper left corner of that unit square, along x and along y."""
    width: float
    """Width of the whole rectangle."""
    black: NDArray[np.bool_]
    """(rows, columns) of the cells."""

    def rectangles(self) -> Iterator[tuple[float, float, float, float]]:
        """x, y, width, height of each horizontal run of black cells, in units of the board."""
        rows, columns = self.black.shape
        side = self.width / columns
        for row in range(rows):
            edges = np.flatnonzero(np.diff(np.concatenate([[False], self.black[row], [False]]).astype(int)))
            for start, end in edges.reshape(-1, 2):
                x, y = self.column + self.margin + start * side, self.row + self.margin + row * side
                yield float(x), float(y), float((end - start) * side), side


@dataclass(frozen=True)
class Disc:
    """A black disc. Lengths in units of the board."""

    x: float
    """x of its centre."""
    y: float
    """y of its centre."""
    diameter: float
    """Its diameter."""


@dataclass(frozen=True, eq=False)
class Artwork:
    """Everything that is black on a board, in units of ``Board.pitch_m``, in the axes of the board."""

    low: tuple[float, float]
    """Smallest x and y of the board's outline."""
    high: tuple[float, float]
    """Largest x and y of the board's outline."""
    cells: tuple[Cells, ...] = ()
    """Squares and markers."""
    discs: tuple[Disc, ...] = ()
    """Circles."""


def marker_cells(bits: NDArray[np.uint8], squares_at: NDArray[np.intp], margin: float, ratio: float) -> list[Cells]:
    """Marker k of ``bits`` (M, n, n), 1 is white, in the unit square at row, column ``squares_at[k]``.

    A marker is ``ratio`` of its unit square wide and starts at ``margin`` of it.
    """
    return [
        Cells(int(column), int(row), margin, ratio, cells == 0)
        for cells, (row, column) in zip(bits, squares_at, strict=False)
    ]
