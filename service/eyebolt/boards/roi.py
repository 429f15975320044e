"""A part of a picture at a scale of its own, and where its points lie in the whole picture."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.exposure import GrayImage, StretchTo8Bit
from eyebolt.geometry import Array


@dataclass(frozen=True)
class ImageRegion:
    """``image`` (h, w) in 8 bits; one of its pixels is ``scale`` pixels of the whole one, of which ``origin_px``
    (x, y) is the first one in it. Pixel centres at integers in both."""

    image: NDArray[np.uint8]
    scale: float
    origin_px: tuple[int, int] = (0, 0)

    def to_full_image(self, points: Array) -> Array:
        """Pixels (..., 2) of the whole picture."""
        out: Array = (points + 0.5) * self.scale - 0.5 + np.array(self.origin_px, dtype=float)
        return out

    def from_full_image(self, points_px: Array) -> Array:
        """Pixels (..., 2) of this window."""
        out: Array = (points_px - np.array(self.origin_px, dtype=float) + 0.5) / self.scale - 0.5
        return out


def downsampled(image: NDArray[np.uint8], factor: int) -> ImageRegion:
    """All of the picture, averaged over blocks of ``factor`` x ``factor`` pixels (what does not fill one is left)."""
    return crop(image, (0, 0), (image.shape[1], image.shape[0]), factor)


def crop(
    image: GrayImage,
    low_px: Array | tuple[int, int],
    high_px: Array | tuple[int, int],
    factor: int,
    to_8_bits: StretchTo8Bit = np.asarray,
) -> ImageRegion:
    """The part from ``low_px`` to ``high_px`` (x, y), as far as it lies in the picture, averaged over blocks.

    ``factor``: a power of two; halving again and again is what the library does fast. ``to_8_bits``: what makes pixels
    of this picture 8 bits deep, if they are not.
    """
    height, width = image.shape
    left, top = (int(np.clip(v, 0, size - factor)) for v, size in zip(low_px, (width, height), strict=True))
    right, bottom = (int(np.clip(v, 1, size)) for v, size in zip(high_px, (width, height), strict=True))
    columns, rows = max(1, (right - left) // factor), max(1, (bottom - top) // factor)
    cut = to_8_bits(image[top : top + rows * factor, left : left + columns * factor])
    for _ in range(factor.bit_length() - 1):
        half = (cut.shape[1] // 2, cut.shape[0] // 2)
        cut = np.asarray(cv2.resize(cut, half, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    return ImageRegion(np.ascontiguousarray(cut), float(factor), (left, top))


def pyramid_factor(ratio: float) -> int:
    """The largest power of two up to ``ratio``, at least 1."""
    return 1 << max(0, int(np.floor(np.log2(max(ratio, 1.0)))))


def upsampled(window: ImageRegion, factor: int) -> ImageRegion:
    """The same part with more pixels, for patterns too small for a search."""
    size = (window.image.shape[1] * factor, window.image.shape[0] * factor)
    larger = cv2.resize(window.image, size, interpolation=cv2.INTER_CUBIC)
    return ImageRegion(np.asarray(larger, dtype=np.uint8), window.scale / factor, window.origin_px)
