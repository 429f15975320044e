"""Random sessions on disturbed lines: the same pairs and the same result as without disturbances.

    OPENBLAS_NUM_THREADS=1 python -m bench.disturbed_sessions [--seeds N] [--first SEED] [--rate R] [--jobs J]
                                                              [--record]

Daemon, sockets, record and solver are the product's, the corners are prepared (``support.prepared_daemon``). To each of
the eleven requests of a session ``--rate`` mishaps happen on average (``support.disturbed_sessions``): lines in pieces,
twice, glued, cut or lost, replies lost, connections reset, closed or half-open, robot program or daemon restarted; the
numbers of a line that is sent again are printed otherwise. A third of the controllers are dialled. Bar: pairs, replies
on record, result.json and the transform that is handed out are those of the undisturbed session, and no daemon logs an
error. Ends with 1 if a session breaks it. Not collected by pytest.
"""

import os

# More threads only wait for each other on matrices this small; must be set before NumPy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
import argparse
import itertools
import random
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from bench.record import Table, add_option, recording
from support.disturbed_sessions import Disturber, Mishap
from support.prepared_daemon import prepared_daemons

MOUNTS = ("fixed", "arm")
CELLS = 2


@dataclass
class Run:
    """What the sessions of one process came to."""

    sessions: Counter[str] = field(default_factory=Counter)
    """by mount"""
    dialled: Counter[str] = field(default_factory=Counter)
    """those of a dialled controller, by mount"""
    mishaps: Counter[tuple[str, Mishap]] = field(default_factory=Counter)
    """by mount and kind"""
    wrong: list[str] = field(default_factory=list)
    """what differed, by seed"""
    processor_s: float = 0.0
    """processor time"""


def run(seeds: range, rate: float) -> Run:
    """The sessions of these seeds, with mounts and cells in turn."""
    if Path("/dev/shm").is_dir():
        # The record is synced at every request: a disk would only be slower.
        tempfile.tempdir = "/dev/shm"
    cells = {(mount, cell): Disturber(mount, cell) for mount in MOUNTS for cell in range(CELLS)}
    done = Run()
    with prepared_daemons() as errors:
        for seed in seeds:
            mount, cell = MOUNTS[seed % 2], seed // 2 % CELLS
            disturber = cells[mount, cell]
            try:
                session = disturber.run(random.Random(seed), rate)
                differing = session.differences(disturber.undisturbed)
                done.dialled[mount] += session.is_dialled
                done.mishaps.update({(mount, mishap): count for mishap, count in session.mishaps.items()})
            except AssertionError as failure:
                differing = [str(failure)]
            done.sessions[mount] += 1
            if differing or errors:
                done.wrong.append(f"session {seed}: {', '.join(differing)} {errors[:1]}")
                errors.clear()
    done.processor_s = time.process_time()
    return done


def print_tables(runs: list[Run], duration_s: float) -> int:
    """The table, and what broke the bar; the number of the latter."""
    sessions: Counter[str] = sum((run.sessions for run in runs), Counter())
    mishaps: Counter[tuple[str, Mishap]] = sum((run.mishaps for run in runs), Counter())
    wrong = [text for run in runs for text in run.wrong]
    table = Table(f"{sessions.total()} sessions, what happened in them:", ("mishap", 20), *((m, 8) for m in MOUNTS))
    table.row("sessions", *(sessions[mount] for mount in MOUNTS))
    table.row("controller dialled", *(sum(run.dialled[mount] for run in runs) for mount in MOUNTS))
    for mishap in Mishap:
        table.row(mishap.value, *(mishaps[mount, mishap] for mount in MOUNTS))
    table.row("all mishaps", *(sum(mishaps[mount, mishap] for mishap in Mishap) for mount in MOUNTS))
    seconds = sum(run.processor_s for run in runs)
    table.note(f"{len(wrong)} sessions differ from the undisturbed one; {duration_s:.0f} s, processor {seconds:.0f} s")
    for text in wrong:
        print(text)
    return len(wrong)


def main() -> int:
    """Runs the sessions and prints the table; the exit code."""
    parser = argparse.ArgumentParser(prog="python -m bench.disturbed_sessions", description=__doc__)
    parser.add_argument("--seeds", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--rate", type=float, default=0.7)
    parser.add_argument("--jobs", type=int, default=1)
    add_option(parser)
    chosen = parser.parse_args()
    bounds = [chosen.first + chosen.seeds * job // chosen.jobs for job in range(chosen.jobs + 1)]
    parts = [range(begin, end) for begin, end in itertools.pairwise(bounds)]
    begun = time.monotonic()
    with recording("disturbed_sessions", chosen.record), ProcessPoolExecutor(chosen.jobs) as pool:
        runs = list(pool.map(run, parts, [chosen.rate] * chosen.jobs))
        wrong = print_tables(runs, time.monotonic() - begun)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
