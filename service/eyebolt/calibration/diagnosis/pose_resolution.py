"""Checks of the robot's poses: printed too coarsely, or noisier than stated."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from eyebolt.calibration.estimation import JointEstimate, chi2_isf, fit_linear, variance_of
from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.problem import PoseConvention, Problem
from eyebolt.geometry import ANGLE_UNITS_RAD, LENGTH_UNITS_M, Array
from eyebolt.observations import Pair

# Three pairs share a step by chance too often. Common practice, no source.
_MIN_PAIRS = 4
# The finest step considered, and how close to a multiple of the step a printed number is (in steps): room for the
# rounding of floats that were read from text and carried through units.
_MAX_DECIMALS, _TOLERANCE = 6, 1e-4
# Rounding that makes a smaller fraction of the variance of the poses is not worth a finding: without it the noise would
# be 13 % smaller at most. Common practice, no source.
_MIN_VARIANCE_SHARE = 0.25
# p-value below which the residuals contradict a stated noise. The error holds with or without this finding: a stated
# noise is only a prior.
_CONTRADICTION_P = 1e-5
# Standard deviation of a rounding error, uniform over one step, in steps.
_ROUNDING_SIGMA = 1 / np.sqrt(12)


def find_coarse_pose_resolution(problem: Problem, pairs: Sequence[Pair], joint: JointEstimate) -> Finding | None:
    """The finding that rounding of the printed poses makes a large part of the noise estimated from the pairs."""
    if problem.pose_convention is None or len(pairs) < _MIN_PAIRS or any(pair.fields is None for pair in pairs):
        return None
    numbers = np.array([pair.fields for pair in pairs], dtype=float)
    steps = np.array([resolution_of(column) for column in numbers.T])
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
        f"the robot prints its poses in steps of {translation_step_m * 1e3:g} mm and"
        f" {np.rad2deg(rotation_step_rad):.3g} deg: the rounding makes a large part of the pose noise"
        f" ({best.translation_m * 1e3:.2f} mm, {np.rad2deg(best.rotation_rad):.3f} deg per axis)",
        {
            "step_mm": translation_step_m * 1e3,
            "step_deg": float(np.rad2deg(rotation_step_rad)),
            "share_of_translation_variance": translation_share,
            "share_of_rotation_variance": rotation_share,
        },
        "let the robot program print more decimals: 0.01 mm and 0.001 deg, or five decimals of a quaternion.",
    )


def find_excess_pose_noise(problem: Problem, joint: JointEstimate) -> Finding | None:
    """The finding that the poses are significantly noisier than the station file states."""
    stated = problem.robot_noise
    if stated is None:
        return None
    fits = fit_linear(joint.model, joint.corner_sigma_px, variance_of(stated)[None])
    residual = fits.residual[0]
    chi2 = float(np.einsum("ni,nij,nj->", residual, fits.weight[0], residual))
    dof = residual.size - fits.design.shape[-1]
    if dof <= 0 or chi2 <= chi2_isf(dof, _CONTRADICTION_P):
        return None
    noise_ratio = float(np.sqrt(chi2 / dof))
    return Finding(
        FindingCode.EXCESS_POSE_NOISE,
        Severity.WARN,
        f"the pose noise is about {noise_ratio:.1f} times that of noise_mm and noise_deg in the station file; the"
        " expected error allows for it",
        {
            "noise_ratio": noise_ratio,
            "stated_mm": stated.translation_m * 1e3,
            "stated_deg": float(np.rad2deg(stated.rotation_rad)),
        },
        "remove noise_mm and noise_deg from [robot] in the station file, so that the noise is estimated from the pairs;"
        " or let the arm settle longer ([camera] settle_ms) and have its backlash and mastering checked.",
    )


def resolution_of(column: Array) -> float:
    """The largest power of ten, from 10 down to 1e-6, that divides every number; 0 if none does or all are equal."""
    if np.ptp(column) == 0:
        return 0.0
    for decimals in range(-1, _MAX_DECIMALS + 1):
        step = 10.0**-decimals
        steps = column / step
        # Small numbers are all near 0 steps of 10: a step has to tell the numbers apart.
        if np.abs(steps - np.round(steps)).max() < _TOLERANCE and np.ptp(np.round(steps)) > 0:
            return step
    return 0.0


def _units(pose_convention: PoseConvention) -> tuple[float, float]:
    """Metres and radians per unit of the fields; a component of a unit quaternion changes by half the angle."""
    pose_format = pose_convention.pose_format
    angle = 2.0 if pose_format.rotation.startswith("quaternion") else ANGLE_UNITS_RAD[pose_format.angle]
    return LENGTH_UNITS_M[pose_format.length], angle
