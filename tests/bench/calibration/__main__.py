"""Accuracy, coverage and speed of the solver: numbers with standard errors, from fixed seeds, and their bars.

    OPENBLAS_NUM_THREADS=1 python -m bench.calibration [SECTION ...] [--seeds N] [--poses ...] [--mounts ...]
                                                    [--levels ...] [--jobs 2]

Sections: efficiency, baselines, coverage, pick, bow, arm-axes, outliers, vertical, long-sessions, time; without a name
all of them.
The docstring of each module describes what it prints. Rows are on stdout, progress on stderr. Not collected by pytest.
"""

import os

# More threads only wait for each other on matrices this small; must be set before NumPy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from bench.calibration import (
    arm_axes,
    board_bow,
    cpu_time,
    efficiency,
    interval_coverage,
    long_sessions,
    opencv_baselines,
    outliers,
    pick_error,
    vertical_axis,
)
from bench.calibration.common import run_sections

SECTIONS = {
    "efficiency": efficiency,
    "baselines": opencv_baselines,
    "coverage": interval_coverage,
    "pick": pick_error,
    "bow": board_bow,
    "arm-axes": arm_axes,
    "outliers": outliers,
    "vertical": vertical_axis,
    "long-sessions": long_sessions,
    "time": cpu_time,
}


if __name__ == "__main__":
    run_sections("python -m bench.calibration", __doc__, SECTIONS)
