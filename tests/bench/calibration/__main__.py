"""How good the solver is: figures with standard errors, from fixed seeds, beside the bars that they are held to.

    OPENBLAS_NUM_THREADS=1 python -m bench.calibration [SECTION ...] [--seeds N] [--poses ...] [--mounts ...]
                                                    [--levels ...] [--jobs 2]

Sections: efficiency, library, honesty, pick, outliers, vertical, time; all of them without a name. Each module says in
its first lines what it prints. Rows come on stdout, progress on stderr. Not collected by pytest.
"""

import os

# More threads only wait for each other on matrices this small; must be said before NumPy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from bench.calibration import cpu_time as processor_time
from bench.calibration import efficiency, outliers
from bench.calibration import interval_coverage as honesty
from bench.calibration import opencv_baselines as library
from bench.calibration import pick_error as pick
from bench.calibration import vertical_axis as vertical
from bench.calibration.common import run_sections

SECTIONS = {
    "efficiency": efficiency,
    "library": library,
    "honesty": honesty,
    "pick": pick,
    "outliers": outliers,
    "vertical": vertical,
    "time": processor_time,
}


if __name__ == "__main__":
    run_sections("python -m bench.calibration", __doc__, SECTIONS)
