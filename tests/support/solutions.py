"""A made-up solution with given numbers, for tests of what is derived from it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from eyebolt.calibration.nuisance_prior import PriorSource
from eyebolt.calibration.result_format import ResultFormat
from eyebolt.calibration.solution import BoardBow, ParameterDeviation, Solution
from eyebolt.calibration.uncertainty import ErrorContributions
from eyebolt.calibration.uncertainty.expected_error import ErrorMap, ErrorSummary
from eyebolt.geometry import Mount
from eyebolt.geometry.pose_format import PoseFormat


def result_format(pose_format: PoseFormat | None = None, tolerance_mm: float = 1.0) -> ResultFormat:
    """A result format for a working volume of four points around 0.6 m from the camera."""
    points = np.array([[x, y, 0.6] for x in (-0.2, 0.2) for y in (-0.15, 0.15)])
    return ResultFormat(pose_format or PoseFormat(), points, tolerance_mm)


_FLAT_MM = ParameterDeviation(0.01, 0.01, 0.2, PriorSource.DEFAULT)


def made_up_solution(p95_mm: float, worst_p95_mm: float | None = None, **changes: Any) -> Solution:
    """A solution of this expected error, its bound included; ``changes``: further fields of the Solution."""
    error = ErrorSummary(p95_mm / 2, p95_mm, p95_mm if worst_p95_mm is None else worst_p95_mm, p95_mm)
    found = Solution(
        mount=Mount.FIXED,
        X=np.eye(4),
        Y=np.eye(4),
        covariance=np.eye(6) * 1e-8,
        expected_error_mm=error,
        error_map=ErrorMap(np.zeros(9), np.zeros(9), np.ones(5), np.full((5, 9, 9), p95_mm)),
        error_contributions_mm=ErrorContributions(p95_mm / 2, p95_mm / 8, p95_mm / 8, p95_mm / 16, 0.0),
        expected_pick_error_mm=error,
        remaining_pick_error_mm=0.0,
        held_out=None,
        checks=None,
        corner_rms_px=0.1,
        robot_noise_mm=0.05,
        robot_noise_deg=0.01,
        robot_noise_prior_dof=0.0,
        board_scale=ParameterDeviation(0.0, 0.001, 0.001, PriorSource.DEFAULT),
        focal_length=ParameterDeviation(0.0, 0.001, 0.001, PriorSource.DEFAULT),
        board_bow=BoardBow(_FLAT_MM, _FLAT_MM, _FLAT_MM, 0.02, 0.02, 0.01, 0.9),
        pairs_used=9,
        excluded=(),
        findings=(),
    )
    return replace(found, **changes)
