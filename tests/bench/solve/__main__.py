"""How good the solver is: figures with standard errors, from fixed seeds, beside the bars that they are held to.

    OPENBLAS_NUM_THREADS=1 python tests/bench/solve [SECTION ...] [--seeds N] [--poses ...] [--mounts ...]
                                                    [--levels ...] [--jobs 2]

Sections: efficiency, library, honesty, pick, outliers, vertical, time; all of them without a name. Each module says in
its first lines what it prints. Rows come on stdout, progress on stderr. Not collected by pytest.
"""

import argparse
import os
import sys

# More threads only wait for each other on matrices this small; must be said before NumPy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import efficiency
import honesty
import library
import outliers
import pick
import processor_time
import vertical
from shared import LEVELS, MOUNTS, Bench

SECTIONS = {
    "efficiency": efficiency,
    "library": library,
    "honesty": honesty,
    "pick": pick,
    "outliers": outliers,
    "vertical": vertical,
    "time": processor_time,
}


def main():
    """Reads the command line and runs the sections."""
    parser = argparse.ArgumentParser(
        prog="tests/bench/solve",
        description=__doc__.splitlines()[0],
        epilog="; ".join(f"{name}: {module.__doc__.splitlines()[0]}" for name, module in SECTIONS.items()),
    )
    parser.add_argument("sections", nargs="*", metavar="SECTION", help=", ".join(SECTIONS))
    parser.add_argument("--seeds", type=int, help="how many, from 0; each section has its own default")
    parser.add_argument("--poses", type=int, nargs="+", help="pose counts; each section has its own default")
    parser.add_argument("--mounts", nargs="+", choices=MOUNTS, default=list(MOUNTS))
    parser.add_argument("--levels", nargs="+", choices=list(LEVELS), help="noise levels")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    asked = parser.parse_args()
    unknown = [name for name in asked.sections if name not in SECTIONS]
    if unknown:
        parser.error(f"no section {', '.join(unknown)}; there are {', '.join(SECTIONS)}")
    bench = Bench(asked.seeds, asked.poses, asked.mounts, asked.levels, asked.jobs)
    try:
        for name in asked.sections or SECTIONS:
            SECTIONS[name].run(bench)
    except KeyboardInterrupt:
        sys.exit(130)
    finally:
        bench.close()


if __name__ == "__main__":
    main()
