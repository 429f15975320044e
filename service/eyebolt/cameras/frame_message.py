"""The format of an image between programs on one computer: a ZeroMQ message of two parts, JSON header and raw bytes.

The bytes are row after row without padding: height * width * channels * bytes of the dtype, uint16 little-endian.

A camera that exposes on request: the request is one part, a ``FrameRequest``; the reply is a frame whose
header repeats ``request_id``, or ``{"request_id": k, "error": "text"}`` with empty bytes. Behind a ROUTER socket each
of them is preceded by the peer's identity.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal, TypeVar

import numpy as np
from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from eyebolt.bounded_text import parse_json
from eyebolt.cameras.camera import Pixels, copy_pixels
from eyebolt.errors import CameraFault
from eyebolt.plain_text import sanitize

FRAME_SCHEMA = 1
MAX_PIXELS = 100_000_000
MAX_HEADER_BYTES = 4096
MAX_BOOT_ID_CHARACTERS = 64
MAX_ERROR_CHARACTERS = 200
DTYPES: dict[str, np.dtype[Any]] = {"uint8": np.dtype("u1"), "uint16": np.dtype("<u2")}
MAX_FRAME_BYTES = MAX_PIXELS * 3 * 2

_MAX_INTEGER = 2**63 - 1
_COUNT_TEXT = f"an integer from 0 to {_MAX_INTEGER}"
_SIDE_TEXT = f"an integer from 1 to {MAX_PIXELS}"
_BOOT_ID_TEXT = f"text of 1-{MAX_BOOT_ID_CHARACTERS} printable characters"

Record = TypeVar("Record", bound=BaseModel)


def _printable(text: str) -> str:
    if not text.isprintable():
        raise ValueError(_BOOT_ID_TEXT)
    return text


def _one_or_three(channels: int) -> int:
    if channels not in (1, 3):
        raise ValueError("1 or 3")
    return channels


def _not_null(value: object) -> object:
    if value is None:
        raise ValueError(_COUNT_TEXT)
    return value


Count = Annotated[int, Field(ge=0, le=_MAX_INTEGER, description=_COUNT_TEXT)]
Side = Annotated[int, Field(ge=1, le=MAX_PIXELS, description=_SIDE_TEXT)]
Channels = Annotated[int, AfterValidator(_one_or_three), Field(description="1 or 3")]
RequestId = Annotated[Count | None, BeforeValidator(_not_null), Field(description=_COUNT_TEXT)]


class _Header(BaseModel):
    """Strict types, unknown keys are ignored; error messages quote a field's description."""

    model_config = ConfigDict(frozen=True, strict=True)


class FrameHeader(_Header):
    """The first part of a frame message. On the wire: ``schema``, ``id``, ``width``, ``height``, the rest as named."""

    schema_version: int = Field(alias="schema", ge=FRAME_SCHEMA, le=FRAME_SCHEMA, description=f"{FRAME_SCHEMA}")
    """Version of these keys."""
    frame_id: Count = Field(alias="id")
    """Counted by the sender."""
    boot_id: Annotated[
        str,
        Field(min_length=1, max_length=MAX_BOOT_ID_CHARACTERS, description=_BOOT_ID_TEXT),
        AfterValidator(_printable),
    ]
    """1-64 printable characters, new at each start of the sender."""
    width_px: Side = Field(alias="width")
    """Columns of the image."""
    height_px: Side = Field(alias="height")
    """Rows of the image."""
    channels: Channels
    """1 (gray) or 3 (blue, green, red)."""
    dtype: Literal["uint8", "uint16"] = Field(description=f"one of {', '.join(DTYPES)}")
    """Type of a pixel value."""
    exposed_ns: Count
    """Start of the exposure: CLOCK_MONOTONIC of this computer, ns."""
    request_id: RequestId = None
    """The request that this frame answers; absent in a pushed frame."""

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of the image."""
        return self.width_px, self.height_px

    @property
    def byte_count(self) -> int:
        """Length of the second part."""
        return self.width_px * self.height_px * self.channels * DTYPES[self.dtype].itemsize


class FrameRequest(_Header):
    """A request for one exposure."""

    not_before_ns: Count
    """Earliest start of the exposure that is of use: CLOCK_MONOTONIC of this computer, ns."""
    request_id: Count
    """Repeated in the reply."""


@dataclass(frozen=True, eq=False)
class FrameMessage:
    """A checked frame as it came over the wire."""

    header: FrameHeader
    """Its first part."""
    raw: bytes
    """Its second part, not yet an array."""

    @property
    def name(self) -> str:
        """Identifies the image among all of this source."""
        return f"{self.header.boot_id}/{self.header.frame_id}"

    def pixels(self) -> Pixels:
        """The image as an array of its own, (H, W) or (H, W, 3), uint8 or uint16 in this computer's byte order."""
        header = self.header
        flat = np.frombuffer(self.raw, dtype=DTYPES[header.dtype])
        shaped = flat.reshape(header.height_px, header.width_px, header.channels)
        return copy_pixels(shaped.astype(header.dtype, copy=False))


@dataclass(frozen=True)
class ErrorReply:
    """The source could not take the requested image."""

    request_id: int
    """The request that failed."""
    error: str
    """Its reason, printable."""


