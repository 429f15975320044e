"""The diagnosis on sessions with one fault each: how often the right finding comes first, and how often a wrong stop.

    OPENBLAS_NUM_THREADS=1 python -m bench.diagnosis [SECTION ...] [--faults NAME ...] [--seeds N] [--poses ...]
                                                       [--mounts ...] [--levels ...] [--jobs 2] [--vertical]

Sections: faults, moves, clean; all of them without a name. The docstring of each module describes what it prints.
--vertical: arms with a vertical axis only. Rows go to stdout, progress to stderr. Not collected by pytest.
"""

import os
import sys

# More threads only wait for each other on matrices this small; to be set before NumPy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from bench.calibration.common import run_sections
from bench.diagnosis import false_alarms as clean
from bench.diagnosis import faults, sessions
from bench.diagnosis import scale_and_focal_length as moves
from bench.diagnosis.corrupted_sessions import FAULTS

SECTIONS = {"faults": faults, "moves": moves, "clean": clean}


if __name__ == "__main__":
    if "--vertical" in sys.argv:
        sys.argv.remove("--vertical")
        sessions.turns = "vertical"
    if "--faults" in sys.argv:
        at = sys.argv.index("--faults")
        end = next((k for k in range(at + 1, len(sys.argv)) if sys.argv[k].startswith("--")), len(sys.argv))
        faults.only = sys.argv[at + 1 : end]
        if unknown := [name for name in faults.only or () if name not in FAULTS]:
            sys.exit(f"no fault {', '.join(unknown)}; there are {', '.join(FAULTS)}")
        del sys.argv[at:end]
    run_sections("python -m bench.diagnosis", __doc__, SECTIONS)
