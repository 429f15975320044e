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
from eyebolt_sim.board_texture import BoardPrint
from eyebolt_sim.lens import Lens
from eyebolt_sim.pose_format import PoseTerms
from eyebolt_sim.transforms import Array, inverse, matrix

_OTHER_LENGTH = {"mm": "m", "m": "mm", "um": "mm"}
_AXIS, _SIDEWAYS = np.array([0.48, 0.6, 0.64]), np.array([0.8, 0.0, 0.6])


def _by(shift_mm: float, turn_deg: float) -> Array:
    """A shift with a turn about a slanted axis, (4, 4)."""
    return matrix(Rotation.from_rotvec(_AXIS * np.deg2rad(turn_deg)), _SIDEWAYS * shift_mm * 1e-3)


@dataclass(frozen=True, eq=False)
class CellFault:
    """One mistake, ``does`` in words. Of the other fields only those that make it differ from what they are without.

    By the robot program: ``other_rotation``, ``other_length``: turns or lengths are written in other terms;
    ``inverted``: flange_T_base is written; ``ahead``: the pose of the next waypoint; ``repeats_pose``: once, that of
    the one before; ``tool_by``, ``frame_by`` (4, 4): another tool or frame is active from a waypoint on.
    In the cell: ``stays``: once, the arm does not go; ``board_by`` (seen from the board), ``camera_by`` (from the
    camera), (4, 4): moved from a waypoint on; ``board_grows``, ``focal_grows``: shares, from the start;
    ``focal_grows_later``: from a waypoint on; ``k1``: what the lens distorts beyond what is stated.
    ``since``: the waypoint, from 1, at which begins what does not hold from the start.
    """

    name: str
    does: str
    other_rotation: bool = False
    other_length: bool = False
    inverted: bool = False
    ahead: bool = False
    repeats_pose: bool = False
    tool_by: Array | None = None
    frame_by: Array | None = None
    stays: bool = False
    board_by: Array | None = None
    camera_by: Array | None = None
    board_grows: float = 0.0
    focal_grows: float = 0.0
    focal_grows_later: float = 0.0
    k1: float = 0.0
    since: int = 5

    @property
    def begins_later(self) -> bool:
        """Whether it begins at waypoint ``since``; else it holds from the start."""
        moves = any(by is not None for by in (self.tool_by, self.frame_by, self.board_by, self.camera_by))
        return moves or self.repeats_pose or self.stays or self.focal_grows_later != 0

    @property
    def wish(self) -> str:
        """What ``cell_fault`` makes this fault of."""
        return f"{self.name}@{self.since}" if self.begins_later else self.name

    def terms(self, stated: PoseTerms) -> PoseTerms:
        """What the robot program writes its poses in. Raises InputFault ``sim-fault`` where there is no other way."""
        if self.other_length:
            return replace(stated, length=_OTHER_LENGTH[stated.length])
        return replace(stated, rotation=_other_rotation(stated.rotation)) if self.other_rotation else stated

    def reported(self, poses: Sequence[Array], place: int, begun: bool) -> Array:
        """The pose (4, 4) that the program sends at place ``place``, from 0, of all it goes to; ``poses``: of all."""
        if self.ahead:
            place = min(place + 1, len(poses) - 1)
        if self.repeats_pose and place + 1 == self.since:
            place -= 1
        pose = poses[place]
        if begun:
            pose = pose if self.tool_by is None else pose @ self.tool_by
            pose = pose if self.frame_by is None else self.frame_by @ pose
        return inverse(pose) if self.inverted else pose

    def stands_still(self, place: int) -> bool:
        """Whether the arm does not really go to place ``place``, from 0."""
        return self.stays and place + 1 == self.since

    def view(self, camera_T_board: Array, begun: bool) -> Array:
        """Where the camera really sees the board, (4, 4); ``camera_T_board`` (4, 4) without the mistake."""
        if not begun:
            return camera_T_board
        if self.board_by is not None:
            camera_T_board = camera_T_board @ self.board_by
        return camera_T_board if self.camera_by is None else inverse(self.camera_by) @ camera_T_board

    def lens(self, stated: Lens, begun: bool) -> Lens:
        """The lens that is really there."""
        grows = self.focal_grows + (self.focal_grows_later if begun else 0.0)
        distortion = np.zeros(max(stated.distortion.size, 4))
        distortion[: stated.distortion.size] = stated.distortion
        distortion[0] += self.k1
        real = stated.matrix.copy()
        real[[0, 1], [0, 1]] *= 1 + grows
        return replace(stated, matrix=real, distortion=distortion)

    def board(self, stated: BoardPrint) -> BoardPrint:
        """The print that is really there."""
        return stated.grown(1 + self.board_grows)


