"""The sections of a station file as frozen values: fields one by one; ``station_file`` has the rules between them.

The description of a field is the text that an operator reads as "allowed" when its value is invalid; the docstring
under it states its meaning.
"""

from __future__ import annotations

import ipaddress
import re
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from eyebolt import addresses
from eyebolt.access import Access
from eyebolt.boards import (
    BOARD_KINDS,
    MAX_COUNT_PER_SIDE,
    MAX_LENGTH_M,
    Board,
    canonical_dictionary_name,
    dictionary_names,
)
from eyebolt.config.diagnostics import closest_match
from eyebolt.geometry import ROTATION_KINDS, FlangeRotation, Mount, PickPose, PickPosture, SerialArm
from eyebolt.protocol import MAX_JOINTS, ToleranceOf

_NAME = re.compile(r"[A-Za-z0-9_-]{1,32}", re.ASCII)


def _validate_name(text: str) -> str:
    if not _NAME.fullmatch(text):
        raise ValueError("1 to 32 of the letters a-z, A-Z, digits, - and _ (it becomes a folder's name)")
    return text


def _validate_path(text: str) -> str:
    if not text or len(text) > 1024 or not text.isprintable():
        raise ValueError("a path of 1 to 1024 printable characters, relative to this file")
    return text


def _validate_rotation_kind(text: str) -> str:
    if text not in ROTATION_KINDS:
        suggestion = closest_match(text, ROTATION_KINDS)
        raise ValueError(
            '"quaternion-wxyz", "quaternion-xyzw", "rotation-vector", "angle-z", or "euler-" and three axis letters '
            '("euler-ZYX": capitals rotate about the moving axes, small letters about the fixed ones)'
            + (f'; the closest is "{suggestion}"' if suggestion else "")
        )
    return text


def _unit_as_list(value: object) -> object:
    return (value,) if isinstance(value, str) else value


def _validate_board_kind(text: str) -> str:
    if text not in BOARD_KINDS:
        raise ValueError(_KIND)
    return text


def _validate_dictionary(text: str) -> str:
    name = canonical_dictionary_name(text)
    if name is None:
        suggestion = closest_match(text, dictionary_names())
        raise ValueError(
            "4X4, 5X5, 6X6 or 7X7 with _50, _100, _250 or _1000, or APRILTAG_16h5, _25h9, _36h10, _36h11,"
            " or ARUCO_ORIGINAL" + (f'; the closest is "{suggestion}"' if suggestion else "")
        )
    return name


# A cell is smaller than 100 m; a larger number is a mistaken unit.
_MAX_SIZE_MM = MAX_LENGTH_M * 1000

HostPort = Annotated[str, AfterValidator(addresses.validate_host_port)]
Endpoint = Annotated[str, AfterValidator(addresses.validate_endpoint)]
FilePath = Annotated[str, AfterValidator(_validate_path)]
SizeMm = Annotated[float, Field(gt=0, le=_MAX_SIZE_MM)]
_DhLengthMm = Annotated[float, Field(ge=-_MAX_SIZE_MM, le=_MAX_SIZE_MM)]
_DhAngleDeg = Annotated[float, Field(ge=-360, le=360)]
DhRowOfStation = tuple[_DhLengthMm, _DhAngleDeg, _DhLengthMm, _DhAngleDeg]
BoardCount = Annotated[int, Field(ge=1, le=MAX_COUNT_PER_SIDE)]

# Keys of [board] that do not describe a board by themselves.
NOT_OF_THE_BOARD = {"kind", "scale_from", "scale_sigma_percent"}
_SIZE = f"a number above 0 and at most {_MAX_SIZE_MM:.0f}, in mm"
_PATH = "a path in double quotes, relative to this file"
_BOARD_COUNT = f"a whole number from 1 to {MAX_COUNT_PER_SIDE}"
_KIND = " or ".join((", ".join(f'"{kind}"' for kind in list(BOARD_KINDS)[:-1]), f'"{list(BOARD_KINDS)[-1]}"'))


