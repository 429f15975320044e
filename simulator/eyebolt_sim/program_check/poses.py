"""Whether the poses of a robot program are plausible: units, reach, motion between captures, decimals."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from eyebolt.protocol import Request
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.transforms import Array

# Of arms: from the smallest table-top arm folded in to the largest one on a track.
_MIN_REACH_M, _MAX_REACH_M = 0.03, 12.0
_MIN_MOVE_M, _MIN_TURN_DEG = 1e-3, 0.5
_MIN_SPREAD_DEG = 10.0
_MIN_POSES = 3
_LENGTH_DECIMALS = {"mm": 2, "m": 5, "um": 0}
_ANGLE_DECIMALS = {"deg": 3, "rad": 5, "1e-4deg": 0}
_QUATERNION_DECIMALS = 5


@dataclass(frozen=True)
class PoseFailures:
    """What is wrong with the pose of one capture."""

    range: tuple[str, ...] = ()
    """Out of an arm's reach, or no rotation."""
    did_not_move: str = ""
    """As the capture before."""


@dataclass
class PoseCheck:
    """Follows the poses of captures."""

    pose_format: PoseFormat
    """Of the station file."""
    joints: set[int] = field(default_factory=set)
    """Counts of joint angles that were sent."""
    _poses: list[Array] = field(default_factory=list)
    _angles: list[float] = field(default_factory=list)
    _decimals: list[int] = field(default_factory=list)
    _length_decimals: list[int] = field(default_factory=list)
    _before: tuple[int | None, Array] | None = None

    def forget_last(self) -> None:
        """The next capture may have the pose of the last one: the program starts again, or was refused there."""
        self._before = None

    def capture(self, request: Request) -> PoseFailures:
        """The pose of a new capture, or of one that is repeated."""
        numbers = request.pose or ()
        if request.joints is not None:
            self.joints.add(len(request.joints))
        try:
            pose = self.pose_format.parse_pose(numbers)
        except ValueError as error:
            return PoseFailures((f"'capture {request.seq}' has no rotation: {error}",))
        before, self._before = self._before, (request.seq, pose)
        if before is not None and before[0] == request.seq:
            return PoseFailures()
        self._poses.append(pose)
        self._note_digits(request)
        distance_m = float(np.linalg.norm(pose[:3, 3]))
        wrong = []
        if not _MIN_REACH_M <= distance_m <= _MAX_REACH_M:
            unit = self.pose_format.length
            wrong.append(f"'capture {request.seq}' is {distance_m:.4g} m from the base, read in {unit}: another unit?")
        return PoseFailures(tuple(wrong), self._motion_failure(request, before, pose))

    def failures_of_all(self) -> list[str]:
        """What all poses together show of the unit of angles."""
        largest = max(self._angles, default=0.0)
        if len(self._poses) < _MIN_POSES or not self._angles:
            return []
        if self.pose_format.angle == "deg" and 0 < largest <= 2 * math.pi and self._spread_deg() < _MIN_SPREAD_DEG:
            return [f"no angle is above {largest:.2f} deg: radians?"]
        if self.pose_format.angle == "rad" and largest > 3 * math.pi:
            return [f"an angle is {largest:.1f} rad: degrees?"]
        return []

    def rotation_failure(self) -> str | None:
        """Too little rotation in all; empty if enough, None if too few poses were seen."""
        if len(self._poses) < _MIN_POSES:
            return None
        spread_deg = self._spread_deg()
        return "" if spread_deg >= _MIN_SPREAD_DEG else f"no two captures differ by more than {spread_deg:.1f} deg"

    def digits_failure(self) -> str | None:
        """Rounded poses; empty if not, None if too few poses were seen."""
        if len(self._poses) < _MIN_POSES:
            return None
        wanted = _LENGTH_DECIMALS[self.pose_format.length]
        if max(self._length_decimals) < wanted:
            return f"lengths have {max(self._length_decimals)} decimals of {self.pose_format.length} at most"
        is_quaternion = self.pose_format.rotation.startswith("quaternion")
        wanted = _QUATERNION_DECIMALS if is_quaternion else _ANGLE_DECIMALS[self.pose_format.angle]
        if max(self._decimals) < wanted:
            return f"rotations have {max(self._decimals)} decimals at most"
        return ""

    @property
    def note(self) -> str:
        """Figures, in words; empty without poses."""
        return f"{len(self._poses)} poses, {self._spread_deg():.0f} deg apart at most" if self._poses else ""

    def _motion_failure(self, request: Request, before: tuple[int | None, Array] | None, pose: Array) -> str:
        if before is None:
            return ""
        moved_m = float(np.linalg.norm(pose[:3, 3] - before[1][:3, 3]))
        if moved_m >= _MIN_MOVE_M or _angle_deg(before[1], pose) >= _MIN_TURN_DEG:
            return ""
        return f"'capture {request.seq}' has the pose of 'capture {before[0]}'"

    def _note_digits(self, request: Request) -> None:
        tokens = request.text.split(" j ")[0].split(" ")[-len(request.pose or ()) :]
        self._length_decimals += [_decimals(token) for token in tokens[:3]]
        self._decimals += [_decimals(token) for token in tokens[3:]]
        if not self.pose_format.rotation.startswith("quaternion"):
            self._angles += [abs(number) for number in (request.pose or ())[3:]]

    def _spread_deg(self) -> float:
        return max((_angle_deg(a, b) for k, a in enumerate(self._poses) for b in self._poses[:k]), default=0.0)


def _angle_deg(a: Array, b: Array) -> float:
    cosine = (np.trace(a[:3, :3].T @ b[:3, :3]) - 1) / 2
    return math.degrees(math.acos(min(1.0, max(-1.0, float(cosine)))))


def _decimals(token: str) -> int:
    """Decimals of a number as it was printed; an exponent moves the point."""
    mantissa, _, exponent = token.lower().partition("e")
    return max(0, len(mantissa.partition(".")[2]) - int(exponent or 0))
