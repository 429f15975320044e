"""What a finder gets, the picture and a first guess, and what it hands on: numbered corners."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from eyebolt.board.light import Pixels
from eyebolt.geometry.rigid import Array


@dataclass(frozen=True)
class Located:
    """``ids`` (K,) rising, ``corners_px`` (K, 2), median ``blur_px``; see Sighting."""

    ids: NDArray[np.int64]
    corners_px: Array
    blur_px: float
    half_turn_ambiguous: bool


class Corners(Protocol):
    """Numbered corners in pixels: a Sighting, or anything like it."""

    @property
    def ids(self) -> NDArray[np.int64]:
        """(K,) rising."""

    @property
    def corners_px(self) -> Array:
        """(K, 2)."""


@dataclass(frozen=True)
class Scene:
    """One picture to be searched: ``gray`` (H, W) as it came, for measuring; ``finder`` the same in 8 bits, for
    searching; ``near``: where the board was in a picture before this one, if that is known."""

    gray: Pixels
    finder: NDArray[np.uint8]
    near: Corners | None = None
