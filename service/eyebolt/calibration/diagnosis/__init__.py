"""What is wrong with a data set: pose format, correspondence, board, intrinsics, focus. Pure."""

from eyebolt.calibration.diagnosis.diagnose import diagnose, findings_on_numbers, in_order

__all__ = [
    "diagnose",
    "findings_on_numbers",
    "in_order",
]