class Section(BaseModel):
    """Strict: no unknown keys, no text for numbers, no infinities; frozen."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class StationSection(Section):
    """The identity of the station, and where its status is published."""

    name: Annotated[str, AfterValidator(_validate_name)] = Field(
        description="text of 1 to 32 letters, digits, - and _ (it becomes a folder's name)"
    )
    """The station's name in logs, status and results."""
    mount: Mount = Field(strict=False, description='"fixed" (camera in the cell) or "arm" (camera on the arm)')
    """Where the camera is; the board is on the other side of the arm."""
    turns: FlangeRotation = Field(
        FlangeRotation.FREE, strict=False, description='"free", or "vertical" for 4-axis arms'
    )
    """Rotations that the arm can give its flange; with "vertical" one height is unobservable."""
    status: Endpoint = Field("tcp://127.0.0.1:4751", description=addresses.ENDPOINT_TEXT)
    """Where the daemon publishes its status and `eyebolt watch` subscribes."""
    control: Endpoint | None = Field(None, description=addresses.ENDPOINT_TEXT)
    """Where the daemon takes the operator's requests (`eyebolt session`, keys of `eyebolt watch`); none without it."""
    keys: FilePath | None = Field(None, description=_PATH + ": the folder that `eyebolt keys` makes")
    """Folder of the keys; required if others can reach ``status``, ``control`` or the endpoint of a push camera."""


class RobotSection(Section):
    """How the robot is reached and how it writes a pose."""

    listen: HostPort | None = Field(None, description=addresses.HOST_PORT_TEXT)
    """Where robots connect; exactly one of ``listen`` and ``dial``, on another port than ``status``."""
    dial: HostPort | None = Field(None, description=addresses.HOST_PORT_TEXT)
    """The robot that the daemon connects to, for controllers that can only wait for a connection."""
    allow: tuple[Annotated[str, AfterValidator(addresses.validate_allowed_address)], ...] = Field(
        ("127.0.0.1",), min_length=1, max_length=64, description='a list of IP addresses, such as ["127.0.0.1"]'
    )
    """Addresses and networks (192.168.7.0/24) from which robots may connect."""
    pose_of: Literal["flange", "tool"] = Field("flange", description='"flange" or "tool"')
    """The frame whose pose the robot sends; "tool" requires ``tool``."""
    tool: tuple[float, ...] | None = Field(
        None, max_length=7, description="a list of numbers: the tool's pose at the flange, written as the robot does"
    )
    """The tool's pose at the flange in the robot's pose format."""
    tip_mm: tuple[float, float, float] | None = Field(
        None, description="a list of three numbers in mm: the pointer's tip in the flange frame"
    )
    """The pointer's tip in the flange frame, for ``place`` and ``touch``; flange z points up on 4-axis arms."""
    tip_sigma_mm: SizeMm | None = Field(None, description=_SIZE)
    """Standard deviation per axis of the tip and of its placement on a corner; 0.5 without it."""
    model: FilePath | None = Field(None, description=_PATH)
    """Reserved: checked, but without effect."""
    length: Literal["mm", "m", "um"] = Field("mm", description='"mm", "m" or "um"')
    """Unit of the lengths in poses."""
    rotation: Annotated[str, AfterValidator(_validate_rotation_kind)] = Field(
        "quaternion-wxyz", description='a kind of rotation in double quotes, such as "quaternion-wxyz" or "euler-ZYX"'
    )
    """How rotations are written in poses; Euler letters: capitals intrinsic, small letters extrinsic."""
    result_rotation: Annotated[str, AfterValidator(_validate_rotation_kind)] | None = Field(
        None, description='a kind of rotation in double quotes, such as "quaternion-wxyz" or "euler-ZYX"'
    )
    """How the reply to `result` writes its rotation; as `rotation` without it. "angle-z" holds no tilted camera."""
    angle: Literal["deg", "rad", "1e-4deg"] = Field("deg", description='"deg", "rad" or "1e-4deg"')
    """Unit of the angles in poses; without effect on quaternions."""
    joint_names: tuple[Annotated[str, AfterValidator(_validate_name)], ...] | None = Field(
        None, min_length=1, max_length=MAX_JOINTS, description='a list of 1 to 12 names, such as ["J1", "J2", "J3"]'
    )
    """Names of the numbers that may follow a pose after a `j`, in their order; without them 1 to 12 numbers may."""
    joint_unit: Annotated[tuple[Literal["deg", "rad", "mm"], ...], BeforeValidator(_unit_as_list)] = Field(
        ("deg",),
        min_length=1,
        max_length=MAX_JOINTS,
        description='"deg", "rad" or "mm", or a list with one for each joint',
    )
    """Unit of these numbers, one for all or one for each joint; requires ``joint_names``."""
    dh_mm_deg: tuple[DhRowOfStation, ...] | None = Field(
        None,
        min_length=1,
        max_length=MAX_JOINTS,
        description="a list of rows [a, alpha, d, offset] in mm and deg, one for each joint",
    )
    """The arm's nominal model, standard Denavit-Hartenberg, base to flange: Rz(joint + offset) Tz(d) Tx(a) Rx(alpha).
    A joint in mm slides along z, and offset is its constant angle; requires ``joint_names``."""
    reply_wait_s: float = Field(1.4, ge=0, le=30, description="a number from 0 to 30, in seconds")
    """How long an unfinished request goes unanswered before it is answered 10, for programs that cannot poll."""
    guided: bool = Field(False, description="true or false")
    """A session that the operator begins is guided: the arm is moved by hand, the robot streams `pose` only, and the
    daemon takes the pairs; needs a live camera."""
    noise_mm: SizeMm | None = Field(None, description=_SIZE)
    """Standard deviation per axis of the flange position; estimated if absent; requires ``noise_deg``."""
    noise_deg: float | None = Field(None, gt=0, le=180, description="a number above 0 and at most 180, in degrees")
    """Standard deviation per axis of the flange rotation; requires ``noise_mm``."""

    @property
    def joint_count(self) -> int | None:
        """How many numbers follow a `j`; None where the station file does not name them."""
        return None if self.joint_names is None else len(self.joint_names)

    @property
    def joint_units(self) -> tuple[Literal["deg", "rad", "mm"], ...]:
        """Unit of each joint; empty where the station file does not name the joints."""
        count = self.joint_count or 0
        return self.joint_unit * count if len(self.joint_unit) == 1 else self.joint_unit

    @property
    def arm(self) -> SerialArm | None:
        """The nominal model of the arm, if it is stated."""
        if self.dh_mm_deg is None:
            return None
        return SerialArm.from_rows(self.dh_mm_deg, [unit == "mm" for unit in self.joint_units])

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
    """The source of the images. Which of ``path``, ``url``, ``endpoint``, ``serial`` applies depends on ``source``."""

    source: Literal["device", "stream", "folder", "push", "genicam", "simulated"] = Field(
        description='"device", "stream", "folder", "push", "genicam" or "simulated"'
    )
    """Kind of camera; "stream" is reserved and refused when the camera is opened."""
    path: FilePath | None = Field(None, description=_PATH)
    """Number, /dev/..., video file or stream address (source "device"); folder of the images (source "folder")."""
    url: Annotated[str, AfterValidator(addresses.validate_stream_url)] | None = Field(
        None, description='a stream\'s address in double quotes, such as "rtsp://192.168.7.20/live"'
    )
    """Address of the stream (source "stream")."""
    endpoint: Endpoint | None = Field(None, description=addresses.ENDPOINT_TEXT)
    """Where the frames come from (sources "push" and "simulated")."""
    serial: Annotated[str, Field(min_length=1, max_length=64)] | None = Field(
        None, description="the camera's address or serial number in double quotes"
    )
    """Which camera (source "genicam"): the address or hardware address of a GigE Vision camera, or a serial number; not
    needed where there is only one."""
    pixel_format: Annotated[str, Field(pattern=r"^[A-Za-z0-9_]{1,32}$")] | None = Field(
        None, description='a pixel format of GenICam in double quotes, such as "Mono8"'
    )
    """Pixel format (source "genicam"): Mono8, Mono10, Mono12, Mono16, BayerRG8, ..., RGB8; without it that of the
    camera."""
    intrinsics: FilePath = Field(description=_PATH + ': the lens file, such as "camera.json"')
    """The lens file."""
    settle_ms: int = Field(300, ge=0, le=10_000, description="a whole number from 0 to 10000, in milliseconds")
    """Time between the request and the earliest exposure."""
    motion_check: Literal["two-images", "off"] = Field("two-images", description='"two-images" or "off"')
    """Whether an image 150 ms earlier is compared with the captured one; without effect on recorded images."""
    exposure_us: float | None = Field(
        None, gt=0, le=1e7, description="a number above 0 and at most 10000000, in microseconds"
    )
    """Exposure time; video devices and GenICam cameras only."""
    gain_db: float | None = Field(None, ge=-60, le=120, description="a number from -60 to 120, in decibels")
    """Gain; GenICam cameras only, refused by video devices, without effect on the others."""


