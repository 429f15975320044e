"""Outliers, change points and pose-correlated errors. Pure."""

from eyebolt.calibration.robust.change_points import (
    find_change_among_excluded,
    find_gross_change,
    findings_on_change_points,
)
from eyebolt.calibration.robust.correlated_errors import (
    CORRELATION_LENGTH_M,
    MAX_LOG_VARIANCE,
    MIN_LOG_VARIANCE,
    ArmOffsets,
    ErrorContrasts,
    arm_offsets,
    covariance_of,
    evenly_spaced_rows,
    pose_correlation,
    reml_variances,
    white_only_variances,
)
from eyebolt.calibration.robust.outliers import MIN_PAIRS, InlierEstimate, robust_estimate

__all__ = [
    "CORRELATION_LENGTH_M",
    "MAX_LOG_VARIANCE",
    "MIN_LOG_VARIANCE",
    "MIN_PAIRS",
    "ArmOffsets",
    "ErrorContrasts",
    "InlierEstimate",
    "arm_offsets",
    "covariance_of",
    "evenly_spaced_rows",
    "find_change_among_excluded",
    "find_gross_change",
    "findings_on_change_points",
    "pose_correlation",
    "reml_variances",
    "robust_estimate",
    "white_only_variances",
]
