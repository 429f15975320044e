"""The sections of a station file as frozen values. Field by field only; rules between fields are in ``rules``.

Each field's description is what an operator reads as "allowed" when the field is wrong.
"""

from __future__ import annotations

import ipaddress
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from eyebolt import addresses
from eyebolt.boards import BOARD_KINDS, Board
from eyebolt.config import validators
from eyebolt.geometry import FlangeRotation, Mount

HostPort = Annotated[str, AfterValidator(addresses.host_port)]
Endpoint = Annotated[str, AfterValidator(addresses.endpoint)]
FilePath = Annotated[str, AfterValidator(validators.file_path)]
# A cell is smaller than 100 m; a larger number is a slip of units.
SizeMm = Annotated[float, Field(gt=0, le=1e5)]

_SIZE = "a number above 0 and at most 100000, in mm"
_PATH = "a path in double quotes, relative to this file"
_BOARD_COUNT = "a whole number from 1 to 200"


class Section(BaseModel):
    """Strict: no unknown keys, no text for numbers, no infinities; frozen."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class StationSection(Section):
    """Which station this is."""

    name: Annotated[str, AfterValidator(validators.name)] = Field(
        description="text of 1 to 32 letters, digits, - and _ (it becomes a folder's name)"
    )
    mount: Mount = Field(strict=False, description='"fixed" (camera in the cell) or "arm" (camera on the arm)')
    turns: FlangeRotation = Field(
        FlangeRotation.FREE, strict=False, description='"free", or "vertical" for 4-axis arms'
    )
    status: Endpoint = Field("tcp://127.0.0.1:4751", description=addresses.ENDPOINT_TEXT)
    keys: FilePath | None = Field(None, description=_PATH + ": the folder that `eyebolt keys` makes")


class RobotSection(Section):
    """How the robot is reached and how it writes a pose. ``tool`` is in the terms of the pose reading."""

    listen: HostPort | None = Field(None, description=addresses.HOST_PORT_TEXT)
    dial: HostPort | None = Field(None, description=addresses.HOST_PORT_TEXT)
    allow: tuple[Annotated[str, AfterValidator(addresses.allowed_address)], ...] = Field(
        ("127.0.0.1",), min_length=1, max_length=64, description='a list of IP addresses, such as ["127.0.0.1"]'
    )
    pose_of: Literal["flange", "tool"] = Field("flange", description='"flange" or "tool"')
    tool: tuple[float, ...] | None = Field(
        None, max_length=7, description="a list of numbers: the tool's pose at the flange, written as the robot does"
    )
    tip_mm: tuple[float, float, float] | None = Field(
        None, description="a list of three numbers in mm: the pointer's tip in the flange frame"
    )
    tip_sigma_mm: SizeMm | None = Field(None, description=_SIZE)
    model: FilePath | None = Field(None, description=_PATH)
    length: Literal["mm", "m", "um"] = Field("mm", description='"mm", "m" or "um"')
    rotation: Annotated[str, AfterValidator(validators.rotation_kind)] = Field(
        "quaternion-wxyz", description='a kind of rotation in double quotes, such as "quaternion-wxyz" or "euler-ZYX"'
    )
    angle: Literal["deg", "rad", "1e-4deg"] = Field("deg", description='"deg", "rad" or "1e-4deg"')
    noise_mm: SizeMm | None = Field(None, description=_SIZE)
    noise_deg: float | None = Field(None, gt=0, le=180, description="a number above 0 and at most 180, in degrees")

    def allows(self, address: str) -> bool:
        """Whether a robot may connect from this IP address (as a socket reports it; IPv4 inside IPv6 is unwrapped)."""
        try:
            peer = ipaddress.ip_address(address.partition("%")[0])
        except ValueError:
            return False
        if isinstance(peer, ipaddress.IPv6Address) and peer.ipv4_mapped is not None:
            peer = peer.ipv4_mapped
        return any(peer in ipaddress.ip_network(network, strict=False) for network in self.allow)


class CameraSection(Section):
    """Where pictures come from. Which of ``path``, ``url``, ``endpoint``, ``serial`` counts depends on ``source``."""

    source: Literal["device", "stream", "folder", "push", "genicam", "simulated"] = Field(
        description='"device", "stream", "folder", "push", "genicam" or "simulated"'
    )
    path: FilePath | None = Field(None, description=_PATH)
    url: Annotated[str, AfterValidator(addresses.stream_url)] | None = Field(
        None, description='a stream\'s address in double quotes, such as "rtsp://192.168.7.20/live"'
    )
    endpoint: Endpoint | None = Field(None, description=addresses.ENDPOINT_TEXT)
    serial: Annotated[str, Field(min_length=1, max_length=64)] | None = Field(
        None, description="the camera's serial number in double quotes"
    )
    intrinsics: FilePath = Field(description=_PATH + ': the lens file, such as "camera.json"')
    settle_ms: int = Field(300, ge=0, le=10_000, description="a whole number from 0 to 10000, in milliseconds")
    motion_check: Literal["two-pictures", "off"] = Field("two-pictures", description='"two-pictures" or "off"')
    exposure_us: float | None = Field(
        None, gt=0, le=1e7, description="a number above 0 and at most 10000000, in microseconds"
    )
    gain_db: float | None = Field(None, ge=-60, le=120, description="a number from -60 to 120, in decibels")


class BoardSection(Section):
    """A board. ``columns`` and ``rows`` count squares, markers or circles; which sizes are needed depends on kind."""

    kind: Literal["charuco", "chessboard", "grid", "circles"] = Field(
        description='"charuco", "chessboard", "grid" or "circles"'
    )
    columns: int = Field(ge=1, le=200, description=_BOARD_COUNT)
    rows: int = Field(ge=1, le=200, description=_BOARD_COUNT)
    square_mm: SizeMm | None = Field(None, description=_SIZE)
    marker_mm: SizeMm | None = Field(None, description=_SIZE)
    gap_mm: SizeMm | None = Field(None, description=_SIZE)
    spacing_mm: SizeMm | None = Field(None, description=_SIZE)
    dictionary: Annotated[str, AfterValidator(validators.dictionary)] | None = Field(
        None, description='a marker dictionary in double quotes, such as "5X5_100"'
    )
    corner_order: Literal["current", "legacy"] = Field("current", description='"current" or "legacy"')

    def to_board(self) -> Board:
        """The board in metres."""
        return BOARD_KINDS[self.kind].from_description(self.model_dump(exclude_unset=True, exclude={"kind"}))


class GoalSection(Section):
    """What the job asks for. The working volume is the whole picture between ``near_mm`` and ``far_mm``."""

    tolerance_mm: SizeMm = Field(description=_SIZE)
    near_mm: SizeMm = Field(description=_SIZE + ": nearest distance from the camera at which the job works")
    far_mm: SizeMm = Field(description=_SIZE + ": farthest distance from the camera at which the job works")
    min_pairs: int = Field(8, ge=3, le=1000, description="a whole number from 3 to 1000")
    max_pairs: int = Field(40, ge=3, le=1000, description='a whole number from "min_pairs" to 1000')
    board_height_mm: float | None = Field(None, ge=-1e5, le=1e5, description="a number from -100000 to 100000, in mm")
    accept: Literal["by-hand", "when-proven"] = Field("by-hand", description='"by-hand" or "when-proven"')


class RecordSection(Section):
    """Where sessions are kept."""

    folder: FilePath = Field("sessions", description=_PATH)