class BoardSection(Section):
    """A board. Which lengths it has depends on its kind; ``eyebolt.boards`` has the rules of each kind."""

    kind: Annotated[str, AfterValidator(_validate_board_kind)] = Field(description=_KIND)
    """Kind of board."""
    columns: BoardCount = Field(description=_BOARD_COUNT)
    """Squares in a row; markers in a row (grid); circles in a row (circles)."""
    rows: BoardCount = Field(description=_BOARD_COUNT)
    """Rows of squares, of markers (grid) or of circles (circles)."""
    square_mm: SizeMm | None = Field(None, description=_SIZE)
    """Side of a square (charuco, chessboard)."""
    marker_mm: SizeMm | None = Field(None, description=_SIZE)
    """Side of a marker's black border; smaller than a square (charuco, grid)."""
    gap_mm: SizeMm | None = Field(None, description=_SIZE)
    """White gap between two markers, at least a tenth of a marker (grid)."""
    spacing_mm: SizeMm | None = Field(None, description=_SIZE)
    """Distance between rows; circles of a row are twice that apart (circles)."""
    dictionary: Annotated[str, AfterValidator(_validate_dictionary)] | None = Field(
        None, description='a marker dictionary in double quotes, such as "5X5_100"'
    )
    """Marker dictionary, with enough markers for the board (charuco, grid)."""
    corner_order: Literal["current", "legacy"] = Field("current", description='"current" or "legacy"')
    """Order of the corners: "legacy" if drawn by OpenCV before 4.6 (charuco)."""
    scale_from: Literal["measured", "printed"] = Field("measured", description='"measured" or "printed"')
    """Where the lengths come from: measured over ten squares with a ruler, or as they were sent to the printer."""
    scale_sigma_percent: float | None = Field(
        None, gt=0, le=10, description="a number above 0 and at most 10, in percent"
    )
    """Standard deviation of the board's size; without it 0.2 mm over ten squares ("measured"), or 0.3 ("printed")."""

    def to_board(self) -> Board:
        """The board in metres. Raises InputFault for a section that ``parse_station`` would refuse."""
        return BOARD_KINDS[self.kind].from_description(self.model_dump(exclude_unset=True, exclude=NOT_OF_THE_BOARD))


