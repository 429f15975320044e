"""What the robot's poses themselves allow: printed too coarsely, or scattering more than stated."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from eyebolt.calibration.estimation import JointEstimate
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.problem import PoseTerms, Problem
from eyebolt.geometry import ANGLE_UNITS_RAD, LENGTH_UNITS_M, Array
from eyebolt.observations import Pair

_FEWEST = 4
# Decimals looked for, and how close to a multiple a printed number is (of the step; floats of a few digits).
_MOST_DECIMALS, _SLACK = 6, 1e-4
# Rounding that makes this share of the variance of the poses is worth a word.
_SHARE = 0.25
# Standard deviation of a rounding error, in steps.
_OF_A_STEP = 1 / np.sqrt(12)


def find_coarse_poses(problem: Problem, pairs: Sequence[Pair], joint: JointEstimate) -> Finding | None:
    """Whether the numbers of the poses are rounded so far that it makes much of the scatter that the pairs show."""
    if problem.terms is None or len(pairs) < _FEWEST or any(pair.fields is None for pair in pairs):
        return None
    numbers = np.array([pair.fields for pair in pairs], dtype=float)
    steps = np.array([_step_of(column) for column in numbers.T])
    length_m, angle_rad = _units(problem.terms)
    shift_m = float(steps[:3].max() * length_m)
    turn_rad = float(steps[3:].max() * angle_rad)
    best = joint.noise.best
    by_shift = (shift_m * _OF_A_STEP / best.translation_m) ** 2
    by_turn = (turn_rad * _OF_A_STEP / best.rotation_rad) ** 2
    if max(by_shift, by_turn) < _SHARE:
        return None
    return Finding(
        "pose-coarse",
        "warn",
        f"the robot's poses are printed in steps of {shift_m * 1e3:g} mm and {np.rad2deg(turn_rad):.3g} deg: that alone"
        f" makes a good part of the scatter seen ({best.translation_m * 1e3:.2f} mm,"
        f" {np.rad2deg(best.rotation_rad):.3f} deg per axis)",
        {
            "step_mm": shift_m * 1e3,
            "step_deg": float(np.rad2deg(turn_rad)),
            "share_of_shift_variance": by_shift,
            "share_of_turn_variance": by_turn,
        },
        "let the robot program print more decimals: 0.01 mm and 0.001 deg, or five decimals of a quaternion.",
    )


def find_loud_arm(problem: Problem, joint: JointEstimate) -> Finding | None:
    """Whether the arm scatters more than the station file states, beyond chance."""
    stated = problem.robot_noise
    if stated is None or joint.widening <= 1.0:
        return None
    times = float(np.sqrt(joint.widening))
    return Finding(
        "robot-noise",
        "warn",
        f"the poses scatter about {times:.1f} times as much as noise_mm and noise_deg of the station file say; the"
        " stated error was widened by that",
        {"times": times, "stated_mm": stated.translation_m * 1e3, "stated_deg": float(np.rad2deg(stated.rotation_rad))},
        "take noise_mm and noise_deg out of [robot], so that they are judged from the pairs; or let the arm settle"
        " longer ([camera] settle_ms) and have its play and mastering checked.",
    )


def _step_of(column: Array) -> float:
    """The largest power of ten (10 to 1e-6) that every number is a multiple of; 0 without one, or if all are alike."""
    if np.ptp(column) == 0:
        return 0.0
    for decimals in range(-1, _MOST_DECIMALS + 1):
        step = 10.0**-decimals
        times = column / step
        if np.abs(times - np.round(times)).max() < _SLACK:
            return step
    return 0.0


def _units(terms: PoseTerms) -> tuple[float, float]:
    """Metres and radians per unit of the numbers; a quaternion's part of a unit turns by about two radians."""
    reading = terms.reading
    angle = 2.0 if reading.rotation.startswith("quaternion") else ANGLE_UNITS_RAD[reading.angle]
    return LENGTH_UNITS_M[reading.length], angle
