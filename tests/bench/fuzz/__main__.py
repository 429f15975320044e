"""Lines and files that nobody should send: does anything but a fault with a remedy come of them?

    python -m bench.fuzz [lines] [guided] [--lines N] [--seconds S] [--seed K]

lines: so many generated lines (1,000,000) through the same door as a robot's bytes, cut into chunks anywhere: half of
them from the protocol's grammar with mistakes put in, half random bytes. Every line must come out as a request or as a
fault with a code from 40 to 44, its answer must fit 32 characters (fixed-count answers apart), and the memory in use
must not grow. guided: for so many seconds each, inputs that reach new lines of code are kept and changed further (edges
between lines, seen by sys.settrace), for the line parser, the station file, the lens file and the journal reader
(once more with checksums made right).
Prints what it did; ends with 1 if anything was found, after printing the input.
"""

import argparse
import sys

from bench.fuzz import coverage_guided as guided
from bench.fuzz import protocol_lines as lines
from bench.record import add_option, recording

SECTIONS = {"lines": lines.run, "guided": guided.run}


def main():
    """Reads the command line and runs the sections."""
    parser = argparse.ArgumentParser(prog="python -m bench.fuzz", description=__doc__.splitlines()[0])
    parser.add_argument("sections", nargs="*", metavar="SECTION", help=", ".join(SECTIONS))
    parser.add_argument("--lines", type=int, default=1_000_000, help="how many (1000000)")
    parser.add_argument("--seconds", type=float, default=60.0, help="of guided search, for each target (60)")
    parser.add_argument("--seed", type=int, default=0)
    add_option(parser)
    asked = parser.parse_args()
    unknown = [name for name in asked.sections if name not in SECTIONS]
    if unknown:
        parser.error(f"no section {', '.join(unknown)}; there are {', '.join(SECTIONS)}")
    found = []
    for name in asked.sections or SECTIONS:
        with recording(f"fuzz.{name}", asked.record):
            found.append(SECTIONS[name](asked))
    return 1 if any(found) else 0


if __name__ == "__main__":
    sys.exit(main())