class GoalSection(Section):
    """What the job requires. The working volume is the whole image between ``near_mm`` and ``far_mm``."""

    tolerance_mm: SizeMm = Field(description=_SIZE)
    """Limit of the expected error (p95, at 95 % confidence): of a pick, or of what ``tolerance_of`` names."""
    tolerance_of: ToleranceOf = Field(ToleranceOf.PICK, strict=False, description='"pick" or "transform"')
    """Which error the tolerance is for: a pick with the arm's own error, or the transform as if the arm were exact."""
    pick_pose: PickPose = Field(PickPose.DOWN, strict=False, description='"down" or "waypoints"')
    """Posture of the tool at a pick: straight down (against base z, any rotation about it), or as at the waypoints."""
    pick_axis: Literal["x", "-x", "y", "-y", "z", "-z"] = Field(
        "z", description='"x", "-x", "y", "-y", "z" or "-z": the flange axis along which the tool points'
    )
    """Flange axis along which the tool points: down at a pick; without effect on 4-axis arms."""
    pick_tool_mm: tuple[float, float, float] | None = Field(
        None, description="a list of three numbers in mm: the tool's tip in the flange frame"
    )
    """Tip of the tool that picks, in the flange frame; the flange itself without it."""
    near_mm: SizeMm = Field(description=_SIZE + ": nearest distance from the camera at which the job works")
    """Near end of the working volume, from the camera."""
    far_mm: SizeMm = Field(description=_SIZE + ": farthest distance from the camera at which the job works")
    """Far end of the working volume, from the camera."""
    min_pairs: int = Field(8, ge=3, le=1000, description="a whole number from 3 to 1000")
    """Pairs that a result must rest on, outliers not counted."""
    max_pairs: int = Field(40, ge=3, le=1000, description='a whole number from "min_pairs" to 1000')
    """Pairs that are kept at most."""
    board_height_mm: float | None = Field(
        None,
        ge=-_MAX_SIZE_MM,
        le=_MAX_SIZE_MM,
        description=f"a number from -{_MAX_SIZE_MM:.0f} to {_MAX_SIZE_MM:.0f}, in mm",
    )
    """4-axis arms: height of the board's origin above the flange (camera fixed) or the base (camera on the arm)."""
    accept: Literal["by-hand", "when-proven"] = Field("by-hand", description='"by-hand" or "when-proven"')
    """Whether a result that is proven and meets the goal is used at once."""

    @property
    def pick(self) -> PickPosture:
        """The pick for which an error is stated."""
        sign = -1.0 if self.pick_axis.startswith("-") else 1.0
        x, y, z = (sign if self.pick_axis.endswith(name) else 0.0 for name in "xyz")
        tool = self.pick_tool_mm
        tool_m = None if tool is None else (tool[0] / 1e3, tool[1] / 1e3, tool[2] / 1e3)
        return PickPosture(self.pick_pose, (x, y, z), tool_m)


class RecordSection(Section):
    """Where sessions are recorded."""

    folder: FilePath = Field("sessions", description=_PATH)
    """The sessions are recorded here, one folder each."""
    access: Access = Field(Access.OWNER, strict=False, description='"owner", "group" or "all"')
    """Which users of this computer may read new sessions and their results; existing ones stay as they are."""
