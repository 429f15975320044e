"""Robust estimation: outliers, change points, and pose-correlated errors of the arm. Pure."""

from eyebolt.calibration.robust.change_points import MIN_PAIRS_PER_SEGMENT, ChangePoint, StepChange
from eyebolt.calibration.robust.correlated_errors import (
    CORRELATION_LENGTH_M,
    MAX_LOG_VARIANCE,
    MIN_LOG_VARIANCE,
    ArmOffsets,
    ErrorContrasts,
    arm_offsets,
    evenly_spaced_rows,
    offset_covariance,
    pose_correlation,
    reml_variances,
    white_only_variances,
)
from eyebolt.calibration.robust.outliers import MIN_PAIRS, InlierEstimate, is_minority, robust_estimate

__all__ = [
    "CORRELATION_LENGTH_M",
    "MAX_LOG_VARIANCE",
    "MIN_LOG_VARIANCE",
    "MIN_PAIRS",
    "MIN_PAIRS_PER_SEGMENT",
    "ArmOffsets",
    "ChangePoint",
    "ErrorContrasts",
    "InlierEstimate",
    "StepChange",
    "arm_offsets",
    "evenly_spaced_rows",
    "is_minority",
    "offset_covariance",
    "pose_correlation",
    "reml_variances",
    "robust_estimate",
    "white_only_variances",
]
