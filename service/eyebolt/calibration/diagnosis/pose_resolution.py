"""What the robot's poses themselves allow: printed too coarsely, or scattering more than stated."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from eyebolt.calibration.estimation import JointEstimate
from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.problem import PoseConvention, Problem
from eyebolt.geometry import ANGLE_UNITS_RAD, LENGTH_UNITS_M, Array
from eyebolt.observations import Pair

_MIN_PAIRS = 4
# Decimals looked for, and how close to a multiple a printed number is (of the step; floats of a few digits).
_MAX_DECIMALS, _TOLERANCE = 6, 1e-4
# Rounding that makes this share of the variance of the poses is worth a word.
_MIN_VARIANCE_SHARE = 0.25
# Standard deviation of a rounding error, in steps.
_ROUNDING_SIGMA = 1 / np.sqrt(12)


def find_coarse_pose_resolution(problem: Problem, pairs: Sequence[Pair], joint: JointEstimate) -> Finding | None:
    """Whether the numbers of the poses are rounded so far that it makes much of the scatter that the pairs show."""
    if problem.pose_convention is None or len(pairs) < _MIN_PAIRS or any(pair.fields is None for pair in pairs):
        return None
    numbers = np.array([pair.fields for pair in pairs], dtype=float)
    steps = np.array([_resolution_of(column) for column in numbers.T])
    length_m, angle_rad = _units(problem.pose_convention)
    translation_step_m = float(steps[:3].max() * length_m)
    rotation_step_rad = float(steps[3:].max() * angle_rad)
    best = joint.noise.best
    translation_share = (translation_step_m * _ROUNDING_SIGMA / best.translation_m) ** 2
    rotation_share = (rotation_step_rad * _ROUNDING_SIGMA / best.rotation_rad) ** 2
    if max(translation_share, rotation_share) < _MIN_VARIANCE_SHARE:
        return None
    return Finding(
        FindingCode.POSE_RESOLUTION,
        Severity.WARN,
        f"the robot's poses are printed in steps of {translation_step_m * 1e3:g} mm and {np.rad2deg(rotation_step_rad):.3g} deg: that alone"
        f" makes a good part of the scatter seen ({best.translation_m * 1e3:.2f} mm,"
        f" {np.rad2deg(best.rotation_rad):.3f} deg per axis)",
        {
            "step_mm": translation_step_m * 1e3,
            "step_deg": float(np.rad2deg(rotation_step_rad)),
            "share_of_translation_variance": translation_share,
            "share_of_rotation_variance": rotation_share,
        },
        "let the robot program print more decimals: 0.01 mm and 0.001 deg, or five decimals of a quaternion.",
    )


def find_excess_pose_noise(problem: Problem, joint: JointEstimate) -> Finding | None:
    """Whether the arm scatters more than the station file states, beyond chance."""
    stated = problem.robot_noise
    if stated is None or joint.variance_inflation <= 1.0:
        return None
    times = float(np.sqrt(joint.variance_inflation))
    return Finding(
        FindingCode.EXCESS_POSE_NOISE,
        Severity.WARN,
        f"the poses scatter about {times:.1f} times as much as noise_mm and noise_deg of the station file say; the"
        " stated error was widened by that",
        {
            "noise_ratio": times,
            "stated_mm": stated.translation_m * 1e3,
            "stated_deg": float(np.rad2deg(stated.rotation_rad)),
        },
        "take noise_mm and noise_deg out of [robot], so that they are judged from the pairs; or let the arm settle"
        " longer ([camera] settle_ms) and have its play and mastering checked.",
    )


def _resolution_of(column: Array) -> float:
    """The largest power of ten (10 to 1e-6) that every number is a multiple of; 0 without one, or if all are alike."""
    if np.ptp(column) == 0:
        return 0.0
    for decimals in range(-1, _MAX_DECIMALS + 1):
        step = 10.0**-decimals
        times = column / step
        if np.abs(times - np.round(times)).max() < _TOLERANCE:
            return step
    return 0.0


def _units(pose_convention: PoseConvention) -> tuple[float, float]:
    """Metres and radians per unit of the numbers; a quaternion's part of a unit turns by about two radians."""
    pose_format = pose_convention.pose_format
    angle = 2.0 if pose_format.rotation.startswith("quaternion") else ANGLE_UNITS_RAD[pose_format.angle]
    return LENGTH_UNITS_M[pose_format.length], angle
