"""The corners of a board detected in one image, or the reason why there are none; as values and as JSON records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from eyebolt.boards.exposure import ExposureStats, NotFoundReason
from eyebolt.errors import InputFault
from eyebolt.geometry import Array


@dataclass(frozen=True, eq=False)
class Detection:
    """Numbered corners of a board, detected in one image. Its arrays are read-only copies.

    Raises InputFault ``detection-record`` if numbers and positions do not match or a position is not finite.
    """

    ids: NDArray[np.int64]
    """(K,), corner numbers of the board, ascending."""
    corners_px: Array
    """(K, 2), x right and y down, pixels, pixel centres at integers."""
    exposure: ExposureStats
    """Exposure within the convex hull of the corners."""
    image_size_px: tuple[int, int]
    """(width, height) of the image."""
    blur_px: float
    """Standard deviation of the blur across the edges, px, median over the corners; 0.5 to 0.8 in a sharp image."""
    half_turn_ambiguous: bool = False
    """Whether the board looks the same after half a turn: all numbers may be those counted from its opposite end."""

    def __post_init__(self) -> None:
        ids = np.array(self.ids, dtype=np.int64)
        corners_px = np.array(self.corners_px, dtype=np.float64)
        if ids.ndim != 1 or corners_px.shape != (len(ids), 2) or not np.isfinite(corners_px).all():
            raise InputFault(
                "detection-record",
                f"corner numbers of shape {ids.shape} do not match corner positions of shape {corners_px.shape}",
                "give one number and one finite position (x, y) for each corner.",
            )
        ids.flags.writeable = False
        corners_px.flags.writeable = False
        object.__setattr__(self, "ids", ids)
        object.__setattr__(self, "corners_px", corners_px)
        object.__setattr__(self, "image_size_px", tuple(int(v) for v in self.image_size_px))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Detection) and self._key() == other._key()

    def __hash__(self) -> int:
        return hash(self._key())

    def _key(self) -> tuple[object, ...]:
        arrays = self.ids.tobytes(), self.corners_px.tobytes()
        return (*arrays, self.exposure, self.image_size_px, self.blur_px, self.half_turn_ambiguous)

    def to_record(self) -> DetectionRecord:
        """The JSON form; numbers survive to the last bit."""
        return DetectionRecord(
            ids=self.ids.tolist(),
            corners_px=self.corners_px.tolist(),
            exposure=self.exposure,
            image_size_px=self.image_size_px,
            blur_px=float(self.blur_px),
            half_turn_ambiguous=self.half_turn_ambiguous,
        )


class MarkerLayout(StrEnum):
    """How the markers that are seen differ from those of the stated board."""

    DICTIONARY = "dictionary"
    """They are of another dictionary, or the stated board has none."""
    SWAPPED = "swapped"
    """Their numbers run as on the stated board with columns and rows swapped."""
    COLUMNS = "columns"
    """Their numbers run as on a board with another number of columns."""
    CORNER_ORDER = "corner-order"
    """Their numbers run as with the other ``corner_order``."""
    MORE = "more"
    """They are laid out as stated, but the board has more of them."""
    OTHER = "other"
    """They are of the stated dictionary, and laid out in no way that was tried."""
    MIRRORED = "mirrored"
    """They can be read in the mirrored image only."""


@dataclass(frozen=True)
class OtherMarkers:
    """Markers that are not those of the stated board."""

    layout: MarkerLayout
    """How they differ."""
    dictionary: str
    """Their dictionary: the smallest of its family that has them all."""
    count: int
    """Number of markers that were read."""
    lowest_id: int
    """Smallest number among them."""
    highest_id: int
    """Largest number among them."""
    columns: int | None = None
    """Columns of the board as their numbers run; None where that is unknown."""


@dataclass(frozen=True)
class NoDetection:
    """No board was detected in one image."""

    reason: NotFoundReason
    """"dark" and "saturated": the exposure is the likely cause; "no-board": it is not."""
    exposure: ExposureStats
    """Exposure of the whole image."""
    image_size_px: tuple[int, int]
    """(width, height) of the image."""
    markers: OtherMarkers | None = None
    """Markers of another board; None if none are seen."""

    def to_record(self) -> NoDetectionRecord:
        """The JSON form."""
        return NoDetectionRecord(
            reason=self.reason, exposure=self.exposure, image_size_px=self.image_size_px, markers=self.markers
        )


class DetectionRecord(BaseModel):
    """A Detection in JSON."""

    model_config = ConfigDict(frozen=True)

    found: Literal[True] = True
    """Distinguishes this record from NoDetectionRecord."""
    ids: list[Annotated[int, Field(ge=0, lt=2**31)]]
    """K corner numbers, ascending."""
    corners_px: list[tuple[float, float]]
    """K positions (x, y), px."""
    exposure: ExposureStats
    """Exposure within the convex hull of the corners."""
    image_size_px: tuple[int, int]
    """(width, height) of the image."""
    blur_px: float
    """Median blur across the edges, px."""
    half_turn_ambiguous: bool
    """Whether the numbers may be counted from the opposite end of the board."""

    def to_detection(self) -> Detection:
        """The value. Raises InputFault ``detection-record`` if numbers and positions do not match."""
        return Detection(
            np.array(self.ids, dtype=np.int64),
            np.array(self.corners_px, dtype=np.float64).reshape(-1, 2),
            self.exposure,
            self.image_size_px,
            self.blur_px,
            self.half_turn_ambiguous,
        )


class NoDetectionRecord(BaseModel):
    """A NoDetection in JSON."""

    model_config = ConfigDict(frozen=True)

    found: Literal[False] = False
    """Distinguishes this record from DetectionRecord."""
    reason: NotFoundReason
    """"dark", "saturated" or "no-board"."""
    exposure: ExposureStats
    """Exposure of the whole image."""
    image_size_px: tuple[int, int]
    """(width, height) of the image."""
    markers: OtherMarkers | None = None
    """Markers of another board; null if none are seen."""

    def to_detection(self) -> NoDetection:
        """The value."""
        return NoDetection(self.reason, self.exposure, self.image_size_px, self.markers)


AnyDetectionRecord = Annotated[DetectionRecord | NoDetectionRecord, Field(discriminator="found")]
"""Field type for records that hold either of the two."""

_RECORDS: TypeAdapter[DetectionRecord | NoDetectionRecord] = TypeAdapter(AnyDetectionRecord)


def parse_detection(record: Mapping[str, object]) -> Detection | NoDetection:
    """The value of a JSON object written from ``to_record``. Raises InputFault ``detection-record``."""
    try:
        return _RECORDS.validate_python(record).to_detection()
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        key = ".".join(str(part) for part in first["loc"][1:]) or "found"
        raise InputFault(
            "detection-record",
            f"the record of a detection cannot be read: {key}: {first['msg']}",
            "detect the board again in the stored image.",
        ) from error
