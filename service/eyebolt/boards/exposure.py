"""Brightness, contrast and clipping of an image, and its contrast stretch for the search."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.geometry import Array

GrayImage = NDArray[np.uint8] | NDArray[np.uint16]
"""(H, W) grey levels that fill the range of their type."""

NotFoundReason = Literal["no-board", "dark", "saturated"]
"""Why no board was detected: "dark" and "saturated" blame the exposure, "no-board" does not."""

# Below this fraction of full scale, the bright squares drown in the quantisation and the noise of an 8-bit camera.
DARK_IMAGE_LEVEL = 0.10
# Above this share of saturated pixels, glare is the likelier reason for a missing board than its absence.
SATURATED_IMAGE_FRACTION = 0.30

_DARK_PERCENTILE, _BRIGHT_PERCENTILE = 5.0, 95.0
# A pixel within 1 % of either end of the scale carries no edge any more.
_CLIPPING_MARGIN = 0.01
# Number of pixels sampled for a measurement of the whole image; percentiles are then good to a fraction of a level.
_SAMPLES = 40_000
# Full scale by bytes per pixel.
_FULL_SCALE = {1: 255, 2: 65535}
# Standard deviation, in 8-bit levels, that the noise of a stretched image may reach: the adaptive thresholds of the
# search react to differences of 7 levels.
_MAX_NOISE_LEVELS = 1.75
# A range of at least this share of full scale needs no stretch.
_SUFFICIENT_RANGE = 0.4
_MAX_GAIN = 40
# Depths of sensors whose values are delivered in 16 bits, often without being shifted up.
_NARROWER_BITS = (10, 12, 14)


@dataclass(frozen=True)
class ExposureStats:
    """Grey levels within the convex hull of the detected corners; of the whole image if no board was detected."""

    dark_level: float
    """5th percentile of the grey levels, 0..1 of full scale."""
    bright_level: float
    """95th percentile of the grey levels, 0..1 of full scale."""
    saturated_fraction: float
    """Share of pixels within 1 % of the upper end of the scale, 0..1."""
    black_fraction: float
    """Share of pixels within 1 % of the lower end of the scale, 0..1."""
    contrast: float
    """Michelson contrast (bright - dark) / (bright + dark), independent of exposure, 0..1."""
    largest_value: int | None = None
    """Largest value in the whole image, where it has 16 bits per value and needs no more than 14; else None."""

    @property
    def narrower_bits(self) -> int | None:
        """Bits that hold all values of a 16-bit image: 10, 12 or 14 where that is enough; else None."""
        if self.largest_value is None:
            return None
        return next((bits for bits in _NARROWER_BITS if self.largest_value < 1 << bits), None)


def measure_exposure(gray: GrayImage, board_outline_px: Array | None) -> ExposureStats:
    """Exposure of ``gray`` (H, W) within the convex hull of ``board_outline_px`` (K, 2); None: of the whole image."""
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
        largest_value=_largest_narrow_value(gray),
    )


def _largest_narrow_value(gray: GrayImage) -> int | None:
    largest = int(gray.max()) if gray.dtype == np.uint16 else None
    return largest if largest is not None and largest < 1 << _NARROWER_BITS[-1] else None


def _percentiles(histogram: NDArray[np.int64], percents: tuple[float, ...]) -> Array:
    """Percentiles of the levels 0, 1, 2, ... with frequencies ``histogram``, interpolated linearly as NumPy does."""
    cumulative = histogram.cumsum()
    place = np.array(percents) * ((cumulative[-1] - 1) / 100)
    whole = np.floor(place)
    lower, upper = cumulative.searchsorted((whole, np.ceil(place)), side="right")
    out: Array = lower + (place - whole) * (upper - lower)
    return out


def not_found_reason(exposure: ExposureStats) -> NotFoundReason:
    """The likeliest reason for detecting no board in an image of this exposure."""
    if exposure.bright_level < DARK_IMAGE_LEVEL:
        return "dark"
    if exposure.saturated_fraction > SATURATED_IMAGE_FRACTION:
        return "saturated"
    return "no-board"


def stretch_to_8_bit(gray: GrayImage) -> NDArray[np.uint8]:
    """``gray`` (H, W) with 8 bits a pixel; levels are spread linearly where the image uses less than 40 % of them.

    The thresholds of the search expect an image that uses its 8 bits. Positions do not change; corners are measured
    on the original values.
    """
    full_scale = float(_FULL_SCALE[gray.itemsize])
    histogram = _histogram(_sample(gray, _SAMPLES // 4))
    low, high = (float(v) for v in _percentiles(histogram, (0.5, 99.5)))
    if high - low >= _SUFFICIENT_RANGE * full_scale:
        if gray.dtype == np.uint8:
            return gray.astype(np.uint8, copy=False)
        low, high = 0.0, full_scale
    unit_gain = 255.0 / full_scale
    gain = min(255.0 / max(high - low, 1e-9), _MAX_GAIN * unit_gain, max(unit_gain, _MAX_NOISE_LEVELS / _noise(gray)))
    table = np.clip((np.arange(int(full_scale) + 1) - low) * gain, 0, 255).astype(np.uint8)
    if gray.dtype == np.uint8:
        return np.asarray(cv2.LUT(gray, table), dtype=np.uint8)
    return np.asarray(table[gray], dtype=np.uint8)


def _noise(gray: GrayImage) -> float:
    """Standard deviation of the noise in levels, from horizontal neighbours: most of them show the same surface."""
    stride = max(1, int(np.sqrt(gray.size / _SAMPLES)))
    left, right = gray[::stride, :-1:stride].astype(np.int32), gray[::stride, 1::stride].astype(np.int32)
    # The median of |difference| is 0.6745 * sqrt(2) = 0.954 standard deviations; quantisation alone is 0.3 levels
    # (1 / sqrt(12)).
    return max(float(np.median(np.abs(left - right))) / 0.954, 0.3)


def _sample(gray: GrayImage, about: int = _SAMPLES) -> GrayImage:
    stride = max(1, int(np.sqrt(gray.size / about)))
    return _subsampled(gray, stride)


def _subsampled(image: NDArray[Any], stride: int) -> GrayImage:
    out: GrayImage = np.ascontiguousarray(image[::stride, ::stride])
    return out


def _histogram(image: GrayImage, mask: NDArray[np.uint8] | None = None) -> NDArray[np.int64]:
    """Frequency of each level in ``image`` (H, W), where ``mask`` is not 0."""
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
