"""Random simulated sessions up to the reply to ``result``: every transform that is handed out against the truth.

    OPENBLAS_NUM_THREADS=1 python -m bench.accepted_results [--sessions N] [--first SEED] [--jobs 2] [--record]

Session, solver, record and acceptance are the product's; the corners are the simulator's (``sessions``). Bars: no
transform that is handed out is off by more than three times its stated error (p95 over the working volume against
stated p95), and none is handed out, or announced by ``solve`` with 0, while a direction is unknown, after another
mount, name or board was stated, or without an acceptance. Ends with 1 if a bar is broken. Not collected by pytest.
"""

import os

# More threads only wait for each other on matrices this small; must be set before NumPy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
import argparse
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from bench.accepted_results.sessions import Plan, Run, run
from bench.record import Table, add_option, recording


def print_table(runs: Sequence[Run]) -> int:
    """The table, and what broke a bar; the number of the latter."""
    table = Table(
        f"{len(runs)} sessions: replies, and true error by stated error (p95) of what was handed out",
        ("cell", 34),
        ("sessions", 9),
        ("solve 0", 8),
        ("result 0", 9),
        ("result 36", 10),
        ("median", 7),
        ("worst", 7),
        ("wrong", 6),
    )
    rows = [*sorted({run.plan.kind for run in runs}), "all"]
    for kind in rows:
        chosen = [run for run in runs if kind in ("all", run.plan.kind)]
        ratios = np.array([run.ratio for run in chosen if np.isfinite(run.ratio)])
        median, worst = (np.median(ratios), ratios.max()) if ratios.size else (np.nan, np.nan)
        table.row(
            kind,
            len(chosen),
            sum(run.solve_code == 0 for run in chosen),
            sum(run.result_code == 0 for run in chosen),
            sum(run.result_code == 36 for run in chosen),
            f"{median:.2f}",
            f"{worst:.2f}",
            sum(bool(run.wrong) for run in chosen),
        )
    wrong = [(run.plan.seed, text) for run in runs for text in run.wrong]
    for seed, text in wrong:
        print(f"session {seed}: {text}")
    return len(wrong)


def main() -> int:
    """Runs the sessions and prints the table; the exit code."""
    parser = argparse.ArgumentParser(prog="python -m bench.accepted_results", description=__doc__)
    parser.add_argument("--sessions", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=2)
    add_option(parser)
    chosen = parser.parse_args()
    plans = [Plan.draw(seed) for seed in range(chosen.first, chosen.first + chosen.sessions)]
    with recording("accepted_results", chosen.record), ProcessPoolExecutor(chosen.jobs) as pool:
        wrong = print_table(list(pool.map(run, plans)))
        print(f"\nbars: {'none is broken' if not wrong else f'{wrong} times broken'}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
