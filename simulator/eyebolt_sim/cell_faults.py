"""Faults of a cell and of its robot program: what people get wrong, reproduced so that its detection can be tested.

Each kind of fault is a class that overrides what it corrupts: the pose format, the reported pose, the motion, the view,
the lens or the board. Some faults hold from the start of a session; a `StartingFault` begins at a waypoint, as when
something is knocked in the middle of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import ClassVar

import numpy as np
from scipy.spatial.transform import Rotation

from eyebolt.errors import InputFault
from eyebolt.protocol import Code
from eyebolt_sim.board_texture import BoardTexture
from eyebolt_sim.lens import Lens
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.transforms import Array, inverse, matrix

_WRONG_LENGTH_UNIT = {"mm": "m", "m": "mm", "um": "mm"}
# Oblique unit vectors: no displacement lies along an axis of a frame, where a wrong convention could cancel.
_ROTATION_AXIS, _DIRECTION = np.array([0.48, 0.6, 0.64]), np.array([0.8, 0.0, 0.6])


def _displacement(shift_mm: float, rotation_deg: float) -> Array:
    """A shift with a rotation about an oblique axis, (4, 4)."""
    return matrix(Rotation.from_rotvec(_ROTATION_AXIS * np.deg2rad(rotation_deg)), _DIRECTION * shift_mm * 1e-3)


class FaultName(StrEnum):
    """Names of the faults, as on the command line and in ``truth.json``."""

    NONE = "none"
    WRONG_ROTATION_FORMAT = "wrong-rotation-format"
    WRONG_LENGTH_UNIT = "wrong-length-unit"
    INVERTED_POSES = "inverted-poses"
    NEXT_POSE = "next-pose"
    STALE_POSE = "stale-pose"
    SKIPPED_MOVE = "skipped-move"
    BOARD_MOVED = "board-moved"
    CAMERA_MOVED = "camera-moved"
    TOOL_CHANGED = "tool-changed"
    FRAME_CHANGED = "frame-changed"
    BOARD_SCALE = "board-scale"
    FOCAL_LENGTH = "focal-length"
    FOCUS_CHANGED = "focus-changed"
    DISTORTION = "distortion"


@dataclass(frozen=True, eq=False)
class CellFault:
    """A fault that holds from the start of a session. This class changes nothing; each kind of fault is a subclass."""

    name: FaultName
    """name on the command line"""
    description: str
    """what is wrong, in a few words"""
    expected_code: Code | None = None
    """first reply code that keeps no pair in a typical session; None where every pair is kept"""
    expected_finding: str | None = None
    """code of the first finding in the result of a typical session; None where there is none"""

    changes_lens_mid_session: ClassVar[bool] = False
    """whether ``lens`` depends on ``started``"""

    @property
    def has_start_waypoint(self) -> bool:
        """Whether the fault begins at a waypoint; else it holds from the start."""
        return False

    @property
    def spec(self) -> str:
        """The text from which `parse_cell_fault` makes this fault."""
        return self.name

    def check_fits(self, waypoints: int) -> None:
        """Raises InputFault ``sim-fault`` if the fault would begin after the last of ``waypoints`` waypoints."""

    def has_started(self, waypoint: int) -> bool:
        """Whether a fault with a start waypoint is in force at ``waypoint``, counted from 1."""
        return False

    def pose_format(self, stated: PoseFormat) -> PoseFormat:
        """The format in which the robot program writes its poses.

        Raises InputFault ``sim-fault`` where the stated format has no wrong counterpart.
        """
        return stated

    def reported(self, poses: Sequence[Array], index: int, started: bool) -> Array:
        """The pose (4, 4) that the program sends at ``poses[index]``; ``poses`` are those of the whole program."""
        return poses[index]

    def skips_move_to(self, index: int) -> bool:
        """Whether the arm fails to move to the waypoint ``index``, counted from 0."""
        return False

    def view(self, camera_T_board: Array, started: bool) -> Array:
        """The real camera_T_board (4, 4), given that of a cell without the fault."""
        return camera_T_board

    def lens(self, stated: Lens, started: bool) -> Lens:
        """The real lens, given the one of the lens file."""
        return stated

    def board(self, stated: BoardTexture) -> BoardTexture:
        """The real print, given the one of the station file."""
        return stated


@dataclass(frozen=True, eq=False)
class WrongRotationFormat(CellFault):
    """The program writes rotations in another format than the station file states."""

    def pose_format(self, stated: PoseFormat) -> PoseFormat:
        """The stated format with quaternion components moved or Euler angles reversed."""
        return replace(stated, rotation=_wrong_rotation_format(stated.rotation))


@dataclass(frozen=True, eq=False)
class WrongLengthUnit(CellFault):
    """The program writes lengths in another unit than the station file states."""

    def pose_format(self, stated: PoseFormat) -> PoseFormat:
        """The stated format in another unit of length."""
        return replace(stated, length=_WRONG_LENGTH_UNIT[stated.length])


@dataclass(frozen=True, eq=False)
class InvertedPoses(CellFault):
    """The program writes flange_T_base instead of base_T_flange."""

    def reported(self, poses: Sequence[Array], index: int, started: bool) -> Array:
        """The inverse of the pose."""
        return inverse(poses[index])


@dataclass(frozen=True, eq=False)
class NextPose(CellFault):
    """The program sends the pose of the waypoint that it goes to next."""

    def reported(self, poses: Sequence[Array], index: int, started: bool) -> Array:
        """The next pose; the last one at the end."""
        return poses[min(index + 1, len(poses) - 1)]


@dataclass(frozen=True, eq=False)
class BoardScale(CellFault):
    """The board is printed larger than stated."""

    scale_error: float = field(kw_only=True)
    """relative error of every length of the print"""

    def board(self, stated: BoardTexture) -> BoardTexture:
        """The print, scaled about its origin."""
        return stated.scaled(1 + self.scale_error)


@dataclass(frozen=True, eq=False)
class FocalLength(CellFault):
    """The focal length differs from the lens file."""

    scale_error: float = field(kw_only=True)
    """relative error of both focal lengths"""

    def lens(self, stated: Lens, started: bool) -> Lens:
        """The lens with the real focal length."""
        return _refocused(stated, self.scale_error)


@dataclass(frozen=True, eq=False)
class Distortion(CellFault):
    """The lens distorts more than the lens file states."""

    k1_error: float = field(kw_only=True)
    """added to the first radial coefficient"""

    def lens(self, stated: Lens, started: bool) -> Lens:
        """The lens with the real distortion."""
        distortion = np.zeros(max(stated.distortion.size, 4))
        distortion[: stated.distortion.size] = stated.distortion
        distortion[0] += self.k1_error
        return replace(stated, distortion=distortion)


@dataclass(frozen=True, eq=False)
class StartingFault(CellFault):
    """A fault that begins at a waypoint."""

    start_waypoint: int = field(default=5, kw_only=True)
    """the first waypoint with the fault, counted from 1; at least 2"""

    @property
    def has_start_waypoint(self) -> bool:
        """True."""
        return True

    @property
    def spec(self) -> str:
        """``NAME@WAYPOINT``."""
        return f"{self.name}@{self.start_waypoint}"

    def check_fits(self, waypoints: int) -> None:
        """Raises InputFault ``sim-fault`` if the fault would begin after the last of ``waypoints`` waypoints."""
        if self.start_waypoint > waypoints:
            raise InputFault(
                "sim-fault",
                f"{self.name} would begin at waypoint {self.start_waypoint}, and there are {waypoints}",
                f"write {self.name}@N with N from 2 to {waypoints}.",
            )

    def has_started(self, waypoint: int) -> bool:
        """Whether ``waypoint``, counted from 1, is the start waypoint or a later one."""
        return waypoint >= self.start_waypoint


@dataclass(frozen=True, eq=False)
class StalePose(StartingFault):
    """At one waypoint the program sends the pose of the waypoint before."""

    def reported(self, poses: Sequence[Array], index: int, started: bool) -> Array:
        """The pose before at the start waypoint, the right one elsewhere."""
        return poses[index - 1 if index + 1 == self.start_waypoint else index]


@dataclass(frozen=True, eq=False)
class SkippedMove(StartingFault):
    """At one waypoint the arm does not move; the program reports the waypoint's pose all the same."""

    def skips_move_to(self, index: int) -> bool:
        """True at the start waypoint."""
        return index + 1 == self.start_waypoint


