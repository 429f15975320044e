"""Knowing when it is enough, and getting there: figures with standard errors, from fixed seeds, beside their bars.

    OPENBLAS_NUM_THREADS=1 python tests/bench/progress [SECTION ...] [--seeds N] [--mounts ...] [--levels ...]
                                                       [--jobs 2]

Sections: stop, advice, plan; all of them without a name. Each module says in its first lines what it prints. Rows come
on stdout, progress on stderr. Not collected by pytest.
"""

import argparse
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
from shared import LEVELS, MOUNTS, Bench

SECTIONS = {"stop": stop, "advice": advice, "plan": plan}


def main():
    """Reads the command line and runs the sections."""
    parser = argparse.ArgumentParser(
        prog="tests/bench/progress",
        description=__doc__.splitlines()[0],
        epilog="; ".join(f"{name}: {module.__doc__.splitlines()[0]}" for name, module in SECTIONS.items()),
    )
    parser.add_argument("sections", nargs="*", metavar="SECTION", help=", ".join(SECTIONS))
    parser.add_argument("--seeds", type=int, help="how many, from 0; each section has its own default")
    parser.add_argument("--mounts", nargs="+", choices=MOUNTS, default=list(MOUNTS))
    parser.add_argument("--levels", nargs="+", choices=list(LEVELS), help="noise levels")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    asked = parser.parse_args()
    unknown = [name for name in asked.sections if name not in SECTIONS]
    if unknown:
        parser.error(f"no section {', '.join(unknown)}; there are {', '.join(SECTIONS)}")
    bench = Bench(asked.seeds, None, asked.mounts, asked.levels, asked.jobs)
    try:
        for name in asked.sections or SECTIONS:
            SECTIONS[name].run(bench)
    except KeyboardInterrupt:
        sys.exit(130)
    finally:
        bench.close()


if __name__ == "__main__":
    main()
