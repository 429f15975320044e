"""Knowing when it is enough, and getting there: figures with standard errors, from fixed seeds, beside their bars.

    OPENBLAS_NUM_THREADS=1 python -m bench.planning [SECTION ...] [--seeds N] [--mounts ...] [--levels ...]
                                                       [--jobs 2]

Sections: stop, advice, plan; all of them without a name. Each module says in its first lines what it prints. Rows come
on stdout, progress on stderr. Not collected by pytest.
"""

import os

# More threads only wait for each other on matrices this small; must be said before NumPy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# What benches share stands with the solver's.

from bench.calibration.common import run_sections
from bench.planning import next_view as advice
from bench.planning import stopping as stop
from bench.planning import waypoints as plan

SECTIONS = {"stop": stop, "advice": advice, "plan": plan}


if __name__ == "__main__":
    run_sections("python -m bench.planning", __doc__, SECTIONS, pose_counts=False)
