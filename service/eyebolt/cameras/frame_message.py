"""The wire format of a picture between programs on one computer: ZeroMQ multipart [JSON header, raw bytes].

Header keys, all required in a frame:
``id`` integer >= 0, counted by the sender; ``boot_id`` text of 1-64 printable characters, new at each start of the
sender; ``width``, ``height`` pixels; ``channels`` 1 (gray) or 3 (blue, green, red); ``dtype`` "uint8" or "uint16"
(little-endian); ``exposed_ns`` the start of the exposure, CLOCK_MONOTONIC nanoseconds of this computer.
The bytes are row after row without padding: height * width * channels * bytes of the dtype.

Asked for (a camera that exposes on request): the request is one part, ``{"asked_ns": ..., "request": k}``; the reply is
a frame whose header also carries ``"request": k``, or ``{"request": k, "error": "text"}`` with empty bytes. Behind a
ROUTER socket each of them is preceded by the peer's identity. ``asked_ns`` is the earliest exposure that is of use.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from eyebolt.cameras.camera import Pixels, owned_pixels
from eyebolt.errors import CameraFault

MOST_PIXELS = 100_000_000
MOST_HEADER_BYTES = 4096
MOST_BOOT_ID = 64
MOST_ERROR_CHARACTERS = 200
DTYPES: dict[str, np.dtype[Any]] = {"uint8": np.dtype("u1"), "uint16": np.dtype("<u2")}
MOST_FRAME_BYTES = MOST_PIXELS * 3 * 2

_MOST_INTEGER = 2**63 - 1


@dataclass(frozen=True, eq=False)
class FrameMessage:
    """A checked frame as it came over the wire; ``request`` is None in a pushed frame. ``raw`` is not yet an array."""

    frame_id: int
    boot_id: str
    width_px: int
    height_px: int
    channels: int
    dtype: str
    exposed_ns: int
    raw: bytes
    request: int | None = None

    def pixels(self) -> Pixels:
        """The picture as an array of its own, (H, W) or (H, W, 3), uint8 or uint16 in this computer's byte order."""
        flat = np.frombuffer(self.raw, dtype=DTYPES[self.dtype])
        return owned_pixels(flat.reshape(self.height_px, self.width_px, self.channels).astype(self.dtype, copy=False))


@dataclass(frozen=True)
class ErrorReply:
    """The source answered request ``request`` with words instead of a picture."""

    request: int
    error: str


def encode(
    pixels: Pixels, *, frame_id: int, boot_id: str, exposed_ns: int, request: int | None = None
) -> tuple[bytes, bytes]:
    """Header and bytes of ``pixels``: (H, W) or (H, W, 3) BGR, uint8 or uint16.

    Raises CameraFault ``bad-frame`` for anything that ``decode`` would refuse.
    """
    dtype = pixels.dtype.name
    if dtype not in DTYPES or pixels.ndim not in (2, 3):
        raise _bad(f"an array of {dtype} with {pixels.ndim} dimensions is no picture")
    header: dict[str, object] = {
        "id": frame_id,
        "boot_id": boot_id,
        "width": pixels.shape[1],
        "height": pixels.shape[0],
        "channels": 1 if pixels.ndim == 2 else pixels.shape[2],
        "dtype": dtype,
        "exposed_ns": exposed_ns,
    }
    if request is not None:
        header["request"] = request
    parts = json.dumps(header).encode(), pixels.astype(DTYPES[dtype], copy=False).tobytes()
    decode(parts)
    return parts


def decode(parts: Sequence[bytes]) -> FrameMessage:
    """The frame in ``parts`` (header, bytes). Raises CameraFault ``bad-frame`` naming what is wrong with it."""
    header, raw = _header_and_bytes(parts)
    width = _integer(header, "width", 1, MOST_PIXELS)
    height = _integer(header, "height", 1, MOST_PIXELS)
    if width * height > MOST_PIXELS:
        raise _bad(f"{width} x {height} is more than {MOST_PIXELS} pixels")
    channels = _integer(header, "channels", 1, 3)
    if channels == 2:
        raise _bad("channels must be 1 or 3")
    dtype = header.get("dtype")
    if not isinstance(dtype, str) or dtype not in DTYPES:
        raise _bad(f"dtype must be one of {', '.join(DTYPES)}")
    boot_id = header.get("boot_id")
    if not isinstance(boot_id, str) or not 1 <= len(boot_id) <= MOST_BOOT_ID or not boot_id.isprintable():
        raise _bad(f"boot_id must be text of 1-{MOST_BOOT_ID} printable characters")
    expected = width * height * channels * DTYPES[dtype].itemsize
    if len(raw) != expected:
        raise _bad(f"{width} x {height} x {channels} {dtype} takes {expected} bytes, {len(raw)} came")
    return FrameMessage(
        frame_id=_integer(header, "id", 0, _MOST_INTEGER),
        boot_id=boot_id,
        width_px=width,
        height_px=height,
        channels=channels,
        dtype=dtype,
        exposed_ns=_integer(header, "exposed_ns", 0, _MOST_INTEGER),
        raw=raw,
        request=_integer(header, "request", 0, _MOST_INTEGER) if "request" in header else None,
    )


def encode_request(asked_ns: int, request: int) -> bytes:
    """Ask for a picture exposed at or after ``asked_ns``; the reply repeats ``request``."""
    return json.dumps({"asked_ns": asked_ns, "request": request}).encode()


def decode_request(part: bytes) -> tuple[int, int]:
    """(asked_ns, request) of a request. Raises CameraFault ``bad-frame``."""
    header = _json_object(part)
    return _integer(header, "asked_ns", 0, _MOST_INTEGER), _integer(header, "request", 0, _MOST_INTEGER)


def encode_error(request: int, error: str) -> tuple[bytes, bytes]:
    """Answer ``request`` with words."""
    return json.dumps({"request": request, "error": error[:MOST_ERROR_CHARACTERS]}).encode(), b""


def decode_reply(parts: Sequence[bytes]) -> FrameMessage | ErrorReply:
    """The reply to a request. Raises CameraFault ``bad-frame``, also if it does not say which request it answers."""
    header, raw = _header_and_bytes(parts)
    request = _integer(header, "request", 0, _MOST_INTEGER)
    if "error" not in header:
        return decode(parts)
    if raw or not isinstance(header["error"], str):
        raise _bad("an error reply carries a text and no bytes")
    text = "".join(c if c.isprintable() else " " for c in header["error"][:MOST_ERROR_CHARACTERS])
    return ErrorReply(request, text)


def _header_and_bytes(parts: Sequence[bytes]) -> tuple[dict[str, object], bytes]:
    if len(parts) != 2:
        raise _bad(f"a frame has 2 parts, header and bytes; {len(parts)} came")
    return _json_object(parts[0]), parts[1]


def _json_object(part: bytes) -> dict[str, object]:
    if len(part) > MOST_HEADER_BYTES:
        raise _bad(f"a header of {len(part)} bytes; at most {MOST_HEADER_BYTES} are read")
    try:
        header = json.loads(part.decode())
    except (ValueError, RecursionError):
        raise _bad("the header is no JSON text in UTF-8") from None
    if not isinstance(header, dict):
        raise _bad("the header is no JSON object")
    return header


def _integer(header: dict[str, object], key: str, least: int, most: int) -> int:
    value = header.get(key)
    if not isinstance(value, int) or isinstance(value, bool) or not least <= value <= most:
        raise _bad(f"{key} must be an integer from {least} to {most}")
    return value


def _bad(what: str) -> CameraFault:
    return CameraFault("bad-frame", f"a frame message is not as agreed: {what}", "correct the sending program.")