def encode_frame(
    pixels: Pixels, *, frame_id: int, boot_id: str, exposed_ns: int, request_id: int | None = None
) -> tuple[bytes, bytes]:
    """Both parts of a frame message for ``pixels``: (H, W) or (H, W, 3) BGR, uint8 or uint16.

    Raises CameraFault ``bad-frame`` for anything that ``decode_frame`` would refuse.
    """
    if pixels.dtype.name not in DTYPES or pixels.ndim not in (2, 3):
        raise _bad_frame(f"an array of {pixels.dtype.name} with {pixels.ndim} dimensions is not an image")
    values: dict[str, object] = {
        "schema": FRAME_SCHEMA,
        "id": frame_id,
        "boot_id": boot_id,
        "width": pixels.shape[1],
        "height": pixels.shape[0],
        "channels": 1 if pixels.ndim == 2 else pixels.shape[2],
        "dtype": pixels.dtype.name,
        "exposed_ns": exposed_ns,
    }
    if request_id is not None:
        values["request_id"] = request_id
    header = _parse(FrameHeader, values)
    raw = pixels.astype(DTYPES[header.dtype], copy=False).tobytes()
    return _encode(_checked(header, raw).header), raw


def decode_frame(parts: Sequence[bytes]) -> FrameMessage:
    """The frame in ``parts`` (header, bytes). Raises CameraFault ``bad-frame`` naming the key at fault."""
    header, raw = _split_parts(parts)
    return _checked(_parse(FrameHeader, header), raw)


def encode_request(not_before_ns: int, request_id: int) -> bytes:
    """A request for an image exposed at or after ``not_before_ns``; the reply repeats ``request_id``."""
    return _encode(FrameRequest(not_before_ns=not_before_ns, request_id=request_id))


def decode_request(part: bytes) -> FrameRequest:
    """The request in ``part``. Raises CameraFault ``bad-frame``."""
    return _parse(FrameRequest, _json_object(part))


def encode_error(request_id: int, error: str) -> tuple[bytes, bytes]:
    """The reply to ``request_id`` that no image could be taken."""
    return json.dumps({"request_id": request_id, "error": error[:MAX_ERROR_CHARACTERS]}).encode(), b""


def decode_reply(parts: Sequence[bytes]) -> FrameMessage | ErrorReply:
    """The reply to a request. Raises CameraFault ``bad-frame``, also if it names no request."""
    header, raw = _split_parts(parts)
    request_id = header.get("request_id")
    if not isinstance(request_id, int) or isinstance(request_id, bool) or not 0 <= request_id <= _MAX_INTEGER:
        raise _bad_frame(f"request_id must be {_COUNT_TEXT}")
    if "error" not in header:
        return _checked(_parse(FrameHeader, header), raw)
    if raw or not isinstance(header["error"], str):
        raise _bad_frame("an error reply carries a text and no bytes")
    return ErrorReply(request_id, sanitize(header["error"][:MAX_ERROR_CHARACTERS]))


def _encode(record: BaseModel) -> bytes:
    return json.dumps(record.model_dump(by_alias=True, exclude_none=True)).encode()


def _checked(header: FrameHeader, raw: bytes) -> FrameMessage:
    if header.width_px * header.height_px > MAX_PIXELS:
        raise _bad_frame(f"{header.width_px} x {header.height_px} is more than {MAX_PIXELS} pixels")
    if len(raw) != header.byte_count:
        raise _bad_frame(
            f"{header.width_px} x {header.height_px} x {header.channels} {header.dtype} takes {header.byte_count} bytes"
            f", not {len(raw)}"
        )
    return FrameMessage(header, raw)


def _split_parts(parts: Sequence[bytes]) -> tuple[dict[str, object], bytes]:
    if len(parts) != 2:
        raise _bad_frame(f"a frame has 2 parts, header and bytes; {len(parts)} came")
    return _json_object(parts[0]), parts[1]


def _json_object(part: bytes) -> dict[str, object]:
    if len(part) > MAX_HEADER_BYTES:
        raise _bad_frame(f"a header of {len(part)} bytes; at most {MAX_HEADER_BYTES} are read")
    try:
        header = parse_json(part, limit_values=False)
    except ValueError:
        raise _bad_frame("the header is not JSON text in UTF-8") from None
    if not isinstance(header, dict):
        raise _bad_frame("the header is not a JSON object")
    return header


def _parse(record: type[Record], values: dict[str, object]) -> Record:
    try:
        return record.model_validate(values)
    except ValidationError as error:
        raise _invalid_header(record, error) from None


def _invalid_header(record: type[BaseModel], error: ValidationError) -> CameraFault:
    """Names the first key at fault and what it may be."""
    name = str(error.errors(include_url=False)[0]["loc"][0])
    field = next((f for key, f in record.model_fields.items() if name in (key, f.alias)), None)
    key = name if field is None else field.alias or name
    allowed = "as agreed" if field is None else field.description
    return _bad_frame(f"{key} must be {allowed}")


def _bad_frame(detail: str) -> CameraFault:
    return CameraFault("bad-frame", f"an invalid frame message: {detail}", "correct the sending program.")
