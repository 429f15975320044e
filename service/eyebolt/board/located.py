"""What a finder gets, the picture and a first guess, and what it hands on: numbered corners."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from eyebolt.board.light import Pixels, Stretch, stretch_to_8_bits
from eyebolt.board.window import Window, part
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
    """One picture to be searched: ``gray`` (H, W) as it came, for measuring; ``finder``, ``part``: the same in 8 bits,
    for searching; ``near``: where the board was in a picture before this one, if that is known."""

    gray: Pixels
    near: Corners | None = None

    @cached_property
    def finder(self) -> NDArray[np.uint8]:
        """All of the picture (H, W)."""
        return self._stretch(self.gray)

    def part(self, low_px: Array, high_px: Array, factor: int) -> Window:
        """A part of it; see ``window.part``. Quicker than to make ``finder`` if that is not needed anyway."""
        return part(self.gray, low_px, high_px, factor, self._stretch)

    @cached_property
    def _stretch(self) -> Stretch:
        return stretch_to_8_bits(self.gray)
