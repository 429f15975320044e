"""What is wrong, found from the data: how often the right finding comes first, how often a wrong stop stands beside it.

    OPENBLAS_NUM_THREADS=1 python -m bench.diagnosis [SECTION ...] [--faults NAME ...] [--seeds N] [--poses ...]
                                                       [--mounts ...] [--levels ...] [--jobs 2] [--vertical]

Sections: faults, moves, clean; all of them without a name. Each module says in its first lines what it
prints. --vertical: arms that turn about the vertical only. Rows come on stdout, progress on stderr. Not collected by
pytest.
"""

import os
import sys

# More threads only wait for each other on matrices this small; must be said before NumPy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# What benches share stands with the solver's.

from bench.calibration.common import run_sections
from bench.diagnosis import false_alarms as clean
from bench.diagnosis import faults
from bench.diagnosis import scale_and_focal_length as moves
from bench.diagnosis import sessions as sets
from bench.diagnosis.corrupted_sessions import FAULTS

SECTIONS = {"faults": faults, "moves": moves, "clean": clean}


if __name__ == "__main__":
    if "--vertical" in sys.argv:
        sys.argv.remove("--vertical")
        sets.turns = "vertical"
    if "--faults" in sys.argv:
        at = sys.argv.index("--faults")
        end = next((k for k in range(at + 1, len(sys.argv)) if sys.argv[k].startswith("--")), len(sys.argv))
        faults.only = sys.argv[at + 1 : end]
        if unknown := [name for name in faults.only if name not in FAULTS]:
            sys.exit(f"no fault {', '.join(unknown)}; there are {', '.join(FAULTS)}")
        del sys.argv[at:end]
    run_sections("python -m bench.diagnosis", __doc__, SECTIONS)
