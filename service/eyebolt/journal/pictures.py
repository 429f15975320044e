"""Pictures <-> bytes, without loss; the end of a file's name says its format.

New pictures are plain TIFF (see ``tiff``): at 2448 x 2048, 8 bits, two cores, 3 ms and 5.0 MB. Sessions of earlier
versions hold PNG (level 1, "up" filter, run-length strategy: 130 ms and 2.2 MB), which is read for ever.
``python tests/bench/capture --formats`` measures both and others.
"""

from __future__ import annotations

import struct
import zlib
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.journal.tiff import pixels_of_tiff, tiff_of

Pixels = NDArray[np.uint8] | NDArray[np.uint16]

TIFF, PNG = ".tif", ".png"
SUFFIXES = (TIFF, PNG)
"""Formats by the end of a file's name; new pictures take the first."""

_SIGNATURE = b"\x89PNG\r\n\x1a\n"


def file_of(pixels: Pixels, suffix: str = TIFF) -> bytes:
    """A file of pixels (H, W) or (H, W, 3: blue, green, red), uint8 or uint16, in the format of ``suffix``.

    Raises ValueError on other pixels.
    """
    array: NDArray[Any] = np.asarray(pixels)
    shape_fits = array.ndim == 2 or (array.ndim == 3 and array.shape[2] == 3)
    if array.dtype not in (np.uint8, np.uint16) or not shape_fits or 0 in array.shape:
        wanted = "(H, W) or (H, W, 3) of uint8 or uint16"
        raise ValueError(f"pixels of shape {array.shape} and type {array.dtype}; {wanted}")
    return tiff_of(array) if suffix == TIFF else _png_of(array)


def pixels_of(data: bytes, suffix: str) -> Pixels:
    """The pixels of a file in the format of ``suffix``. Raises ValueError if any part of it is damaged."""
    return pixels_of_tiff(data) if suffix == TIFF else _pixels_of_png(data)


def _png_of(array: NDArray[Any]) -> bytes:
    settings = [cv2.IMWRITE_PNG_COMPRESSION, 1]
    if hasattr(cv2, "IMWRITE_PNG_FILTER"):
        settings += [cv2.IMWRITE_PNG_FILTER, cv2.IMWRITE_PNG_FILTER_UP]
    settings += [cv2.IMWRITE_PNG_STRATEGY, cv2.IMWRITE_PNG_STRATEGY_RLE]
    try:
        done, encoded = cv2.imencode(".png", np.ascontiguousarray(array), settings)
    except cv2.error as error:
        raise ValueError(f"a picture of shape {array.shape} cannot be encoded: {error}") from None
    if not done:
        raise ValueError(f"a picture of shape {array.shape} cannot be encoded")
    return encoded.tobytes()


def _pixels_of_png(data: bytes) -> Pixels:
    if not _is_whole_png(data):
        raise ValueError("it is damaged: a part is missing or does not fit its checksum")
    try:
        pixels: Any = cv2.imdecode(np.frombuffer(data, dtype=np.uint8), cv2.IMREAD_UNCHANGED)
    except cv2.error:
        pixels = None
    if pixels is None:
        raise ValueError("it cannot be decoded")
    return pixels  # type: ignore[no-any-return]


def _is_whole_png(data: bytes) -> bool:
    """Whether every chunk is there and fits its CRC-32; some decoders give back half a picture and say nothing.

    Layout of chunks: PNG specification, third edition (W3C), section 5.
    """
    if not data.startswith(_SIGNATURE):
        return False
    offset, kind = len(_SIGNATURE), b""
    while offset + 12 <= len(data):
        (length,) = struct.unpack_from(">I", data, offset)
        end = offset + 12 + length
        if end > len(data):
            return False
        (checksum,) = struct.unpack_from(">I", data, end - 4)
        kind = data[offset + 4 : offset + 8]
        if zlib.crc32(memoryview(data)[offset + 4 : end - 4]) != checksum:
            return False
        offset = end
    return kind == b"IEND" and offset == len(data)
