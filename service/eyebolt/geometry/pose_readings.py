"""What one line with a pose may mean: every usual way to read its numbers that they allow.

A line alone leaves several readings: the numbers of one Euler convention are valid in every other one. Whoever sees the
arm can tell which of them it is, since they put the flange's axes elsewhere.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from eyebolt.errors import InputFault
from eyebolt.geometry import se3
from eyebolt.geometry.pose_format import LENGTH_UNITS_M, PoseFormat
from eyebolt.geometry.pose_words import describe_pose
from eyebolt.geometry.se3 import Array

# A number, but not the figure in a name such as J1 or E6POS.
_NUMBER = re.compile(r"(?<![\w.])[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?(?![\w.])")
_DECIMAL_COMMA = re.compile(r"[0-9],[0-9]{2,}(?:[ \t;]|$)")
# Where a pose begins that is printed with names; what stands before it are flags.
_FIRST_NAME = re.compile(r"(?<![A-Za-z])[Xx]\s*[=:]?\s*(?=[+-]?[0-9.])")
_SERIAL_VERB = re.compile(r"^\W*(?:capture|check|place)\W+[0-9]+\W", re.IGNORECASE)
# The conventions that controllers use; the others of PoseFormat can be named in the station file.
_SIX_NUMBERS = ("euler-ZYX", "euler-xyz", "euler-XYZ", "euler-ZYZ", "rotation-vector")
_QUATERNIONS = ("quaternion-wxyz", "quaternion-xyzw")
# From where an arm's flange stands to its base: a table-top arm folded, and the largest arms. Common practice, no
# source.
_REACH_M = (0.03, 6.0)
_FULL_TURN_RAD = 2 * math.pi
# Orientations that nobody can tell apart by looking at the arm.
_ALIKE_RAD = math.radians(3.0)
_NORM_TOLERANCE = 0.02


@dataclass(frozen=True)
class PoseReading:
    """One meaning of a line."""

    pose_format: PoseFormat
    """How its numbers are read."""
    base_T_flange: Array
    """The pose (4, 4), metres, that they are then."""
    alike: tuple[PoseFormat, ...] = ()
    """Other formats in which the line is a pose that cannot be told from it: within 3 deg, or described alike."""


def numbers_in(line: str) -> tuple[float, ...]:
    """The numbers of a pose in a line as controllers print them, without a verb's sequence number before them.

    Raises InputFault ``pose-line`` if there are fewer than four, or decimal commas.
    """
    if _DECIMAL_COMMA.search(line) and "." not in line:
        raise InputFault("pose-line", "the line has decimal commas", "paste it with decimal points.")
    text = _SERIAL_VERB.sub(" ", line)
    named = _FIRST_NAME.search(text)
    if named is not None:
        text = text[named.end() :]
    numbers = tuple(float(match[0]) for match in _NUMBER.finditer(text))
    if len(numbers) < 4:
        raise InputFault(
            "pose-line",
            f"the line has {len(numbers)} numbers, a pose has three lengths and one to four numbers of a rotation",
            "paste the whole line.",
        )
    return numbers


def possible_readings(numbers: Sequence[float], has_one_angle: bool = False) -> list[PoseReading]:
    """The readings of a line's numbers, grouped by the pose that they give.

    ``has_one_angle``: the arm turns its flange about the vertical only. Numbers behind the pose (flags, external axes)
    are left out. Raises InputFault ``pose-line`` if no reading is possible.
    """
    found: list[PoseReading] = []
    for pose_format in _formats(numbers, has_one_angle):
        fields = list(numbers[: pose_format.field_count])
        pose = pose_format.to_matrix(fields)
        for k, reading in enumerate(found):
            if reading.pose_format.length == pose_format.length and _is_alike(pose, reading.base_T_flange):
                alike = (*reading.alike, pose_format)
                found[k] = PoseReading(reading.pose_format, reading.base_T_flange, alike)
                break
        else:
            found.append(PoseReading(pose_format, pose))
    if not found:
        raise InputFault(
            "pose-line",
            "no usual way to write a pose fits these numbers",
            "check that the line is one pose of the flange, in the base, with the arm away from the base.",
        )
    return found


def _formats(numbers: Sequence[float], has_one_angle: bool) -> Iterable[PoseFormat]:
    lengths = list(_length_units(numbers[:3]))
    if len(numbers) >= 7 and abs(float(np.linalg.norm(numbers[3:7])) - 1) < _NORM_TOLERANCE:
        yield from (PoseFormat(length, kind) for length, kind in itertools.product(lengths, _QUATERNIONS))
        return
    if len(numbers) < 6 or has_one_angle:
        angles = _angle_units(numbers[3:4])
        yield from (PoseFormat(length, "angle-z", angle) for length, angle in itertools.product(lengths, angles))
    if len(numbers) >= 6:
        angles = _angle_units(numbers[3:6])
        for length, kind, angle in itertools.product(lengths, _SIX_NUMBERS, angles):
            # Controllers write such a vector in radians, and at most half a turn long.
            is_vector = angle == "rad" and float(np.linalg.norm(numbers[3:6])) <= math.pi + 0.01
            if kind != "rotation-vector" or is_vector:
                yield PoseFormat(length, kind, angle)


def _length_units(position: Sequence[float]) -> Iterable[str]:
    """Units in which the flange is where an arm can have it."""
    size = float(np.linalg.norm(position))
    for unit, metres in LENGTH_UNITS_M.items():
        if _REACH_M[0] <= size * metres <= _REACH_M[1] and (unit != "um" or _are_whole(position)):
            yield unit


def _angle_units(angles: Sequence[float]) -> list[str]:
    """Units in which no angle is above a full turn; small ones are taken for the larger unit as well."""
    largest = max(map(abs, angles))
    units = ["deg"] if largest <= 360.01 else []
    if largest <= _FULL_TURN_RAD + 0.001:
        units.append("rad")
    if largest > 360.01 and _are_whole(angles):
        units.append("1e-4deg")
    return units


def _are_whole(numbers: Sequence[float]) -> bool:
    return all(float(number).is_integer() for number in numbers)


def _is_alike(pose: Array, other: Array) -> bool:
    _, rotation_rad = se3.pose_distance(pose[None], other)
    return bool(rotation_rad[0] < _ALIKE_RAD) or describe_pose(pose) == describe_pose(other)
