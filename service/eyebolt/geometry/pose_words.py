"""A pose in words, for a person who compares it with the arm: where the flange is and where its axes point."""

from __future__ import annotations

import numpy as np

from eyebolt.geometry.se3 import Array

# Below this angle a direction is named by its axis alone.
_PLAIN_DEG = 3.0
_AXES = (("base +x", "base -x"), ("base +y", "base -y"), ("up", "down"))


def describe_direction(direction: Array) -> str:
    """A direction (3,) in base axes, such as "down, tilted 23 deg towards base +x"; base z points up."""
    unit = direction / np.linalg.norm(direction)
    main = int(np.argmax(np.abs(unit)))
    off_deg = float(np.rad2deg(np.arccos(min(abs(float(unit[main])), 1.0))))
    name = _name(main, float(unit[main]))
    name = name if main == 2 else f"along {name}"
    if off_deg < _PLAIN_DEG:
        return name
    rest = unit.copy()
    rest[main] = 0
    second = int(np.argmax(np.abs(rest)))
    return f"{name}, tilted {off_deg:.0f} deg towards {_name(second, float(rest[second]))}"


def describe_pose(base_T_frame: Array, frame: str = "flange") -> str:
    """Position, mm, and the directions of the z and x axes, of a pose (4, 4) of ``frame`` in metres."""
    x, y, z = (base_T_frame[:3, 3] * 1e3).tolist()
    return (
        f"x {x:.1f}, y {y:.1f}, z {z:.1f} mm; {frame} z {describe_direction(base_T_frame[:3, 2])}; {frame} x"
        f" {describe_direction(base_T_frame[:3, 0])}"
    )


def _name(axis: int, component: float) -> str:
    return _AXES[axis][component < 0]
