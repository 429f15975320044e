"""What people get wrong in a cell, laid over a simulated one so that it can be seen how it is found.

Some mistakes begin at a waypoint, as when something is knocked in the middle of a session; the others hold from the
start.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from eyebolt.errors import InputFault
from eyebolt_sim.board_texture import BoardTexture
from eyebolt_sim.lens import Lens
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.transforms import Array, inverse, matrix

_WRONG_LENGTH_UNIT = {"mm": "m", "m": "mm", "um": "mm"}
_AXIS, _SIDEWAYS = np.array([0.48, 0.6, 0.64]), np.array([0.8, 0.0, 0.6])


def _offset(shift_mm: float, turn_deg: float) -> Array:
    """A shift with a turn about a slanted axis, (4, 4)."""
    return matrix(Rotation.from_rotvec(_AXIS * np.deg2rad(turn_deg)), _SIDEWAYS * shift_mm * 1e-3)


@dataclass(frozen=True, eq=False)
class CellFault:
    """One mistake, ``description`` in words. Of the other fields only those that make it differ from what they are without.

    By the robot program: ``wrong_rotation_format``, ``wrong_length_unit``: turns or lengths are written in other terms;
    ``inverted_pose``: flange_T_base is written; ``sends_next_pose``: the pose of the next waypoint; ``sends_stale_pose``: once, that of
    the one before; ``tool_offset``, ``frame_offset`` (4, 4): another tool or frame is active from a waypoint on.
    In the cell: ``skips_move``: once, the arm does not go; ``board_offset`` (seen from the board), ``camera_offset`` (from the
    camera), (4, 4): moved from a waypoint on; ``board_scale_error``, ``focal_scale_error``: shares, from the start;
    ``focal_step``: from a waypoint on; ``k1``: what the lens distorts beyond what is stated.
    ``start_waypoint``: the waypoint, from 1, at which begins what does not hold from the start.
    """

    name: str
    description: str
    wrong_rotation_format: bool = False
    wrong_length_unit: bool = False
    inverted_pose: bool = False
    sends_next_pose: bool = False
    sends_stale_pose: bool = False
    tool_offset: Array | None = None
    frame_offset: Array | None = None
    skips_move: bool = False
    board_offset: Array | None = None
    camera_offset: Array | None = None
    board_scale_error: float = 0.0
    focal_scale_error: float = 0.0
    focal_step: float = 0.0
    k1: float = 0.0
    start_waypoint: int = 5

    @property
    def has_start_waypoint(self) -> bool:
        """Whether it begins at waypoint ``start_waypoint``; else it holds from the start."""
        has_offset = any(
            by is not None for by in (self.tool_offset, self.frame_offset, self.board_offset, self.camera_offset)
        )
        return has_offset or self.sends_stale_pose or self.skips_move or self.focal_step != 0

    @property
    def spec(self) -> str:
        """What ``parse_cell_fault`` makes this fault of."""
        return f"{self.name}@{self.start_waypoint}" if self.has_start_waypoint else self.name

    def pose_format(self, stated: PoseFormat) -> PoseFormat:
        """What the robot program writes its poses in. Raises InputFault ``sim-fault`` where there is no other way."""
        if self.wrong_length_unit:
            return replace(stated, length=_WRONG_LENGTH_UNIT[stated.length])
        return (
            replace(stated, rotation=_wrong_rotation_format(stated.rotation)) if self.wrong_rotation_format else stated
        )

    def reported(self, poses: Sequence[Array], index: int, started: bool) -> Array:
        """The pose (4, 4) that the program sends at place ``index``, from 0, of all it goes to; ``poses``: of all."""
        if self.sends_next_pose:
            index = min(index + 1, len(poses) - 1)
        if self.sends_stale_pose and index + 1 == self.start_waypoint:
            index -= 1
        pose = poses[index]
        if started:
            pose = pose if self.tool_offset is None else pose @ self.tool_offset
            pose = pose if self.frame_offset is None else self.frame_offset @ pose
        return inverse(pose) if self.inverted_pose else pose

    def skips_move_to(self, index: int) -> bool:
        """Whether the arm does not really go to place ``index``, from 0."""
        return self.skips_move and index + 1 == self.start_waypoint

    def view(self, camera_T_board: Array, started: bool) -> Array:
        """Where the camera really sees the board, (4, 4); ``camera_T_board`` (4, 4) without the mistake."""
        if not started:
            return camera_T_board
        if self.board_offset is not None:
            camera_T_board = camera_T_board @ self.board_offset
        return camera_T_board if self.camera_offset is None else inverse(self.camera_offset) @ camera_T_board

    def lens(self, stated: Lens, started: bool) -> Lens:
        """The lens that is really there."""
        scale_error = self.focal_scale_error + (self.focal_step if started else 0.0)
        distortion = np.zeros(max(stated.distortion.size, 4))
        distortion[: stated.distortion.size] = stated.distortion
        distortion[0] += self.k1
        real = stated.matrix.copy()
        real[[0, 1], [0, 1]] *= 1 + scale_error
        return replace(stated, matrix=real, distortion=distortion)

    def board(self, stated: BoardTexture) -> BoardTexture:
        """The print that is really there."""
        return stated.scaled(1 + self.board_scale_error)


class ActiveFault:
    """A fault in a cell that is being played, and whether it has begun: robot program and camera share one."""

    def __init__(self, fault: CellFault) -> None:
        self.fault = fault
        self._started = False

    @property
    def started(self) -> bool:
        """Whether what begins at a waypoint has begun; never where it holds from the start."""
        return self._started

    def advance_to(self, waypoint: int) -> None:
        """The program is about to capture at a waypoint, from 1; what began stays until a session begins anew."""
        self._started = self.fault.has_start_waypoint and waypoint >= self.fault.start_waypoint


NO_FAULT = CellFault("none", "nothing is wrong")
CELL_FAULTS: Mapping[str, CellFault] = {
    fault.name: fault
    for fault in (
        CellFault("wrong-rotation-format", "the program writes turns in other terms", wrong_rotation_format=True),
        CellFault("wrong-length-unit", "the program writes lengths in another unit", wrong_length_unit=True),
        CellFault("inverted-poses", "the program writes poses inverted", inverted_pose=True),
        CellFault("next-pose", "the program sends the pose of its next waypoint", sends_next_pose=True),
        CellFault("stale-pose", "at one waypoint the program sends the pose of the one before", sends_stale_pose=True),
        CellFault("skipped-move", "at one waypoint the arm stays where it was", skips_move=True),
        CellFault("board-moved", "from a waypoint on the board is moved by 2 mm, 1 deg", board_offset=_offset(2, 1)),
        CellFault(
            "camera-moved", "from a waypoint on the camera is knocked by 3 mm, 0.5 deg", camera_offset=_offset(3, 0.5)
        ),
        CellFault("tool-changed", "from a waypoint on another tool is active", tool_offset=_offset(120, 30)),
        CellFault("frame-changed", "from a waypoint on another frame is active", frame_offset=_offset(120, 30)),
        CellFault("board-scale", "the board is printed 2 % larger than stated", board_scale_error=0.02),
        CellFault("focal-length", "the focal length is 2 % longer than stated", focal_scale_error=0.02),
        CellFault("focus-changed", "from a waypoint on the focal length is 1 % longer", focal_step=0.01),
        CellFault("distortion", "the lens distorts more than stated", k1=-0.15),
    )
}


def parse_cell_fault(spec: str) -> CellFault:
    """The fault of a wish, ``EXIT_FAULT`` or ``EXIT_FAULT@WAYPOINT``. Raises InputFault ``sim-fault``."""
    name, at, number = spec.partition("@")
    if name not in CELL_FAULTS:
        known = "".join(f"\n    {fault.name}: {fault.description}" for fault in CELL_FAULTS.values())
        raise InputFault("sim-fault", f"'{name}' is no fault that can be laid over a cell", f"take one of{known}")
    fault = CELL_FAULTS[name]
    if not at:
        return fault
    if not fault.has_start_waypoint:
        raise InputFault("sim-fault", f"{name} holds from the start, not from a waypoint on", f"write {name} alone.")
    if not number.isdecimal() or len(number) > 4 or int(number) < 2:
        raise InputFault(
            "sim-fault",
            f"'{spec}' names no waypoint at which a fault can begin",
            f"write {name}@N with N the number of a waypoint, 2 or more.",
        )
    return replace(fault, start_waypoint=int(number))


def _wrong_rotation_format(stated: str) -> str:
    """Other terms for a turn, which mean another one: parts of a quaternion moved, angles in the other order."""
    if stated == "angle-z":
        raise InputFault("sim-fault", "one angle about the vertical has no other order", "lay another fault.")
    kind, _, letters = stated.partition("-")
    if kind == "quaternion":
        return "quaternion-xyzw" if letters == "wxyz" else "quaternion-wxyz"
    if kind == "rotation":
        return "euler-ZYX"
    return f"euler-{letters[::-1] if letters != letters[::-1] else letters.swapcase()}"
