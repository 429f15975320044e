"""What can be known of a station before its arm moves. See README.md beside this file."""

from eyebolt.doctor.bounded import run_bounded
from eyebolt.doctor.camera import LIMIT_S as CAMERA_LIMIT_S
from eyebolt.doctor.camera import try_camera
from eyebolt.doctor.computer import listening_fault
from eyebolt.doctor.examination import Progress, examine
from eyebolt.doctor.report import CheckResult, State, exit_code

__all__ = [
    "CAMERA_LIMIT_S",
    "CheckResult",
    "Progress",
    "State",
    "examine",
    "exit_code",
    "listening_fault",
    "run_bounded",
    "try_camera",
]
