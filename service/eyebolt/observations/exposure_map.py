"""Where on the board the light is bad: the places are named as the camera sees them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

import cv2
import numpy as np

from eyebolt.boards import Board, Detection, GrayImage
from eyebolt.geometry import Array

_SAMPLES_PER_SIDE = 48
# Of the board's half width and height: the middle ninth of its area.
_MIDDLE_SHARE = 1 / 3
# Of full scale: such a pixel carries no edge any more.
SATURATION_LEVEL = 0.99
_BRIGHT_SHARE = 0.95
_MIN_SAMPLES = 20
_DIRECTIONS = ("right", "lower right", "lower edge", "lower left", "left", "upper left", "upper edge", "upper right")
_REGIONS = ("middle", *_DIRECTIONS)
# Of the board's half width or height: bad light whose middle lies farther out than this lies to that side.
_MIN_OFF_CENTRE = 0.12
# Light that is about as bad everywhere has no place.
_UNEVEN_RATIO = 1.5
WHOLE_BOARD = "whole"


@dataclass(frozen=True)
class ExposureMap:
    """The most burnt part of the board and its darkest one, in words ("lower right", "middle", ... or "whole"), with
    the share of it that is burnt out and the level (0..1) of its white; ``saturated_board_fraction``: share of the board's whole
    face, also where no corner was found."""

    saturated_region: str
    saturated_fraction: float
    darkest_region: str
    dark_level: float
    saturated_board_fraction: float

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return asdict(self)

    @classmethod
    def from_json(cls, record: Mapping[str, Any]) -> ExposureMap:
        """From ``to_json``."""
        return cls(**{field.name: record[field.name] for field in fields(cls)})


def measure_exposure_map(gray: GrayImage, detection: Detection, board: Board) -> ExposureMap | None:
    """Looks at the face of the board in ``gray`` (H, W), where the seen corners put it; None if they cannot."""
    if len(detection.ids) < 4:
        return None
    corners_m = board.corners_m()[:, :2]
    image_H_board, _ = cv2.findHomography(corners_m[detection.ids], detection.corners_px)
    if image_H_board is None:
        return None
    # The area that the corners span, and half a square around it.
    half = np.ptp(corners_m, axis=0) / 2 + board.pitch_m / 2
    middle = (corners_m.min(axis=0) + corners_m.max(axis=0)) / 2
    steps = (np.arange(_SAMPLES_PER_SIDE) + 0.5) / _SAMPLES_PER_SIDE * 2 - 1
    offsets = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    where = cv2.perspectiveTransform((middle + half * offsets).reshape(-1, 1, 2), image_H_board).reshape(-1, 2)
    centre = cv2.perspectiveTransform(middle.reshape(1, 1, 2), image_H_board).reshape(2)
    pixels = np.round(where).astype(np.int64)
    height, width = gray.shape
    inside = ((pixels >= 0) & (pixels < [width, height])).all(axis=1)
    levels = gray[pixels[inside, 1], pixels[inside, 0]] / np.iinfo(gray.dtype).max
    from_centre_px = where[inside] - centre
    region = _region_index(offsets[inside], from_centre_px)
    sorted_levels = {k: np.sort(levels[region == k]) for k in range(len(_REGIONS))}
    populated = [k for k, region_levels in sorted_levels.items() if len(region_levels) >= _MIN_SAMPLES]
    if not populated:
        return None
    is_saturated = levels >= SATURATION_LEVEL
    saturated = max(float(np.mean(sorted_levels[k] >= SATURATION_LEVEL)) for k in populated)
    white = np.array([_quantile(sorted_levels[k], _BRIGHT_SHARE) for k in populated])
    return ExposureMap(
        _centroid_region(offsets[inside][is_saturated], from_centre_px[is_saturated]),
        saturated,
        _REGIONS[populated[int(np.argmin(white))]] if _UNEVEN_RATIO * white.min() < np.median(white) else WHOLE_BOARD,
        float(white.min()),
        float(np.mean(is_saturated)),
    )


def _quantile(sorted_levels: Array, share: float) -> float:
    """The level that this share (below 1) of ``sorted_levels`` (n,) stays below, between two of them in proportion."""
    region = share * (len(sorted_levels) - 1)
    low = int(region)
    return float(sorted_levels[low] + (region - low) * (sorted_levels[low + 1] - sorted_levels[low]))


def _centroid_region(offsets: Array, from_centre_px: Array) -> str:
    """The place in the middle of these parts of the board: (n, 2) by the board's own measure and in the picture."""
    if not len(offsets) or np.linalg.norm(offsets.mean(axis=0)) < _MIN_OFF_CENTRE:
        compact = len(offsets) > 0 and float(np.abs(offsets).max(axis=1).mean()) < _MIDDLE_SHARE
        return "middle" if compact else WHOLE_BOARD
    across, down = from_centre_px.mean(axis=0)
    return _DIRECTIONS[round(float(np.arctan2(down, across)) / (np.pi / 4)) % 8]


def _region_index(offsets: Array, from_centre_px: Array) -> np.typing.NDArray[np.int64]:
    """Index into ``_REGIONS`` (n,): in the middle by the board's own measure, around it by direction in the picture."""
    eighth = np.round(np.arctan2(from_centre_px[:, 1], from_centre_px[:, 0]) / (np.pi / 4)).astype(np.int64) % 8
    middle = np.abs(offsets).max(axis=1) < _MIDDLE_SHARE
    out: np.typing.NDArray[np.int64] = np.where(middle, 0, 1 + eighth)
    return out
