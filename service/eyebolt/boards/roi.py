"""The image prepared for the search: 8 bits, cropped and scaled, with coordinates back in the full image."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.exposure import GrayImage, stretch_to_8_bit
from eyebolt.geometry import Array


@dataclass(frozen=True)
class SearchImage:
    """One image in the two forms that detection needs: searched in 8 bits, measured at its own depth."""

    gray: GrayImage
    """(H, W), as delivered by the camera; corners are measured on these values."""
    is_quick: bool = False
    """Whether only the quickest search of the board's kind is run, on the most reduced image."""

    @cached_property
    def gray_8bit(self) -> NDArray[np.uint8]:
        """(H, W), contrast stretched where the image uses few of its levels; for searching only."""
        return stretch_to_8_bit(self.gray)


@dataclass(frozen=True)
class ImageRegion:
    """A rectangle of the full image at its own scale."""

    image: NDArray[np.uint8]
    """(h, w): the pixels of the region."""
    scale: float
    """Full-image pixels per pixel of ``image``; below 1 for an enlarged region."""
    origin_px: tuple[int, int] = (0, 0)
    """(x, y), first full-image pixel inside the region; pixel centres are at integers in both images."""

    def to_full_image(self, points: Array) -> Array:
        """Full-image pixels (..., 2) of points (..., 2) in pixels of this region."""
        out: Array = (points + 0.5) * self.scale - 0.5 + np.array(self.origin_px, dtype=float)
        return out


def downsampled(image: NDArray[np.uint8], factor: int) -> ImageRegion:
    """The whole image averaged over blocks of ``factor`` x ``factor`` pixels; an incomplete last block is dropped."""
    return crop(image, (0, 0), (image.shape[1], image.shape[0]), factor)


def crop(
    image: NDArray[np.uint8], low_px: Array | tuple[int, int], high_px: Array | tuple[int, int], factor: int
) -> ImageRegion:
    """The rectangle from ``low_px`` to ``high_px`` (x, y), clipped to the image and averaged over blocks.

    ``factor`` must be a power of two: the image is halved repeatedly, which OpenCV does fastest.
    """
    height, width = image.shape
    left, top = (int(np.clip(v, 0, size - factor)) for v, size in zip(low_px, (width, height), strict=True))
    right, bottom = (int(np.clip(v, 1, size)) for v, size in zip(high_px, (width, height), strict=True))
    columns, rows = max(1, (right - left) // factor), max(1, (bottom - top) // factor)
    cut = image[top : top + rows * factor, left : left + columns * factor]
    for _ in range(factor.bit_length() - 1):
        half = (cut.shape[1] // 2, cut.shape[0] // 2)
        cut = np.asarray(cv2.resize(cut, half, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    return ImageRegion(np.ascontiguousarray(cut), float(factor), (left, top))


def pyramid_factor(ratio: float) -> int:
    """The largest power of two not above ``ratio``, at least 1."""
    return 1 << max(0, int(np.floor(np.log2(max(ratio, 1.0)))))


def upsampled(region: ImageRegion, factor: int) -> ImageRegion:
    """The same region with ``factor`` times the pixels per side, for markers too small for the search."""
    size = (region.image.shape[1] * factor, region.image.shape[0] * factor)
    larger = cv2.resize(region.image, size, interpolation=cv2.INTER_CUBIC)
    return ImageRegion(np.asarray(larger, dtype=np.uint8), region.scale / factor, region.origin_px)
