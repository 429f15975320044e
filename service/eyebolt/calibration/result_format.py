"""Whether the robot can be given a transform: every direction of it is known, and its pose format can hold it.

A pose format of one angle (``angle-z``) drops the tilt of a camera, and coarse numbers drop digits. What matters is not
the name of the format but how far the numbers, as printed, move the points that the camera will measure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from eyebolt.geometry import Array, PoseFormat

# Share of the tolerance that printing may use up: the error of the transform itself needs the rest. Added in squares, a
# tenth is half a percent.
_PRINTING_SHARE = 0.1
_CLOSE_HEIGHT = (
    "Lay the board in the camera's view, send place, and touch its corners; or state [goal] board_height_mm in the"
    " station file. Then solve again."
)
_STATE_FULL_FORM = (
    'State a full form for the reply to result in the station file, [robot] result_rotation = "quaternion-wxyz" (7'
    " numbers) or another; read as many numbers in the robot program; start the daemon again."
)


@dataclass(frozen=True)
class ResultGap:
    """Why the robot is not given a transform."""

    message: str
    """What is missing, in one sentence; no full stop."""
    remedy: str
    """How to supply it."""


@dataclass(frozen=True)
class ResultFormat:
    """How a transform is written for the robot, and how well that has to hold it."""

    pose_format: PoseFormat
    """Format of the reply to ``result``."""
    volume_points_m: Array
    """(n, 3), camera frame, metres: points of the working volume."""
    tolerance_mm: float
    """Tolerance of the job, mm."""

    def printing_error_mm(self, transform: Array) -> float:
        """Largest displacement, mm, of a point of the working volume by printing ``transform`` (4, 4), metres."""
        change = self.pose_format.printed(transform) - transform
        moved_m = self.volume_points_m @ change[:3, :3].T + change[:3, 3]
        return float(np.linalg.norm(moved_m, axis=-1).max()) * 1e3

    def can_hold(self, transform: Array) -> bool:
        """Whether the printed numbers are ``transform`` (4, 4) within a tenth of the tolerance."""
        return self.printing_error_mm(transform) <= _PRINTING_SHARE * self.tolerance_mm

    def find_gap(self, transform: Array, unobservable: Sequence[str]) -> ResultGap | None:
        """Why the robot is not given ``transform`` (4, 4), metres; None if it can be.

        ``unobservable``: directions of it that nothing determines, for an operator.
        """
        gaps = []
        if unobservable:
            # The remedy is stated once, below; a description goes on with it after its colon.
            names = " and the ".join(direction.partition(":")[0] for direction in unobservable)
            gaps.append(ResultGap(f"the {names} is unknown", _CLOSE_HEIGHT))
        if not self.can_hold(transform):
            error_mm, limit_mm = self.printing_error_mm(transform), _PRINTING_SHARE * self.tolerance_mm
            message = (
                f"the robot's pose format ({self.pose_format.description}) cannot hold the transform: as printed it"
                f" would put points of the working volume up to {error_mm:.3g} mm elsewhere (limit {limit_mm:.3g} mm)"
            )
            gaps.append(ResultGap(message, _STATE_FULL_FORM))
        if not gaps:
            return None
        return ResultGap("; and ".join(g.message for g in gaps), " ".join(g.remedy for g in gaps))
