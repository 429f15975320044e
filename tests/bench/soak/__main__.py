"""Captures for hours: does the daemon grow, does it keep handles, is anything lost?

    python -m bench.soak [--captures N] [--pictures 60]

Captures (10,000) through the socket from a camera of 640 x 480 that pushes, in sessions of 12, each twentieth of 60,
begun one after the other. The robot connects anew every 23. The daemon is started four times: three lives of an eighth
each, ended by SIGTERM and SIGKILL in the middle of a session, and one of the rest. Memory and handles are read where a
session begins. Prints them, and for each life memory at its end over that after its first 500 captures (or its first
quarter, if that is less; bar 1.05); ends with 1 if the last one is above it, or if handles were left.
"""

import argparse
import sys
import tempfile
import time
from pathlib import Path

from bench.record import Table, add_option, recording
from support.push_camera_cell import record_pushed_cell
from support.soak_runs import soak

BAR = 1.05


def main():
    """Reads the command line and soaks."""
    parser = argparse.ArgumentParser(prog="python -m bench.soak", description=__doc__.splitlines()[0])
    parser.add_argument("--captures", type=int, default=10_000, help="how many (10000)")
    parser.add_argument("--pictures", type=int, default=60, help="different waypoints (60)")
    add_option(parser)
    asked = parser.parse_args()
    with recording("soak", asked.record):
        return run(asked)


def run(asked):
    """Soaks; the exit code."""
    lives = [asked.captures // 8] * 3
    lives.append(asked.captures - sum(lives))
    begun = time.monotonic()

    def tell(life, cost):
        words = f"life {life} capture {cost.captures:6d}: {cost.memory_mb:7.1f} MB, {cost.handles} handles"
        print(f"{words} ({time.monotonic() - begun:.0f} s)", file=sys.stderr, flush=True)

    with tempfile.TemporaryDirectory() as folder:
        places = [Path(folder) / name for name in ("cell", "station")]
        for place in places:
            place.mkdir()
        cell = record_pushed_cell(places[0], asked.pictures, seed=4)
        costs = soak(cell, places[1], lives, report=tell)
    table = Table(
        f"{asked.captures} captures, every reply is on the disk; memory MB, bar {BAR} for the last life",
        ("life", 4),
        ("captures", 8),
        ("early MB", 8),
        ("after", 6),
        ("late MB", 8),
        ("ratio", 6),
        ("handles", 7),
        ("more", 5),
    )
    for number, (captures, life) in enumerate(zip(lives, costs, strict=True), 1):
        early = next(cost for cost in life if cost.captures >= min(500, captures // 4))
        ratio = life[-1].memory_mb / early.memory_mb
        grown = life[-1].handles - early.handles
        table.row(
            number, captures, f"{early.memory_mb:.1f}", early.captures, f"{life[-1].memory_mb:.1f}", f"{ratio:.3f}",
            early.handles, f"{grown:+d}",
        )  # fmt: skip
    return int(ratio > BAR or grown > 0)


if __name__ == "__main__":
    sys.exit(main())
