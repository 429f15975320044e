"""What one picture shows of a board, or why it shows nothing; both can be written down and read back.

What a finder gets, the picture and a first guess, and what it hands on: numbered corners.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.exposure import Light, Pixels, Stretch, stretch_to_8_bits
from eyebolt.boards.roi import Window, part
from eyebolt.errors import InputFault
from eyebolt.geometry import Array

Reason = Literal["no-board", "dark", "burnt-out"]
_REASONS = ("no-board", "dark", "burnt-out")


@dataclass(frozen=True, eq=False)
class Sighting:
    """Corners of a board found in a picture.

    ``ids`` (K,) corner numbers of the board, rising; ``corners_px`` (K, 2) x right, y down, pixel centres at integers;
    ``picture_size_px`` (width, height). ``blur_px``: standard deviation of the blur across the board's edges, the
    median over the corners; about 0.5-0.8 in a sharp picture. ``half_turn_ambiguous``: the board looks the same after
    half a turn, so the numbers may all be those of the opposite end.
    """

    ids: NDArray[np.int64]
    corners_px: Array
    light: Light
    picture_size_px: tuple[int, int]
    blur_px: float
    half_turn_ambiguous: bool = False

    def __post_init__(self) -> None:
        ids = np.array(self.ids, dtype=np.int64)
        corners_px = np.array(self.corners_px, dtype=np.float64)
        if ids.ndim != 1 or corners_px.shape != (len(ids), 2) or not np.isfinite(corners_px).all():
            raise InputFault(
                "sighting-record",
                f"{ids.shape} corner numbers do not go with corner positions of shape {corners_px.shape}",
                "give one number and one finite (x, y) for each corner.",
            )
        ids.flags.writeable = False
        corners_px.flags.writeable = False
        object.__setattr__(self, "ids", ids)
        object.__setattr__(self, "corners_px", corners_px)
        object.__setattr__(self, "picture_size_px", tuple(int(v) for v in self.picture_size_px))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sighting) and self.to_json() == other.to_json()

    def __hash__(self) -> int:
        return hash((self.ids.tobytes(), self.corners_px.tobytes(), self.picture_size_px))

    def to_json(self) -> dict[str, Any]:
        """Plain numbers, lists and dicts at full precision; ``from_json`` gives the same sighting back."""
        return {
            "found": True,
            "ids": self.ids.tolist(),
            "corners_px": self.corners_px.tolist(),
            "light": self.light.to_json(),
            "picture_size_px": list(self.picture_size_px),
            "blur_px": float(self.blur_px),
            "half_turn_ambiguous": self.half_turn_ambiguous,
        }

    @classmethod
    def from_json(cls, record: Mapping[str, Any]) -> Sighting:
        """Raises InputFault ``sighting-record`` on a record that ``to_json`` cannot have written."""
        try:
            return cls(
                ids=np.array(record["ids"], dtype=np.int64),
                corners_px=np.array(record["corners_px"], dtype=np.float64).reshape(-1, 2),
                light=Light.from_json(record["light"]),
                picture_size_px=_size(record["picture_size_px"]),
                blur_px=float(record["blur_px"]),
                half_turn_ambiguous=bool(record["half_turn_ambiguous"]),
            )
        except (KeyError, TypeError, ValueError) as problem:
            raise _unreadable(problem) from problem


@dataclass(frozen=True)
class NoSighting:
    """No board in this picture. ``reason``: "dark" and "burnt-out" blame the light, "no-board" does not."""

    reason: Reason
    light: Light
    picture_size_px: tuple[int, int]

    def to_json(self) -> dict[str, Any]:
        """Plain values; ``from_json`` gives the same back."""
        return {
            "found": False,
            "reason": self.reason,
            "light": self.light.to_json(),
            "picture_size_px": list(self.picture_size_px),
        }

    @classmethod
    def from_json(cls, record: Mapping[str, Any]) -> NoSighting:
        """Raises InputFault ``sighting-record`` on a record that ``to_json`` cannot have written."""
        try:
            reason = record["reason"]
            if reason not in _REASONS:
                raise ValueError(f"reason {reason!r}")
            return cls(reason, Light.from_json(record["light"]), _size(record["picture_size_px"]))
        except (KeyError, TypeError, ValueError) as problem:
            raise _unreadable(problem) from problem


def sighting_from_json(record: Mapping[str, Any]) -> Sighting | NoSighting:
    """Whichever of the two ``record`` holds. Raises InputFault ``sighting-record``."""
    return Sighting.from_json(record) if record.get("found") else NoSighting.from_json(record)


def _size(value: Any) -> tuple[int, int]:
    width, height = value
    return int(width), int(height)


def _unreadable(problem: Exception) -> InputFault:
    return InputFault(
        "sighting-record",
        f"a stored sighting cannot be read: {problem!r}",
        "find the board again from the stored picture.",
    )


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
