"""What can be known of a station before its arm moves. See README.md beside this file."""

from eyebolt.doctor.examination import Progress, examine
from eyebolt.doctor.report import CheckResult, State, exit_code

__all__ = ["CheckResult", "Progress", "State", "examine", "exit_code"]
