"""The posture of the tool at a pick, for which the error of a pick is stated."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class PickPose(StrEnum):
    """How the flange is rotated at a pick. The value is that of the station file."""

    DOWN = "down"
    """Tool straight down (against base z), at any rotation about the vertical."""
    WAYPOINTS = "waypoints"
    """As at the waypoints of the calibration."""


@dataclass(frozen=True)
class PickPosture:
    """The posture of the tool at a pick."""

    pose: PickPose = PickPose.DOWN
    """How the flange is rotated."""
    axis: tuple[float, float, float] = (0.0, 0.0, 1.0)
    """Direction of the tool in the flange frame, a unit vector: the one that points down."""
    tool_m: tuple[float, float, float] | None = None
    """Tip of the tool in the flange frame, metres; None: not stated, the flange origin."""
