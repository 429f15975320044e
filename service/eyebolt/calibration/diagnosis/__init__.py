"""What is wrong with a data set: pose format, correspondence, board, intrinsics, focus. Pure."""

from eyebolt.calibration.diagnosis.board_and_lens import findings_on_board_and_lens
from eyebolt.calibration.diagnosis.diagnose import diagnose, findings_on_corner_numbers, prioritized

__all__ = [
    "diagnose",
    "findings_on_board_and_lens",
    "findings_on_corner_numbers",
    "prioritized",
]
