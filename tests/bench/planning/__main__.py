"""Stopping rule, next view and plans: figures with standard errors, from fixed seeds, beside their bars.

    OPENBLAS_NUM_THREADS=1 python -m bench.planning [SECTION ...] [--seeds N] [--mounts ...] [--levels ...]
                                                       [--jobs 2]

Sections: stop, next-view, plan; all of them without a name. The head of each module explains what it prints. Rows go to
stdout, progress to stderr. Not collected by pytest.
"""

import os

# More threads only wait for each other on matrices this small; must be set before NumPy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
from bench.calibration.common import run_sections
from bench.planning import next_view, stopping, waypoints

SECTIONS = {"stop": stopping, "next-view": next_view, "plan": waypoints}


if __name__ == "__main__":
    run_sections("python -m bench.planning", __doc__, SECTIONS, pose_counts=False)
