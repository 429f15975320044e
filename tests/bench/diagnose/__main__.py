"""What is wrong, found from the data: how often the right finding comes first, how often a wrong stop stands beside it.

    OPENBLAS_NUM_THREADS=1 python tests/bench/diagnose [SECTION ...] [--faults NAME ...] [--seeds N] [--poses ...]
                                                       [--mounts ...] [--levels ...] [--jobs 2] [--vertical]

Sections: faults, moves, clean; all of them without a name. Each module says in its first lines what it
prints. --vertical: arms that turn about the vertical only. Rows come on stdout, progress on stderr. Not collected by
pytest.
"""

import os
import sys
from pathlib import Path

# More threads only wait for each other on matrices this small; must be said before NumPy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# What benches share stands with the solver's.
sys.path.append(str(Path(__file__).resolve().parents[1] / "solve"))

import clean
import faults
import moves
import sets
from shared import run_sections
from spoilt import FAULTS

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
    run_sections("tests/bench/diagnose", __doc__, SECTIONS)
