"""How light a picture is, in fractions of full scale, and whether that explains why nothing was found."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.errors import InputFault
from eyebolt.geometry import Array

GrayImage = NDArray[np.uint8] | NDArray[np.uint16]
StretchTo8Bit = Callable[[GrayImage], NDArray[np.uint8]]

_DARK_PERCENTILE, _BRIGHT_PERCENTILE = 5.0, 95.0
# A pixel within 1 % of either end of the scale carries no edge any more.
_CLIPPING_MARGIN = 0.01
_SAMPLES = 40_000
# By bytes a pixel.
_FULL_SCALE = {1: 255, 2: 65535}
# Below this, what should be white drowns in the steps and the noise of an 8-bit camera.
_MIN_BRIGHT_LEVEL = 0.10
_MAX_SATURATED_FRACTION = 0.30
# Noise of the stretched picture, in its levels.
_MAX_NOISE_LEVELS = 1.75


@dataclass(frozen=True)
class ExposureStats:
    """Levels as fractions 0..1 of full scale, over the board's area if it was found, else over the whole picture.

    ``dark_level`` and ``bright_level``: 5th and 95th percentile. ``saturated_fraction`` and ``black_fraction``: shares of
    pixels within 1 % of the upper and lower end of the scale. ``contrast``: (bright - dark) / (bright + dark), which
    does not change with exposure.
    """

    dark_level: float
    bright_level: float
    saturated_fraction: float
    black_fraction: float
    contrast: float

    def to_json(self) -> dict[str, float]:
        """Plain numbers; ``from_json`` gives the same light back."""
        return asdict(self)

    @classmethod
    def from_json(cls, record: Mapping[str, Any]) -> ExposureStats:
        """Raises InputFault ``detection-record`` if a field is missing or no number."""
        try:
            return cls(**{field.name: float(record[field.name]) for field in fields(cls)})
        except (KeyError, TypeError, ValueError) as problem:
            raise InputFault(
                "detection-record",
                f"the light measurements in a stored sighting cannot be read: {problem!r}",
                "find the board again from the stored picture.",
            ) from problem


def measure_exposure(gray: GrayImage, board_outline_px: Array | None) -> ExposureStats:
    """Light of ``gray`` (H, W) within the convex hull of the corners ``board_outline_px`` (K, 2), or of all of it."""
    full_scale = _FULL_SCALE[gray.itemsize]
    histogram = _histogram(_sample(gray)) if board_outline_px is None else _histogram_in_hull(gray, board_outline_px)
    levels = np.arange(len(histogram)) / full_scale
    dark, bright = _percentiles(histogram, (_DARK_PERCENTILE, _BRIGHT_PERCENTILE)) / full_scale
    return ExposureStats(
        dark_level=float(dark),
        bright_level=float(bright),
        saturated_fraction=float(histogram[levels >= 1 - _CLIPPING_MARGIN].sum() / histogram.sum()),
        black_fraction=float(histogram[levels <= _CLIPPING_MARGIN].sum() / histogram.sum()),
        contrast=float((bright - dark) / (bright + dark)) if bright > 0 else 0.0,
    )


def _percentiles(histogram: NDArray[np.int64], percents: tuple[float, ...]) -> Array:
    """Percentiles of the levels 0, 1, 2, ... that occur ``histogram`` times, interpolated as NumPy does."""
    cumulative = histogram.cumsum()
    place = np.array(percents) * ((cumulative[-1] - 1) / 100)
    whole = np.floor(place)
    lower, upper = cumulative.searchsorted((whole, np.ceil(place)), side="right")
    out: Array = lower + (place - whole) * (upper - lower)
    return out


def not_found_reason(exposure: ExposureStats) -> Literal["no-board", "dark", "saturated"]:
    """The likeliest reason for not finding a board in a picture with this light."""
    if exposure.bright_level < _MIN_BRIGHT_LEVEL:
        return "dark"
    if exposure.saturated_fraction > _MAX_SATURATED_FRACTION:
        return "saturated"
    return "no-board"


def stretch_to_8_bit(gray: GrayImage) -> StretchTo8Bit:
    """What makes a picture like ``gray`` or a part of it fit for the finders, whose thresholds expect 8 bits in use:
    levels spread out if they fill too few.

    Positions do not change; the corners themselves are measured on the original values.
    """
    full_scale = float(_FULL_SCALE[gray.itemsize])
    histogram = _histogram(_sample(gray, _SAMPLES // 4))
    low, high = (float(v) for v in _percentiles(histogram, (0.5, 99.5)))
    if high - low >= 0.4 * full_scale:
        if gray.dtype == np.uint8:
            return lambda pixels: pixels.astype(np.uint8, copy=False)
        low, high = 0.0, full_scale
    # Never more than 40-fold, nor so much that noise passes for a pattern: the thresholds of the finders are 7 levels.
    least = 255.0 / full_scale
    gain = min(255.0 / max(high - low, 1e-9), 40 * least, max(least, _MAX_NOISE_LEVELS / _noise(gray)))
    table = np.clip((np.arange(int(full_scale) + 1) - low) * gain, 0, 255).astype(np.uint8)
    if gray.dtype == np.uint8:
        return lambda pixels: np.asarray(cv2.LUT(pixels, table), dtype=np.uint8)
    return lambda pixels: np.asarray(table[pixels], dtype=np.uint8)


def _noise(gray: GrayImage) -> float:
    """Standard deviation of the noise in levels, from neighbours in a row: most of them show the same surface."""
    stride = max(1, int(np.sqrt(gray.size / _SAMPLES)))
    left, right = gray[::stride, :-1:stride].astype(np.int32), gray[::stride, 1::stride].astype(np.int32)
    # The median of |difference| is 0.67 * sqrt(2) standard deviations; rounding alone leaves 0.3 levels.
    return max(float(np.median(np.abs(left - right))) / 0.954, 0.3)


def _sample(gray: GrayImage, about: int = _SAMPLES) -> GrayImage:
    stride = max(1, int(np.sqrt(gray.size / about)))
    return _subsampled(gray, stride)


def _subsampled(image: NDArray[Any], stride: int) -> GrayImage:
    out: GrayImage = np.ascontiguousarray(image[::stride, ::stride])
    return out


def _histogram(image: GrayImage, mask: NDArray[np.uint8] | None = None) -> NDArray[np.int64]:
    """How often each level occurs in ``image`` (H, W), or where ``mask`` is not 0."""
    levels = _FULL_SCALE[image.itemsize] + 1
    return np.asarray(cv2.calcHist([image], [0], mask, [levels], [0, levels]), dtype=np.int64).ravel()


def _histogram_in_hull(gray: GrayImage, board_outline_px: Array) -> NDArray[np.int64]:
    height, width = gray.shape
    low = np.clip(np.floor(board_outline_px.min(axis=0)).astype(int), 0, (width - 1, height - 1))
    high = np.clip(np.ceil(board_outline_px.max(axis=0)).astype(int) + 1, low + 1, (width, height))
    part = gray[low[1] : high[1], low[0] : high[0]]
    stride = max(1, int(np.sqrt(part.size / _SAMPLES)))
    part = _subsampled(part, stride)
    mask = np.zeros(part.shape, np.uint8)
    outline = np.round((board_outline_px - low) / stride).astype(np.int32)
    cv2.fillConvexPoly(mask, cv2.convexHull(outline.reshape(-1, 1, 2)), 1)
    histogram = _histogram(part, mask)
    return histogram if histogram.any() else _histogram(part)
