"""Poses as text of a robot controller, both ways, with SciPy's rotations only.

Euler sequences follow SciPy: capitals for intrinsic, lower case for extrinsic rotations.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
from scipy.spatial.transform import Rotation

from eyebolt_sim.transforms import Array, matrix

_UNITS_PER_METRE = {"mm": 1e3, "m": 1.0, "um": 1e6}
_UNITS_PER_RADIAN = {"deg": 180 / math.pi, "rad": 1.0, "1e-4deg": 180e4 / math.pi}
_LENGTH_DECIMALS = {"mm": 3, "m": 6, "um": 0}
_ANGLE_DECIMALS = {"deg": 4, "rad": 6, "1e-4deg": 0}
_QUATERNION_DECIMALS = 6


@dataclass(frozen=True)
class PoseFormat:
    """How a controller writes a pose; values as in the [robot] section of a station file."""

    length: str = "mm"
    """one of "mm", "m", "um" (the unit of length)"""
    rotation: str = "quaternion-wxyz"
    """representation of a rotation"""
    angle: str = "deg"
    """unit of angles: "deg", "rad" or "1e-4deg"; not used by quaternions"""

    def format_pose(self, base_T_flange: Array) -> str:
        """The numbers of a pose (4, 4), m, separated by blanks, with as many decimals as a controller displays."""
        length_decimals = _LENGTH_DECIMALS[self.length]
        rotation_decimals = _QUATERNION_DECIMALS if self.is_quaternion else _ANGLE_DECIMALS[self.angle]
        numbers = self.numbers(base_T_flange)
        texts = [f"{value:.{length_decimals}f}" for value in numbers[:3]] + [
            f"{value:.{rotation_decimals}f}" for value in numbers[3:]
        ]
        return " ".join(texts)

    def numbers(self, base_T_flange: Array) -> list[float]:
        """The numbers of a pose (4, 4), m, in full precision."""
        lengths = base_T_flange[:3, 3] * _UNITS_PER_METRE[self.length]
        return [float(v) for v in lengths] + self._rotation_numbers(Rotation.from_matrix(base_T_flange[:3, :3]))

    def parse_pose(self, numbers: Sequence[float]) -> Array:
        """The pose (4, 4), m, that ``numbers`` represent."""
        translation_m = np.asarray(numbers[:3], dtype=float) / _UNITS_PER_METRE[self.length]
        return matrix(self._rotation(np.asarray(numbers[3:], dtype=float)), translation_m)

    @property
    def is_quaternion(self) -> bool:
        """Whether rotations are unit quaternions."""
        return self.rotation.startswith("quaternion")

    @property
    def field_count(self) -> int:
        """How many numbers a pose has."""
        return 7 if self.is_quaternion else 4 if self.rotation == "angle-z" else 6

    def _rotation_numbers(self, rotation_part: Rotation) -> list[float]:
        unit = _UNITS_PER_RADIAN[self.angle]
        numbers: Array
        if self.is_quaternion:
            numbers = rotation_part.as_quat()
            numbers = np.roll(numbers, 1) if self.rotation == "quaternion-wxyz" else numbers
        elif self.rotation == "rotation-vector":
            numbers = rotation_part.as_rotvec() * unit
        elif self.rotation == "angle-z":
            numbers = rotation_part.as_euler("ZYX", suppress_warnings=True)[:1] * unit
        else:
            numbers = (
                rotation_part.as_euler(cast(Any, self.rotation.removeprefix("euler-")), suppress_warnings=True) * unit
            )
        return [float(v) for v in numbers]

    def _rotation(self, numbers: Array) -> Rotation:
        unit = _UNITS_PER_RADIAN[self.angle]
        if self.is_quaternion:
            return Rotation.from_quat(np.roll(numbers, -1) if self.rotation == "quaternion-wxyz" else numbers)
        if self.rotation == "rotation-vector":
            return Rotation.from_rotvec(numbers / unit)
        if self.rotation == "angle-z":
            return Rotation.from_rotvec([0.0, 0.0, numbers[0] / unit])
        return Rotation.from_euler(self.rotation.removeprefix("euler-"), numbers / unit)
