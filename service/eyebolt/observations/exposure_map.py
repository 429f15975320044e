"""Where on the board the exposure is bad; regions are named by their direction in the image."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import cv2
import numpy as np

from eyebolt.boards import Board, Detection, GrayImage
from eyebolt.geometry import Array

_SAMPLES_PER_SIDE = 48
# Share of the board's half width and height: the middle ninth of its area.
_MIDDLE_SHARE = 1 / 3
SATURATION_LEVEL = 0.99
"""Share of full scale from which a pixel is saturated: no edge can be located in it."""
# The white of a region is this quantile of its levels: the brightest few may be reflections.
_BRIGHT_SHARE = 0.95
_MIN_SAMPLES = 20
# Share of the board's half width or height: a saturated area with its centroid further out lies to that side.
_MIN_OFF_CENTRE = 0.12
# White levels of the regions that differ by less are even exposure.
_UNEVEN_RATIO = 1.5


class Region(StrEnum):
    """A region of the board, named by its direction from the board's centre in the image."""

    WHOLE = "whole"
    """No region stands out."""
    MIDDLE = "middle"
    RIGHT = "right"
    LOWER_RIGHT = "lower right"
    LOWER_EDGE = "lower edge"
    LOWER_LEFT = "lower left"
    LEFT = "left"
    UPPER_LEFT = "upper left"
    UPPER_EDGE = "upper edge"
    UPPER_RIGHT = "upper right"

    @property
    def phrase(self) -> str:
        """The region in a sentence for an operator."""
        return "the whole board" if self is Region.WHOLE else f"the {self.value} of the board"


# Clockwise in the image from the right, 45 degrees each.
_DIRECTIONS = (
    Region.RIGHT,
    Region.LOWER_RIGHT,
    Region.LOWER_EDGE,
    Region.LOWER_LEFT,
    Region.LEFT,
    Region.UPPER_LEFT,
    Region.UPPER_EDGE,
    Region.UPPER_RIGHT,
)
_REGIONS = (Region.MIDDLE, *_DIRECTIONS)


@dataclass(frozen=True)
class ExposureMap:
    """Exposure over the face of the board, by region; also where no corner was found."""

    saturated_region: Region
    """Region around the centroid of the saturated area."""
    saturated_fraction: float
    """Saturated share of the region that is saturated most."""
    darkest_region: Region
    """Region with the darkest white; WHOLE if the regions differ little."""
    dark_level: float
    """White level of the darkest region, share of full scale."""
    saturated_board_fraction: float
    """Saturated share of the whole face of the board."""


def measure_exposure_map(gray: GrayImage, detection: Detection, board: Board) -> ExposureMap | None:
    """Exposure of the board's face in ``gray`` (H, W), located by the detected corners; None with fewer than four."""
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
        _REGIONS[populated[int(np.argmin(white))]] if _UNEVEN_RATIO * white.min() < np.median(white) else Region.WHOLE,
        float(white.min()),
        float(np.mean(is_saturated)),
    )


def _quantile(sorted_levels: Array, share: float) -> float:
    """Quantile ``share`` (below 1) of ``sorted_levels`` (n,), interpolated linearly."""
    position = share * (len(sorted_levels) - 1)
    low = int(position)
    return float(sorted_levels[low] + (position - low) * (sorted_levels[low + 1] - sorted_levels[low]))


def _centroid_region(offsets: Array, from_centre_px: Array) -> Region:
    """The region of the centroid of samples (n, 2), given in half widths of the board and in pixels of the image."""
    if not len(offsets) or np.linalg.norm(offsets.mean(axis=0)) < _MIN_OFF_CENTRE:
        compact = len(offsets) > 0 and float(np.abs(offsets).max(axis=1).mean()) < _MIDDLE_SHARE
        return Region.MIDDLE if compact else Region.WHOLE
    across, down = from_centre_px.mean(axis=0)
    return _DIRECTIONS[round(float(np.arctan2(down, across)) / (np.pi / 4)) % 8]


def _region_index(offsets: Array, from_centre_px: Array) -> np.typing.NDArray[np.int64]:
    """Index into ``_REGIONS`` (n,): the middle by the board's coordinates, around it by direction in the image."""
    eighth = np.round(np.arctan2(from_centre_px[:, 1], from_centre_px[:, 0]) / (np.pi / 4)).astype(np.int64) % 8
    middle = np.abs(offsets).max(axis=1) < _MIDDLE_SHARE
    out: np.typing.NDArray[np.int64] = np.where(middle, 0, 1 + eighth)
    return out
