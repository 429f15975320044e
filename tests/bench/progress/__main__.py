"""Knowing when it is enough, and getting there: figures with standard errors, from fixed seeds, beside their bars.

    OPENBLAS_NUM_THREADS=1 python tests/bench/progress [SECTION ...] [--seeds N] [--mounts ...] [--levels ...]
                                                       [--jobs 2]

Sections: stop, advice, plan; all of them without a name. Each module says in its first lines what it prints. Rows come
on stdout, progress on stderr. Not collected by pytest.
"""

import os
import sys
from pathlib import Path

# More threads only wait for each other on matrices this small; must be said before NumPy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# What benches share stands with the solver's.
sys.path.append(str(Path(__file__).resolve().parents[1] / "solve"))

import advice
import plan
import stop
from shared import run_sections

SECTIONS = {"stop": stop, "advice": advice, "plan": plan}


if __name__ == "__main__":
    run_sections("tests/bench/progress", __doc__, SECTIONS, pose_counts=False)
