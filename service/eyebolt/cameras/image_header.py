"""The size that an image file states in its header, read without decoding: a few bytes of the file decide.

PNG (ISO/IEC 15948), JPEG (ITU-T T.81, annex B), BMP, TIFF (revision 6.0, and BigTIFF), WebP (RFC 9649), and the
portable formats P1 to P6.
"""

from __future__ import annotations

import re
import struct
from pathlib import Path
from typing import BinaryIO

MAX_FILE_PIXELS = 100_000_000
"""An image of more pixels is not decoded: ten times the largest industrial cameras."""

_HEAD_BYTES = 4096
_MAX_SEGMENTS = 1000
_PNG = b"\x89PNG\r\n\x1a\n"
# Frame headers of every coding process; C4, C8 and CC are other markers.
_JPEG_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_PORTABLE = re.compile(rb"P[1-6](?:\s|#[^\n]*\n)+([0-9]{1,9})(?:\s|#[^\n]*\n)+([0-9]{1,9})(?:\s|#)")


def read_image_size(path: Path) -> tuple[int, int]:
    """(width, height) in pixels as the file's header states them.

    Raises ValueError for a file that states none, is of another format, or has more than ``MAX_FILE_PIXELS`` pixels;
    OSError for one that cannot be read.
    """
    with path.open("rb") as file:
        return image_size(file)


def image_size(file: BinaryIO) -> tuple[int, int]:
    """(width, height) in pixels as the header of an encoded image states them. Raises ValueError as above."""
    head = file.read(_HEAD_BYTES)
    try:
        width, height = _size(head, file)
    except (struct.error, IndexError):
        raise ValueError("its header ends early") from None
    if not 0 < width * height <= MAX_FILE_PIXELS or width < 0:
        raise ValueError(f"its header states {width} x {height} pixels, and at most {MAX_FILE_PIXELS} are read")
    return width, height


def _size(head: bytes, file: BinaryIO) -> tuple[int, int]:
    if head.startswith(_PNG):
        width, height = struct.unpack_from(">II", head, 16)
        return width, height
    if head.startswith(b"\xff\xd8"):
        return _jpeg_size(file)
    if head.startswith((b"II", b"MM")):
        return _tiff_size(head, file)
    if head.startswith(b"RIFF") and head[8:12] == b"WEBP":
        return _webp_size(head)
    if head.startswith(b"BM"):
        form = "<HH" if struct.unpack_from("<I", head, 14)[0] == 12 else "<ii"
        width, height = struct.unpack_from(form, head, 18)
        # Negative: the rows are stored from the top.
        return width, abs(height)
    portable = _PORTABLE.match(head)
    if portable:
        return int(portable.group(1)), int(portable.group(2))
    raise ValueError("it is damaged or not an image")


def _jpeg_size(file: BinaryIO) -> tuple[int, int]:
    file.seek(2)
    for _ in range(_MAX_SEGMENTS):
        byte = file.read(1)
        while byte and byte != b"\xff":
            byte = file.read(1)
        while byte == b"\xff":
            byte = file.read(1)
        marker = byte[0]
        if marker in _JPEG_FRAMES:
            height, width = struct.unpack(">3xHH", file.read(7))
            return width, height
        if marker in (0xD9, 0xDA):
            break
        if marker == 0x01 or 0xD0 <= marker <= 0xD8:
            continue
        (length,) = struct.unpack(">H", file.read(2))
        file.seek(max(length - 2, 0), 1)
    raise ValueError("its header states no size")


def _tiff_size(head: bytes, file: BinaryIO) -> tuple[int, int]:
    order = "<" if head[:2] == b"II" else ">"
    (version,) = struct.unpack_from(order + "H", head, 2)
    is_big = version == 43
    if version not in (42, 43):
        raise ValueError("it is damaged or not an image")
    (directory,) = struct.unpack_from(order + ("Q" if is_big else "I"), head, 8 if is_big else 4)
    count_form, entry_bytes, value_at = ("Q", 20, 12) if is_big else ("H", 12, 8)
    file.seek(directory)
    (count,) = struct.unpack(order + count_form, file.read(struct.calcsize(order + count_form)))
    entries = file.read(min(count, _MAX_SEGMENTS) * entry_bytes)
    values = {}
    for at in range(0, len(entries) - entry_bytes + 1, entry_bytes):
        tag, kind = struct.unpack_from(order + "HH", entries, at)
        form = {3: "H", 4: "I", 16: "Q"}.get(kind)
        if tag in (256, 257) and form is not None:
            values[tag] = struct.unpack_from(order + form, entries, at + value_at)[0]
    if not {256, 257} <= values.keys():
        raise ValueError("its header states no size")
    return values[256], values[257]


def _webp_size(head: bytes) -> tuple[int, int]:
    kind = head[12:16]
    if kind == b"VP8 ":
        width, height = struct.unpack_from("<HH", head, 26)
        return width & 0x3FFF, height & 0x3FFF
    if kind == b"VP8L":
        (bits,) = struct.unpack_from("<I", head, 21)
        return (bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1
    if kind == b"VP8X":
        wide = head[24:30].ljust(6, b"\0")
        return int.from_bytes(wide[:3], "little") + 1, int.from_bytes(wide[3:], "little") + 1
    raise ValueError("it is damaged or not an image")
