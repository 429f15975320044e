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

from eyebolt.boards.exposure import ExposureStats, GrayImage, StretchTo8Bit, stretch_to_8_bit
from eyebolt.boards.roi import ImageRegion, crop
from eyebolt.errors import InputFault
from eyebolt.geometry import Array

NotFoundReason = Literal["no-board", "dark", "saturated"]
_NOT_FOUND_REASONS = ("no-board", "dark", "saturated")


@dataclass(frozen=True, eq=False)
class Detection:
    """Corners of a board found in a picture.

    ``ids`` (K,) corner numbers of the board, rising; ``corners_px`` (K, 2) x right, y down, pixel centres at integers;
    ``image_size_px`` (width, height). ``blur_px``: standard deviation of the blur across the board's edges, the
    median over the corners; about 0.5-0.8 in a sharp picture. ``half_turn_ambiguous``: the board looks the same after
    half a turn, so the numbers may all be those of the opposite end.
    """

    ids: NDArray[np.int64]
    corners_px: Array
    exposure: ExposureStats
    image_size_px: tuple[int, int]
    blur_px: float
    half_turn_ambiguous: bool = False

    def __post_init__(self) -> None:
        ids = np.array(self.ids, dtype=np.int64)
        corners_px = np.array(self.corners_px, dtype=np.float64)
        if ids.ndim != 1 or corners_px.shape != (len(ids), 2) or not np.isfinite(corners_px).all():
            raise InputFault(
                "detection-record",
                f"{ids.shape} corner numbers do not go with corner positions of shape {corners_px.shape}",
                "give one number and one finite (x, y) for each corner.",
            )
        ids.flags.writeable = False
        corners_px.flags.writeable = False
        object.__setattr__(self, "ids", ids)
        object.__setattr__(self, "corners_px", corners_px)
        object.__setattr__(self, "image_size_px", tuple(int(v) for v in self.image_size_px))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Detection) and self.to_json() == other.to_json()

    def __hash__(self) -> int:
        return hash((self.ids.tobytes(), self.corners_px.tobytes(), self.image_size_px))

    def to_json(self) -> dict[str, Any]:
        """Plain numbers, lists and dicts at full precision; ``from_json`` gives the same sighting back."""
        return {
            "found": True,
            "ids": self.ids.tolist(),
            "corners_px": self.corners_px.tolist(),
            "exposure": self.exposure.to_json(),
            "image_size_px": list(self.image_size_px),
            "blur_px": float(self.blur_px),
            "half_turn_ambiguous": self.half_turn_ambiguous,
        }

    @classmethod
    def from_json(cls, record: Mapping[str, Any]) -> Detection:
        """Raises InputFault ``detection-record`` on a record that ``to_json`` cannot have written."""
        try:
            return cls(
                ids=np.array(record["ids"], dtype=np.int64),
                corners_px=np.array(record["corners_px"], dtype=np.float64).reshape(-1, 2),
                exposure=ExposureStats.from_json(record["exposure"]),
                image_size_px=_size(record["image_size_px"]),
                blur_px=float(record["blur_px"]),
                half_turn_ambiguous=bool(record["half_turn_ambiguous"]),
            )
        except (KeyError, TypeError, ValueError) as problem:
            raise _unreadable(problem) from problem


@dataclass(frozen=True)
class NoDetection:
    """No board in this picture. ``reason``: "dark" and "burnt-out" blame the light, "no-board" does not."""

    reason: NotFoundReason
    exposure: ExposureStats
    image_size_px: tuple[int, int]

    def to_json(self) -> dict[str, Any]:
        """Plain values; ``from_json`` gives the same back."""
        return {
            "found": False,
            "reason": self.reason,
            "exposure": self.exposure.to_json(),
            "image_size_px": list(self.image_size_px),
        }

    @classmethod
    def from_json(cls, record: Mapping[str, Any]) -> NoDetection:
        """Raises InputFault ``detection-record`` on a record that ``to_json`` cannot have written."""
        try:
            reason = record["reason"]
            if reason not in _NOT_FOUND_REASONS:
                raise ValueError(f"reason {reason!r}")
            return cls(reason, ExposureStats.from_json(record["exposure"]), _size(record["image_size_px"]))
        except (KeyError, TypeError, ValueError) as problem:
            raise _unreadable(problem) from problem


def detection_from_json(record: Mapping[str, Any]) -> Detection | NoDetection:
    """Whichever of the two ``record`` holds. Raises InputFault ``detection-record``."""
    return Detection.from_json(record) if record.get("found") else NoDetection.from_json(record)


def _size(value: Any) -> tuple[int, int]:
    width, height = value
    return int(width), int(height)


def _unreadable(problem: Exception) -> InputFault:
    return InputFault(
        "detection-record",
        f"a stored sighting cannot be read: {problem!r}",
        "find the board again from the stored picture.",
    )


@dataclass(frozen=True)
class LocatedCorners:
    """``ids`` (K,) rising, ``corners_px`` (K, 2), median ``blur_px``; see Sighting."""

    ids: NDArray[np.int64]
    corners_px: Array
    blur_px: float
    half_turn_ambiguous: bool


class NumberedCorners(Protocol):
    """Numbered corners in pixels: a Sighting, or anything like it."""

    @property
    def ids(self) -> NDArray[np.int64]:
        """(K,) rising."""

    @property
    def corners_px(self) -> Array:
        """(K, 2)."""


@dataclass(frozen=True)
class SearchImage:
    """One picture to be searched: ``gray`` (H, W) as it came, for measuring; ``gray_8bit``, ``crop``: the same in 8 bits,
    for searching; ``near``: where the board was in a picture before this one, if that is known."""

    gray: GrayImage
    near: NumberedCorners | None = None

    @cached_property
    def gray_8bit(self) -> NDArray[np.uint8]:
        """All of the picture (H, W)."""
        return self._stretch(self.gray)

    def crop(self, low_px: Array, high_px: Array, factor: int) -> ImageRegion:
        """A part of it; see ``window.crop``. Quicker than to make ``gray_8bit`` if that is not needed anyway."""
        return crop(self.gray, low_px, high_px, factor, self._stretch)

    @cached_property
    def _stretch(self) -> StretchTo8Bit:
        return stretch_to_8_bit(self.gray)
