"""The stated error against the truth where lens, board or arm are a little off, by cells of a generator of its own.

    OPENBLAS_NUM_THREADS=1 python -m bench.honesty [SECTION ...] [--rows ...] [--pairs ...] [--mounts ...] [--seeds N]
                                               [--first N] [--keep FOLDER] [--details] [--jobs 2] [--record]

Sections: table, joint, controls, speed; without a name all of them. The docstring of each module describes what it
prints. The whole table takes two hours on two idle cores: ``--keep FOLDER`` writes every finished cell to a file of its
own and measures only what is missing, so a run can be split by ``--rows``, stopped, and ended by one that only prints
and records. Not collected by pytest.
"""

import os

# More threads only wait for each other on matrices this small; must be set before NumPy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
import argparse
import functools
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from typing import Any

from bench.honesty import controls, joint, speed, table
from bench.honesty.disturbances import ROWS
from bench.honesty.generator import MOUNTS
from bench.record import add_option, recording

SECTIONS = {"table": table, "joint": joint, "controls": controls, "speed": speed}
_PROGRESS_S = 10.0


@dataclass
class Bench:
    """Options of the command line, and the processes."""

    rows: list[str] | None
    pairs: list[int] | None
    mounts: list[str]
    seeds_asked: int | None
    first: int
    keep: str | None
    details: bool
    jobs: int
    _pool: ProcessPoolExecutor | None = field(default=None, repr=False)

    def seeds(self, default: int) -> int:
        """Number of sets a cell."""
        return self.seeds_asked or default

    def each(self, function: Callable[..., Any], seeds: Sequence[int], *cell: object) -> Iterable[Any]:
        """``function(*cell, seed)`` for each seed, in order; ``function`` stands at the top of a module."""
        if self.jobs > 1 and self._pool is None:
            self._pool = ProcessPoolExecutor(self.jobs)
        work = functools.partial(function, *cell)
        chunk = max(1, min(8, len(seeds) // (4 * self.jobs)))
        results = self._pool.map(work, seeds, chunksize=chunk) if self._pool else map(work, seeds)
        told = time.monotonic()
        for done, result in enumerate(results, 1):
            yield result
            if time.monotonic() - told > _PROGRESS_S:
                told = time.monotonic()
                print(f"  ... {' '.join(map(str, cell))}: {done} of {len(seeds)}", file=sys.stderr, flush=True)

    def close(self) -> None:
        """Ends the processes."""
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)


def main() -> None:
    """Reads the command line and runs the sections."""
    parser = argparse.ArgumentParser(
        prog="python -m bench.honesty",
        description=(__doc__ or "").splitlines()[0],
        epilog="rows: " + "; ".join(f"{row.name}: {row.text}" for row in ROWS.values()),
    )
    parser.add_argument("sections", nargs="*", metavar="SECTION", help=", ".join(SECTIONS))
    parser.add_argument("--rows", nargs="+", choices=list(ROWS), metavar="ROW", help="rows of the table; all")
    parser.add_argument("--pairs", type=int, nargs="+", help="pair counts of the table; 5, 8, 12, 20, 40")
    parser.add_argument("--mounts", nargs="+", choices=MOUNTS, default=list(MOUNTS))
    parser.add_argument("--seeds", type=int, help="sets a cell; each section has its own default")
    parser.add_argument("--first", type=int, default=0, help="the first seed (0)")
    parser.add_argument("--keep", metavar="FOLDER", help="keep finished cells here, and use those that are there")
    parser.add_argument("--details", action="store_true", help="findings and causes below each row")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    add_option(parser)
    asked = parser.parse_args()
    unknown = [name for name in asked.sections if name not in SECTIONS]
    if unknown:
        parser.error(f"no section {', '.join(unknown)}; there are {', '.join(SECTIONS)}")
    bench = Bench(
        asked.rows, asked.pairs, asked.mounts, asked.seeds, asked.first, asked.keep, asked.details, asked.jobs
    )
    try:
        for name in asked.sections or SECTIONS:
            with recording(f"honesty.{name}", asked.record):
                SECTIONS[name].run(bench)
    except KeyboardInterrupt:
        sys.exit(130)
    finally:
        bench.close()


if __name__ == "__main__":
    main()
