"""Outliers, change points and pose-correlated errors. Pure."""

from eyebolt.calibration.robust.change_points import find_change_halfway, find_gross_change, findings_on_slips
from eyebolt.calibration.robust.correlated_errors import (
    CORRELATION_M,
    LEAST,
    MOST,
    ArmOffsets,
    Contrasts,
    arm_offsets,
    correlation,
    covariance_of,
    most_likely_parts,
    spread_rows,
    white_alone,
)
from eyebolt.calibration.robust.outliers import FEWEST, Belonging, estimate_without_strangers

__all__ = [
    "CORRELATION_M",
    "FEWEST",
    "LEAST",
    "MOST",
    "ArmOffsets",
    "Belonging",
    "Contrasts",
    "arm_offsets",
    "correlation",
    "covariance_of",
    "estimate_without_strangers",
    "find_change_halfway",
    "find_gross_change",
    "findings_on_slips",
    "most_likely_parts",
    "spread_rows",
    "white_alone",
]
