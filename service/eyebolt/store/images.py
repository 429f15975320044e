"""Lossless images: pixels to and from plain TIFF files that carry their own checksum.

Baseline TIFF (revision 6.0, 1992), little-endian, uncompressed, one strip: any program opens it, and writing takes no
longer than copying (2448 x 2048, 8 bits: 3 ms and 5.0 MB on two cores; ``tests/bench/capture --formats`` compares
compressed formats). TIFF has no checksum: the CRC-32 (zlib) of the pixel bytes is kept in the description
(tag 270). Everything before the pixels follows from size, type and checksum, and is compared as a whole.
"""

from __future__ import annotations

import re
import struct
import zlib
from typing import Any

import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.uint8] | NDArray[np.uint16]

IMAGE_SUFFIX = ".tif"
HEAD_BYTES = 256
"""Everything before the pixels."""

# Field types of TIFF 6.0, section 2.
_SHORT, _LONG, _ASCII = 3, 4, 2
_BITS_AT, _TEXT_AT, _PIXELS_AT = 176, 192, 256
_TEXT = "crc32 of the pixels {:08x}"
_CHECKSUM = re.compile(rb"crc32 of the pixels ([0-9a-f]{8})\0")
_MAX_PIXELS = 100_000_000


def encode_image(pixels: Pixels) -> bytes:
    """A TIFF file of pixels (H, W) or (H, W, 3: blue, green, red), uint8 or uint16.

    Raises ValueError for any other shape or type.
    """
    array: NDArray[Any] = np.asarray(pixels)
    is_colour = array.ndim == 3
    if array.dtype not in (np.uint8, np.uint16) or array.ndim not in (2, 3) or 0 in array.shape:
        raise _pixel_error(array)
    if is_colour and array.shape[2] != 3:
        raise _pixel_error(array)
    # TIFF has red first.
    ordered = array[:, :, ::-1] if is_colour else array
    body = np.ascontiguousarray(ordered, dtype=ordered.dtype.newbyteorder("<"))
    height, width = array.shape[:2]
    head = _header(width, height, 3 if is_colour else 1, 8 * array.dtype.itemsize, zlib.crc32(body.data))
    return b"".join((head, body.data))


def decode_image(data: bytes) -> Pixels:
    """The pixels of a file that ``encode_image`` wrote.

    Raises ValueError if any part of it is damaged, or if another program wrote it.
    """
    width, height, samples, bits = _stated_size(data)
    checksum = zlib.crc32(memoryview(data)[_PIXELS_AT:])
    is_complete = len(data) == _PIXELS_AT + width * height * samples * bits // 8
    if not is_complete or data[:_PIXELS_AT] != _header(width, height, samples, bits, checksum):
        raise ValueError("it is damaged: a part is missing or does not match its checksum")
    flat = np.frombuffer(data, dtype=np.dtype(f"<u{bits // 8}"), offset=_PIXELS_AT)
    shape = (height, width) if samples == 1 else (height, width, 3)
    ordered = flat.reshape(shape)[..., ::-1] if samples == 3 else flat.reshape(shape)
    return np.array(ordered, dtype=f"u{bits // 8}", order="C")


def stated_bytes(head: bytes) -> int:
    """The length of a file that ``encode_image`` wrote, by its first ``HEAD_BYTES`` bytes. Raises ValueError."""
    width, height, samples, bits = _stated_size(head)
    return _PIXELS_AT + width * height * samples * bits // 8


def _pixel_error(array: NDArray[Any]) -> ValueError:
    allowed = "(H, W) or (H, W, 3) of uint8 or uint16"
    return ValueError(f"pixels of shape {array.shape} and type {array.dtype}; {allowed}")


def _header(width: int, height: int, samples: int, bits: int, checksum: int) -> bytes:
    """Everything before the pixels, ``_PIXELS_AT`` bytes."""
    text = _TEXT.format(checksum).encode() + b"\0"
    # (tag, type, count, value or offset), in ascending order of the tags; names as in TIFF 6.0, section 8.
    entries = [
        (256, _LONG, 1, width),  # ImageWidth
        (257, _LONG, 1, height),  # ImageLength
        (258, _SHORT, samples, bits if samples == 1 else _BITS_AT),  # BitsPerSample
        (259, _SHORT, 1, 1),  # Compression: none
        (262, _SHORT, 1, 1 if samples == 1 else 2),  # PhotometricInterpretation: black is zero, or RGB
        (270, _ASCII, len(text), _TEXT_AT),  # ImageDescription
        (273, _LONG, 1, _PIXELS_AT),  # StripOffsets
        (277, _SHORT, 1, samples),  # SamplesPerPixel
        (278, _LONG, 1, height),  # RowsPerStrip
        (279, _LONG, 1, width * height * samples * bits // 8),  # StripByteCounts
        (284, _SHORT, 1, 1),  # PlanarConfiguration: interleaved
    ]
    # A short value is left-justified in its field of four bytes, which on little-endian is the same as a long.
    fields = b"".join(struct.pack("<HHII", *entry) for entry in entries)
    head = b"II*\x00" + struct.pack("<IH", 8, len(entries)) + fields + struct.pack("<I", 0)
    head = head.ljust(_BITS_AT, b"\0") + struct.pack("<HHH", bits, bits, bits)
    return (head.ljust(_TEXT_AT, b"\0") + text).ljust(_PIXELS_AT, b"\0")


def _stated_size(data: bytes) -> tuple[int, int, int, int]:
    """Width, height, samples and bits in the header of a file, as far as they can be those of an image."""
    if not _CHECKSUM.match(data, _TEXT_AT):
        raise ValueError("it is damaged, or not written by this program")
    # The values of entries 0, 1 and 7 of the directory, which begins at byte 10 with 12 bytes per entry.
    values = [struct.unpack_from("<I", data, 10 + 12 * row + 8)[0] for row in (0, 1, 7)]
    width, height, samples = values
    (bits,) = struct.unpack_from("<H", data, _BITS_AT)
    if not (0 < width * height <= _MAX_PIXELS and samples in (1, 3) and bits in (8, 16)):
        raise ValueError("it is damaged: its header states an impossible size")
    return width, height, samples, bits