@dataclass(frozen=True, eq=False)
class BoardMoved(StartingFault):
    """The board is displaced in the middle of the session."""

    before_T_after: Array = field(kw_only=True)
    """displacement (4, 4) in the board frame"""

    def view(self, camera_T_board: Array, started: bool) -> Array:
        """The view of the displaced board."""
        return camera_T_board @ self.before_T_after if started else camera_T_board


@dataclass(frozen=True, eq=False)
class CameraMoved(StartingFault):
    """The camera is displaced in the middle of the session."""

    before_T_after: Array = field(kw_only=True)
    """displacement (4, 4) in the camera frame"""

    def view(self, camera_T_board: Array, started: bool) -> Array:
        """The view from the displaced camera."""
        return inverse(self.before_T_after) @ camera_T_board if started else camera_T_board


@dataclass(frozen=True, eq=False)
class ToolChanged(StartingFault):
    """Another tool frame becomes active in the middle of the session."""

    tool_offset: Array = field(kw_only=True)
    """old_T_new (4, 4) of the tool frame"""

    def reported(self, poses: Sequence[Array], index: int, started: bool) -> Array:
        """The pose of the new tool frame."""
        return poses[index] @ self.tool_offset if started else poses[index]


@dataclass(frozen=True, eq=False)
class FrameChanged(StartingFault):
    """Another base frame becomes active in the middle of the session."""

    frame_offset: Array = field(kw_only=True)
    """new_T_old (4, 4) of the base frame"""

    def reported(self, poses: Sequence[Array], index: int, started: bool) -> Array:
        """The pose in the new base frame."""
        return self.frame_offset @ poses[index] if started else poses[index]


