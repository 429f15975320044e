"""Pictures <-> bytes, without loss; the end of a file's name says its format.

New pictures are plain TIFF (see ``tiff``): at 2448 x 2048, 8 bits, two cores, 3 ms and 5.0 MB. Sessions of earlier
versions hold PNG (level 1, "up" filter, run-length strategy: 130 ms and 2.2 MB), which is read for ever.
``python tests/bench/capture --formats`` measures both and others.

Pictures <-> plain TIFF files that tell by themselves whether they are whole.

Baseline TIFF (revision 6.0, 1992), little-endian, uncompressed, one strip, so that any program opens it and writing
takes no longer than copying. TIFF has no checksum of its own: the CRC-32 (zlib) of the pixel bytes stands in the
description (tag 270). Everything before the pixels follows from size, kind and checksum, and is compared as a whole.
"""

from __future__ import annotations

import re
import struct
import zlib
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.uint8] | NDArray[np.uint16]

TIFF, PNG = ".tif", ".png"
SUFFIXES = (TIFF, PNG)
"""Formats by the end of a file's name; new pictures take the first."""

_SIGNATURE = b"\x89PNG\r\n\x1a\n"


def encode_image(pixels: Pixels, suffix: str = TIFF) -> bytes:
    """A file of pixels (H, W) or (H, W, 3: blue, green, red), uint8 or uint16, in the format of ``suffix``.

    Raises ValueError on other pixels.
    """
    array: NDArray[Any] = np.asarray(pixels)
    shape_fits = array.ndim == 2 or (array.ndim == 3 and array.shape[2] == 3)
    if array.dtype not in (np.uint8, np.uint16) or not shape_fits or 0 in array.shape:
        wanted = "(H, W) or (H, W, 3) of uint8 or uint16"
        raise ValueError(f"pixels of shape {array.shape} and type {array.dtype}; {wanted}")
    return encode_tiff(array) if suffix == TIFF else _png_of(array)


def decode_image(data: bytes, suffix: str) -> Pixels:
    """The pixels of a file in the format of ``suffix``. Raises ValueError if any part of it is damaged."""
    return decode_tiff(data) if suffix == TIFF else _pixels_of_png(data)


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


MAGIC = b"II*\x00"

_SHORT, _LONG, _ASCII = 3, 4, 2
_BITS_AT, _TEXT_AT, _PIXELS_AT = 176, 192, 256
_TEXT = "crc32 of the pixels {:08x}"
_CHECKSUM = re.compile(rb"crc32 of the pixels ([0-9a-f]{8})\0")
_MAX_SIDE_PX = 1 << 20


def encode_tiff(pixels: NDArray[Any]) -> bytes:
    """A TIFF file of pixels (H, W) or (H, W, 3: blue, green, red), uint8 or uint16; nothing is checked."""
    colour = pixels.ndim == 3
    # TIFF has red first.
    ordered = pixels[:, :, ::-1] if colour else pixels
    body = np.ascontiguousarray(ordered, dtype=ordered.dtype.newbyteorder("<"))
    head = _header(
        pixels.shape[1], pixels.shape[0], 3 if colour else 1, 8 * pixels.dtype.itemsize, zlib.crc32(body.data)
    )
    return b"".join((head, body.data))


def decode_tiff(data: bytes) -> NDArray[Any]:
    """The pixels of a file that ``encode_tiff`` wrote. Raises ValueError if any part of it is damaged, or not ours."""
    width, height, samples, bits = _stated_size(data)
    checksum = zlib.crc32(memoryview(data)[_PIXELS_AT:])
    whole = len(data) == _PIXELS_AT + width * height * samples * bits // 8
    if not whole or data[:_PIXELS_AT] != _header(width, height, samples, bits, checksum):
        raise ValueError("it is damaged: a part is missing or does not fit its checksum")
    flat = np.frombuffer(data, dtype=np.dtype(f"<u{bits // 8}"), offset=_PIXELS_AT)
    shape = (height, width) if samples == 1 else (height, width, 3)
    ordered = flat.reshape(shape)[..., ::-1] if samples == 3 else flat.reshape(shape)
    return np.array(ordered, dtype=f"u{bits // 8}", order="C")


def _header(width: int, height: int, samples: int, bits: int, checksum: int) -> bytes:
    """All that stands before the pixels, ``_PIXELS_AT`` bytes."""
    text = _TEXT.format(checksum).encode() + b"\0"
    entries = [
        (256, _LONG, 1, width),
        (257, _LONG, 1, height),
        (258, _SHORT, samples, bits if samples == 1 else _BITS_AT),
        (259, _SHORT, 1, 1),
        (262, _SHORT, 1, 1 if samples == 1 else 2),
        (270, _ASCII, len(text), _TEXT_AT),
        (273, _LONG, 1, _PIXELS_AT),
        (277, _SHORT, 1, samples),
        (278, _LONG, 1, height),
        (279, _LONG, 1, width * height * samples * bits // 8),
        (284, _SHORT, 1, 1),
    ]
    # A short value stands in the first bytes of its field of four, which on little-endian is the same as a long.
    fields = b"".join(struct.pack("<HHII", *entry) for entry in entries)
    head = MAGIC + struct.pack("<IH", 8, len(entries)) + fields + struct.pack("<I", 0)
    head = head.ljust(_BITS_AT, b"\0") + struct.pack("<HHH", bits, bits, bits)
    return (head.ljust(_TEXT_AT, b"\0") + text).ljust(_PIXELS_AT, b"\0")


def _stated_size(data: bytes) -> tuple[int, int, int, int]:
    """Width, height, samples and bits that the file states, as far as they can be those of a picture."""
    if len(data) < _PIXELS_AT or not data.startswith(MAGIC) or not _CHECKSUM.match(data, _TEXT_AT):
        raise ValueError("it is damaged, or not written by this program")
    values = [struct.unpack_from("<I", data, 10 + 12 * row + 8)[0] for row in (0, 1, 7)]
    width, height, samples = values
    (bits,) = struct.unpack_from("<H", data, _BITS_AT)
    if not (0 < width < _MAX_SIDE_PX and 0 < height < _MAX_SIDE_PX and samples in (1, 3) and bits in (8, 16)):
        raise ValueError("it is damaged: it states no size of a picture")
    return width, height, samples, bits
