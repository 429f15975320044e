"""Pictures <-> plain TIFF files that tell by themselves whether they are whole.

Baseline TIFF (revision 6.0, 1992), little-endian, uncompressed, one strip, so that any program opens it and writing
takes no longer than copying. TIFF has no checksum of its own: the CRC-32 (zlib) of the pixel bytes stands in the
description (tag 270). Everything before the pixels follows from size, kind and checksum, and is compared as a whole.
"""

from __future__ import annotations

import re
import struct
import zlib
from typing import Any

import numpy as np
from numpy.typing import NDArray

MAGIC = b"II*\x00"

_SHORT, _LONG, _ASCII = 3, 4, 2
_BITS_AT, _TEXT_AT, _PIXELS_AT = 176, 192, 256
_TEXT = "crc32 of the pixels {:08x}"
_READ = re.compile(rb"crc32 of the pixels ([0-9a-f]{8})\0")
_MOST_SIDE = 1 << 20


def tiff_of(pixels: NDArray[Any]) -> bytes:
    """A TIFF file of pixels (H, W) or (H, W, 3: blue, green, red), uint8 or uint16; nothing is checked."""
    colour = pixels.ndim == 3
    # TIFF has red first.
    ordered = pixels[:, :, ::-1] if colour else pixels
    body = np.ascontiguousarray(ordered, dtype=ordered.dtype.newbyteorder("<"))
    head = _head(pixels.shape[1], pixels.shape[0], 3 if colour else 1, 8 * pixels.dtype.itemsize, zlib.crc32(body.data))
    return b"".join((head, body.data))


def pixels_of_tiff(data: bytes) -> NDArray[Any]:
    """The pixels of a file that ``tiff_of`` wrote. Raises ValueError if any part of it is damaged, or not ours."""
    width, height, samples, bits = _stated(data)
    checksum = zlib.crc32(memoryview(data)[_PIXELS_AT:])
    whole = len(data) == _PIXELS_AT + width * height * samples * bits // 8
    if not whole or data[:_PIXELS_AT] != _head(width, height, samples, bits, checksum):
        raise ValueError("it is damaged: a part is missing or does not fit its checksum")
    flat = np.frombuffer(data, dtype=np.dtype(f"<u{bits // 8}"), offset=_PIXELS_AT)
    shape = (height, width) if samples == 1 else (height, width, 3)
    ordered = flat.reshape(shape)[..., ::-1] if samples == 3 else flat.reshape(shape)
    return np.array(ordered, dtype=f"u{bits // 8}", order="C")


def _head(width: int, height: int, samples: int, bits: int, checksum: int) -> bytes:
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


def _stated(data: bytes) -> tuple[int, int, int, int]:
    """Width, height, samples and bits that the file states, as far as they can be those of a picture."""
    if len(data) < _PIXELS_AT or not data.startswith(MAGIC) or not _READ.match(data, _TEXT_AT):
        raise ValueError("it is damaged, or not written by this program")
    values = [struct.unpack_from("<I", data, 10 + 12 * row + 8)[0] for row in (0, 1, 7)]
    width, height, samples = values
    (bits,) = struct.unpack_from("<H", data, _BITS_AT)
    if not (0 < width < _MOST_SIDE and 0 < height < _MOST_SIDE and samples in (1, 3) and bits in (8, 16)):
        raise ValueError("it is damaged: it states no size of a picture")
    return width, height, samples, bits
