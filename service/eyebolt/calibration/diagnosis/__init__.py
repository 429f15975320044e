"""What is wrong with a data set: pose format, correspondence, board, intrinsics, focus. Pure."""

from eyebolt.calibration.diagnosis.board_bow import find_board_bow
from eyebolt.calibration.diagnosis.contradicted_priors import findings_on_priors
from eyebolt.calibration.diagnosis.diagnose import diagnose, findings_on_corner_numbers, prioritized

__all__ = [
    "diagnose",
    "find_board_bow",
    "findings_on_corner_numbers",
    "findings_on_priors",
    "prioritized",
]