@dataclass(frozen=True, eq=False)
class FocusChanged(StartingFault):
    """The focus ring moves in the middle of the session."""

    focal_step: float = field(kw_only=True)
    """relative change of both focal lengths"""

    changes_lens_mid_session: ClassVar[bool] = True

    def lens(self, stated: Lens, started: bool) -> Lens:
        """The lens before or after the change."""
        return _refocused(stated, self.focal_step) if started else stated


class ActiveFault:
    """The fault of a running cell, and whether it has begun; robot program and camera share one instance."""

    def __init__(self, fault: CellFault) -> None:
        self.fault = fault
        self._started = False

    @property
    def started(self) -> bool:
        """Whether a fault with a start waypoint has begun; always False for one that holds from the start."""
        return self._started

    def advance_to(self, waypoint: int) -> None:
        """Note that the program is about to capture at ``waypoint``, counted from 1; a new session restarts at 1."""
        self._started = self.fault.has_started(waypoint)


NO_FAULT = CellFault(FaultName.NONE, "nothing is wrong")
_CATALOGUE: tuple[CellFault, ...] = (
    WrongRotationFormat(
        FaultName.WRONG_ROTATION_FORMAT,
        "the program writes rotations in another format",
        Code.POSE_FORMAT_MISMATCH,
        "pose-format",
    ),
    WrongLengthUnit(
        FaultName.WRONG_LENGTH_UNIT,
        "the program writes lengths in another unit",
        Code.POSE_FORMAT_MISMATCH,
        "pose-format",
    ),
    InvertedPoses(FaultName.INVERTED_POSES, "the program writes inverted poses", Code.WRONG_MOUNT, "mount"),
    NextPose(
        FaultName.NEXT_POSE,
        "the program sends the pose of its next waypoint",
        Code.POSE_FORMAT_MISMATCH,
        "pairs-shifted",
    ),
    StalePose(
        FaultName.STALE_POSE, "at one waypoint the program sends the pose of the waypoint before", Code.DUPLICATE_POSE
    ),
    SkippedMove(FaultName.SKIPPED_MOVE, "at one waypoint the arm does not move", Code.NO_FRESH_FRAME),
    BoardMoved(
        FaultName.BOARD_MOVED,
        "from a waypoint on the board is displaced by 2 mm and 1 deg",
        Code.OUTLIER,
        "board-moved",
        before_T_after=_displacement(2, 1),
    ),
    CameraMoved(
        FaultName.CAMERA_MOVED,
        "from a waypoint on the camera is displaced by 3 mm and 0.5 deg",
        Code.SETUP_MOVED,
        "camera-moved",
        before_T_after=_displacement(3, 0.5),
    ),
    ToolChanged(
        FaultName.TOOL_CHANGED,
        "from a waypoint on another tool is active",
        Code.SETUP_MOVED,
        "tool-changed",
        tool_offset=_displacement(120, 30),
    ),
    FrameChanged(
        FaultName.FRAME_CHANGED,
        "from a waypoint on another base frame is active",
        Code.SETUP_MOVED,
        "frame-changed",
        frame_offset=_displacement(120, 30),
    ),
    BoardScale(
        FaultName.BOARD_SCALE,
        "the board is printed 2 % larger than stated",
        Code.BOARD_OR_LENS_MISMATCH,
        "board-scale",
        scale_error=0.02,
    ),
    FocalLength(
        FaultName.FOCAL_LENGTH,
        "the focal length is 2 % longer than stated",
        Code.BOARD_OR_LENS_MISMATCH,
        "focal-length",
        scale_error=0.02,
    ),
    FocusChanged(
        FaultName.FOCUS_CHANGED,
        "from a waypoint on the focal length is 1 % longer",
        Code.BOARD_OR_LENS_MISMATCH,
        "focus-changed",
        focal_step=0.01,
    ),
    Distortion(
        FaultName.DISTORTION,
        "the lens distorts more than stated (k1 lower by 0.15)",
        Code.BOARD_OR_LENS_MISMATCH,
        "distortion",
        k1_error=-0.15,
    ),
)
CELL_FAULTS: Mapping[FaultName, CellFault] = {fault.name: fault for fault in _CATALOGUE}
"""All faults by name, without `NO_FAULT`."""


