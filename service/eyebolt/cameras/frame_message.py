"""The wire format of a picture between programs on one computer: ZeroMQ multipart [JSON header, raw bytes].

Header keys, all required in a frame:
``id`` integer >= 0, counted by the sender; ``boot_id`` text of 1-64 printable characters, new at each start of the
sender; ``width``, ``height`` pixels; ``channels`` 1 (gray) or 3 (blue, green, red); ``dtype`` "uint8" or "uint16"
(little-endian); ``exposed_ns`` the start of the exposure, CLOCK_MONOTONIC nanoseconds of this computer.
The bytes are row after row without padding: height * width * channels * bytes of the dtype.

Asked for (a camera that exposes on request): the request is one part, ``{"not_before_ns": ..., "request_id": k}``; the reply is
a frame whose header also carries ``"request_id": k``, or ``{"request_id": k, "error": "text"}`` with empty bytes. Behind a
ROUTER socket each of them is preceded by the peer's identity. ``not_before_ns`` is the earliest exposure that is of use.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from eyebolt.cameras.camera import Pixels, copy_pixels
from eyebolt.errors import CameraFault

MAX_PIXELS = 100_000_000
MAX_HEADER_BYTES = 4096
MAX_BOOT_ID_CHARACTERS = 64
MAX_ERROR_CHARACTERS = 200
DTYPES: dict[str, np.dtype[Any]] = {"uint8": np.dtype("u1"), "uint16": np.dtype("<u2")}
MAX_FRAME_BYTES = MAX_PIXELS * 3 * 2

_MAX_INTEGER = 2**63 - 1


@dataclass(frozen=True, eq=False)
class FrameMessage:
    """A checked frame as it came over the wire; ``request_id`` is None in a pushed frame. ``raw`` is not yet an array."""

    frame_id: int
    boot_id: str
    width_px: int
    height_px: int
    channels: int
    dtype: str
    exposed_ns: int
    raw: bytes
    request_id: int | None = None

    def pixels(self) -> Pixels:
        """The picture as an array of its own, (H, W) or (H, W, 3), uint8 or uint16 in this computer's byte order."""
        flat = np.frombuffer(self.raw, dtype=DTYPES[self.dtype])
        return copy_pixels(flat.reshape(self.height_px, self.width_px, self.channels).astype(self.dtype, copy=False))


@dataclass(frozen=True)
class ErrorReply:
    """The source answered request ``request_id`` with words instead of a picture."""

    request_id: int
    error: str


def encode(
    pixels: Pixels, *, frame_id: int, boot_id: str, exposed_ns: int, request_id: int | None = None
) -> tuple[bytes, bytes]:
    """Header and bytes of ``pixels``: (H, W) or (H, W, 3) BGR, uint8 or uint16.

    Raises CameraFault ``bad-frame`` for anything that ``decode`` would refuse.
    """
    dtype = pixels.dtype.name
    if dtype not in DTYPES or pixels.ndim not in (2, 3):
        raise _bad_frame(f"an array of {dtype} with {pixels.ndim} dimensions is no picture")
    header: dict[str, object] = {
        "id": frame_id,
        "boot_id": boot_id,
        "width": pixels.shape[1],
        "height": pixels.shape[0],
        "channels": 1 if pixels.ndim == 2 else pixels.shape[2],
        "dtype": dtype,
        "exposed_ns": exposed_ns,
    }
    if request_id is not None:
        header["request_id"] = request_id
    parts = json.dumps(header).encode(), pixels.astype(DTYPES[dtype], copy=False).tobytes()
    decode(parts)
    return parts


