"""A pair: where the arm said it stood, and where the board's corners were in the picture taken there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eyebolt.geometry.rigid import Array


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
