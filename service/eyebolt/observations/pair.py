"""A pair: where the arm said it stood, and where the board's corners were in the picture taken there.

A board that lies still in the cell, pictured once, and its corners touched with a pointer on the flange.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eyebolt.geometry import Array


@dataclass(frozen=True)
class Pair:
    """One waypoint's evidence.

    ``index``: 0-based capture index in its session or file. ``base_T_flange`` (4, 4), metres, as reported, and
    ``fields``: the numbers that the controller wrote for it, if they are known. ``ids`` (K,) board corner numbers;
    ``corners_px`` (K, 2), pixel centres at integers.
    """

    index: int
    base_T_flange: Array
    ids: NDArray[np.int64]
    corners_px: Array
    fields: tuple[float, ...] | None = None


# A tip taught by turning it about a fixed point is good to some tenths of a millimetre. Where nobody says how good,
# half a millimetre: on the safe side of that, since an error of the tip's length goes one to one into a height.
DEFAULT_TIP_SIGMA_M = 0.5e-3


@dataclass(frozen=True)
class PointerTip:
    """The pointer's tip in the flange frame (3,), metres, and its standard deviation per axis.

    ``sigma_m`` stands for two errors of this size: the tip's own, the same at every touch, and that of setting it onto
    a corner, new at every touch.
    """

    position_m: Array
    sigma_m: float = DEFAULT_TIP_SIGMA_M


@dataclass(frozen=True)
class Touch:
    """The tip on corner ``corner`` (its number on the board) with the flange reported at ``base_T_flange`` (4, 4)."""

    corner: int
    base_T_flange: Array


@dataclass(frozen=True)
class PlacedBoard:
    """One picture of a board lying still, and the touches that followed it.

    ``index``: 0-based capture index. ``base_T_flange`` (4, 4), metres, as reported at the picture: needed with the
    camera on the arm, of no matter with a fixed one. ``ids`` (K,), ``corners_px`` (K, 2) as in a pair.
    """

    index: int
    base_T_flange: Array | None
    ids: NDArray[np.int64]
    corners_px: Array
    touches: tuple[Touch, ...] = ()
