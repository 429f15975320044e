"""Where on the board the light is bad: the places are named as the camera sees them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

import cv2
import numpy as np

from eyebolt.boards import Board, Pixels, Sighting
from eyebolt.geometry import Array

_SAMPLES_PER_SIDE = 48
# Of the board's half width and height: the middle ninth of its area.
_MIDDLE = 1 / 3
# Of full scale: such a pixel carries no edge any more.
BURNT_LEVEL = 0.99
_BRIGHT_SHARE = 0.95
_FEWEST_SAMPLES = 20
_AROUND = ("right", "lower right", "lower edge", "lower left", "left", "upper left", "upper edge", "upper right")
_PLACES = ("middle", *_AROUND)
# Of the board's half width or height: bad light whose middle lies farther out than this lies to that side.
_OFF_CENTRE = 0.12
# Light that is about as bad everywhere has no place.
_EVEN = 1.5
ALL_OVER = "whole"


@dataclass(frozen=True)
class LightPlaces:
    """The most burnt part of the board and its darkest one, in words ("lower right", "middle", ... or "whole"), with
    the share of it that is burnt out and the level (0..1) of its white; ``burnt_of_all``: share of the board's whole
    face, also where no corner was found."""

    burnt_at: str
    burnt_fraction: float
    dark_at: str
    dark_level: float
    burnt_of_all: float

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return asdict(self)

    @classmethod
    def from_json(cls, record: Mapping[str, Any]) -> LightPlaces:
        """From ``to_json``."""
        return cls(**{field.name: record[field.name] for field in fields(cls)})


def light_places(gray: Pixels, seen: Sighting, board: Board) -> LightPlaces | None:
    """Looks at the face of the board in ``gray`` (H, W), where the seen corners put it; None if they cannot."""
    if len(seen.ids) < 4:
        return None
    corners_m = board.corners_m()[:, :2]
    picture_from_board, _ = cv2.findHomography(corners_m[seen.ids], seen.corners_px)
    if picture_from_board is None:
        return None
    # The area that the corners span, and half a square around it.
    half = np.ptp(corners_m, axis=0) / 2 + board.pitch_m / 2
    middle = (corners_m.min(axis=0) + corners_m.max(axis=0)) / 2
    steps = (np.arange(_SAMPLES_PER_SIDE) + 0.5) / _SAMPLES_PER_SIDE * 2 - 1
    offsets = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    where = cv2.perspectiveTransform((middle + half * offsets).reshape(-1, 1, 2), picture_from_board).reshape(-1, 2)
    centre = cv2.perspectiveTransform(middle.reshape(1, 1, 2), picture_from_board).reshape(2)
    pixels = np.round(where).astype(np.int64)
    height, width = gray.shape
    inside = ((pixels >= 0) & (pixels < [width, height])).all(axis=1)
    levels = gray[pixels[inside, 1], pixels[inside, 0]] / np.iinfo(gray.dtype).max
    from_centre_px = where[inside] - centre
    place = _place(offsets[inside], from_centre_px)
    rising = {k: np.sort(levels[place == k]) for k in range(len(_PLACES))}
    there = [k for k, of_place in rising.items() if len(of_place) >= _FEWEST_SAMPLES]
    if not there:
        return None
    is_burnt = levels >= BURNT_LEVEL
    burnt = max(float(np.mean(rising[k] >= BURNT_LEVEL)) for k in there)
    white = np.array([_reached(rising[k], _BRIGHT_SHARE) for k in there])
    return LightPlaces(
        _middle_of(offsets[inside][is_burnt], from_centre_px[is_burnt]),
        burnt,
        _PLACES[there[int(np.argmin(white))]] if _EVEN * white.min() < np.median(white) else ALL_OVER,
        float(white.min()),
        float(np.mean(is_burnt)),
    )


def _reached(rising: Array, share: float) -> float:
    """The level that this share (below 1) of ``rising`` (n,) stays below, between two of them in proportion."""
    place = share * (len(rising) - 1)
    low = int(place)
    return float(rising[low] + (place - low) * (rising[low + 1] - rising[low]))


def _middle_of(offsets: Array, from_centre_px: Array) -> str:
    """The place in the middle of these parts of the board: (n, 2) by the board's own measure and in the picture."""
    if not len(offsets) or np.linalg.norm(offsets.mean(axis=0)) < _OFF_CENTRE:
        compact = len(offsets) > 0 and float(np.abs(offsets).max(axis=1).mean()) < _MIDDLE
        return "middle" if compact else ALL_OVER
    across, down = from_centre_px.mean(axis=0)
    return _AROUND[round(float(np.arctan2(down, across)) / (np.pi / 4)) % 8]


def _place(offsets: Array, from_centre_px: Array) -> np.typing.NDArray[np.int64]:
    """Index into ``_PLACES`` (n,): in the middle by the board's own measure, around it by direction in the picture."""
    eighth = np.round(np.arctan2(from_centre_px[:, 1], from_centre_px[:, 0]) / (np.pi / 4)).astype(np.int64) % 8
    middle = np.abs(offsets).max(axis=1) < _MIDDLE
    out: np.typing.NDArray[np.int64] = np.where(middle, 0, 1 + eighth)
    return out
