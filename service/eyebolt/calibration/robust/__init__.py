"""Robust estimation: outliers, change points, and pose-correlated errors of the arm. Pure."""

from eyebolt.calibration.robust.change_points import MIN_PAIRS_PER_SEGMENT, ChangePoint, StepChange
from eyebolt.calibration.robust.correlated_errors import (
    CONSTANT_SHARE,
    ArmOffsets,
    ArmVariances,
    ErrorContrasts,
    arm_axes,
    arm_offsets,
    evenly_spaced_rows,
    integrated_variances,
    matching_pose_correlation,
    pose_correlation,
    reml_variances,
)
from eyebolt.calibration.robust.outliers import MIN_PAIRS, InlierEstimate, is_minority, robust_estimate
from eyebolt.calibration.robust.print_selection import estimate_with_print_error, with_print_error
from eyebolt.calibration.robust.prior_check import (
    PriorContradiction,
    find_contradictions,
    is_wider_prior_preferred,
)

__all__ = [
    "CONSTANT_SHARE",
    "MIN_PAIRS",
    "MIN_PAIRS_PER_SEGMENT",
    "ArmOffsets",
    "ArmVariances",
    "ChangePoint",
    "ErrorContrasts",
    "InlierEstimate",
    "PriorContradiction",
    "StepChange",
    "arm_axes",
    "arm_offsets",
    "estimate_with_print_error",
    "evenly_spaced_rows",
    "find_contradictions",
    "integrated_variances",
    "is_minority",
    "is_wider_prior_preferred",
    "matching_pose_correlation",
    "pose_correlation",
    "reml_variances",
    "robust_estimate",
    "with_print_error",
]