def parse_cell_fault(spec: str) -> CellFault:
    """The fault of a specification, ``FAULT`` or ``FAULT@WAYPOINT``. Raises InputFault ``sim-fault``."""
    name, at, number = spec.partition("@")
    if name not in set(CELL_FAULTS):
        known = "".join(f"\n    {fault.name}: {fault.description}" for fault in CELL_FAULTS.values())
        raise InputFault("sim-fault", f"'{name}' is not a fault of a cell", f"write one of{known}")
    fault = CELL_FAULTS[FaultName(name)]
    if not at:
        return fault
    if not isinstance(fault, StartingFault):
        raise InputFault("sim-fault", f"{name} holds from the start and has no waypoint", f"write {name} alone.")
    if not number.isdecimal() or len(number) > 4 or int(number) < 2:
        raise InputFault(
            "sim-fault",
            f"'{spec}' does not name a waypoint at which a fault can begin",
            f"write {name}@N with N the number of a waypoint, 2 or more.",
        )
    return replace(fault, start_waypoint=int(number))


def _refocused(stated: Lens, scale_error: float) -> Lens:
    real = stated.matrix.copy()
    real[[0, 1], [0, 1]] *= 1 + scale_error
    return replace(stated, matrix=real)


def _wrong_rotation_format(stated: str) -> str:
    """A format with as many numbers that describes another rotation: reordered components or reversed angles."""
    if stated == "angle-z":
        raise InputFault(
            "sim-fault", 'rotation = "angle-z" has no wrong counterpart', "inject another fault, such as next-pose."
        )
    kind, _, letters = stated.partition("-")
    if kind == "quaternion":
        return "quaternion-xyzw" if letters == "wxyz" else "quaternion-wxyz"
    if kind == "rotation":
        return "euler-ZYX"
    return f"euler-{letters[::-1] if letters != letters[::-1] else letters.swapcase()}"