def decode(parts: Sequence[bytes]) -> FrameMessage:
    """The frame in ``parts`` (header, bytes). Raises CameraFault ``bad-frame`` naming what is wrong with it."""
    header, raw = _split_parts(parts)
    width = _integer(header, "width", 1, MAX_PIXELS)
    height = _integer(header, "height", 1, MAX_PIXELS)
    if width * height > MAX_PIXELS:
        raise _bad_frame(f"{width} x {height} is more than {MAX_PIXELS} pixels")
    channels = _integer(header, "channels", 1, 3)
    if channels == 2:
        raise _bad_frame("channels must be 1 or 3")
    dtype = header.get("dtype")
    if not isinstance(dtype, str) or dtype not in DTYPES:
        raise _bad_frame(f"dtype must be one of {', '.join(DTYPES)}")
    boot_id = header.get("boot_id")
    if not isinstance(boot_id, str) or not 1 <= len(boot_id) <= MAX_BOOT_ID_CHARACTERS or not boot_id.isprintable():
        raise _bad_frame(f"boot_id must be text of 1-{MAX_BOOT_ID_CHARACTERS} printable characters")
    expected = width * height * channels * DTYPES[dtype].itemsize
    if len(raw) != expected:
        raise _bad_frame(f"{width} x {height} x {channels} {dtype} takes {expected} bytes, {len(raw)} came")
    return FrameMessage(
        frame_id=_integer(header, "id", 0, _MAX_INTEGER),
        boot_id=boot_id,
        width_px=width,
        height_px=height,
        channels=channels,
        dtype=dtype,
        exposed_ns=_integer(header, "exposed_ns", 0, _MAX_INTEGER),
        raw=raw,
        request_id=_integer(header, "request_id", 0, _MAX_INTEGER) if "request_id" in header else None,
    )


def encode_request(not_before_ns: int, request_id: int) -> bytes:
    """Ask for a picture exposed at or after ``not_before_ns``; the reply repeats ``request_id``."""
    return json.dumps({"not_before_ns": not_before_ns, "request_id": request_id}).encode()


def decode_request(part: bytes) -> tuple[int, int]:
    """(asked_ns, request) of a request. Raises CameraFault ``bad-frame``."""
    header = _json_object(part)
    return _integer(header, "not_before_ns", 0, _MAX_INTEGER), _integer(header, "request_id", 0, _MAX_INTEGER)


def encode_error(request_id: int, error: str) -> tuple[bytes, bytes]:
    """Answer ``request_id`` with words."""
    return json.dumps({"request_id": request_id, "error": error[:MAX_ERROR_CHARACTERS]}).encode(), b""


def decode_reply(parts: Sequence[bytes]) -> FrameMessage | ErrorReply:
    """The reply to a request. Raises CameraFault ``bad-frame``, also if it does not say which request it answers."""
    header, raw = _split_parts(parts)
    request_id = _integer(header, "request_id", 0, _MAX_INTEGER)
    if "error" not in header:
        return decode(parts)
    if raw or not isinstance(header["error"], str):
        raise _bad_frame("an error reply carries a text and no bytes")
    text = "".join(c if c.isprintable() else " " for c in header["error"][:MAX_ERROR_CHARACTERS])
    return ErrorReply(request_id, text)


def _split_parts(parts: Sequence[bytes]) -> tuple[dict[str, object], bytes]:
    if len(parts) != 2:
        raise _bad_frame(f"a frame has 2 parts, header and bytes; {len(parts)} came")
    return _json_object(parts[0]), parts[1]


def _json_object(part: bytes) -> dict[str, object]:
    if len(part) > MAX_HEADER_BYTES:
        raise _bad_frame(f"a header of {len(part)} bytes; at most {MAX_HEADER_BYTES} are read")
    try:
        header = json.loads(part.decode())
    except (ValueError, RecursionError):
        raise _bad_frame("the header is no JSON text in UTF-8") from None
    if not isinstance(header, dict):
        raise _bad_frame("the header is no JSON object")
    return header


def _integer(header: dict[str, object], key: str, minimum: int, maximum: int) -> int:
    value = header.get(key)
    if not isinstance(value, int) or isinstance(value, bool) or not minimum <= value <= maximum:
        raise _bad_frame(f"{key} must be an integer from {minimum} to {maximum}")
    return value


def _bad_frame(what: str) -> CameraFault:
    return CameraFault("bad-frame", f"a frame message is not as agreed: {what}", "correct the sending program.")