class FaultInForce:
    """A fault in a cell that is being played, and whether it has begun: robot program and camera share one."""

    def __init__(self, fault: CellFault) -> None:
        self.fault = fault
        self._begun = False

    @property
    def begun(self) -> bool:
        """Whether what begins at a waypoint has begun; never where it holds from the start."""
        return self._begun

    def captures_at(self, waypoint: int) -> None:
        """The program is about to capture at a waypoint, from 1; what began stays until a session begins anew."""
        self._begun = self.fault.begins_later and waypoint >= self.fault.since


NO_FAULT = CellFault("none", "nothing is wrong")
CELL_FAULTS: Mapping[str, CellFault] = {
    fault.name: fault
    for fault in (
        CellFault("other-rotation", "the program writes turns in other terms", other_rotation=True),
        CellFault("other-length", "the program writes lengths in another unit", other_length=True),
        CellFault("inverted", "the program writes poses inverted", inverted=True),
        CellFault("ahead", "the program sends the pose of its next waypoint", ahead=True),
        CellFault("old-pose", "at one waypoint the program sends the pose of the one before", repeats_pose=True),
        CellFault("arm-stays", "at one waypoint the arm stays where it was", stays=True),
        CellFault("board-slips", "from a waypoint on the board is moved by 2 mm, 1 deg", board_by=_by(2, 1)),
        CellFault("camera-knocked", "from a waypoint on the camera is knocked by 3 mm, 0.5 deg", camera_by=_by(3, 0.5)),
        CellFault("tool-changes", "from a waypoint on another tool is active", tool_by=_by(120, 30)),
        CellFault("frame-changes", "from a waypoint on another frame is active", frame_by=_by(120, 30)),
        CellFault("larger-board", "the board is printed 2 % larger than stated", board_grows=0.02),
        CellFault("longer-lens", "the focal length is 2 % longer than stated", focal_grows=0.02),
        CellFault("focus-moves", "from a waypoint on the focal length is 1 % longer", focal_grows_later=0.01),
        CellFault("bent-lens", "the lens distorts more than stated", k1=-0.15),
    )
}


def cell_fault(wish: str) -> CellFault:
    """The fault of a wish, ``FAULT`` or ``FAULT@WAYPOINT``. Raises InputFault ``sim-fault``."""
    name, at, number = wish.partition("@")
    if name not in CELL_FAULTS:
        known = "".join(f"\n    {fault.name}: {fault.does}" for fault in CELL_FAULTS.values())
        raise InputFault("sim-fault", f"'{name}' is no fault that can be laid over a cell", f"take one of{known}")
    fault = CELL_FAULTS[name]
    if not at:
        return fault
    if not fault.begins_later:
        raise InputFault("sim-fault", f"{name} holds from the start, not from a waypoint on", f"write {name} alone.")
    if not number.isdecimal() or len(number) > 4 or int(number) < 2:
        raise InputFault(
            "sim-fault",
            f"'{wish}' names no waypoint at which a fault can begin",
            f"write {name}@N with N the number of a waypoint, 2 or more.",
        )
    return replace(fault, since=int(number))


def _other_rotation(stated: str) -> str:
    """Other terms for a turn, which mean another one: parts of a quaternion moved, angles in the other order."""
    if stated == "angle-z":
        raise InputFault("sim-fault", "one angle about the vertical has no other order", "lay another fault.")
    kind, _, letters = stated.partition("-")
    if kind == "quaternion":
        return "quaternion-xyzw" if letters == "wxyz" else "quaternion-wxyz"
    if kind == "rotation":
        return "euler-ZYX"
    return f"euler-{letters[::-1] if letters != letters[::-1] else letters.swapcase()}"
