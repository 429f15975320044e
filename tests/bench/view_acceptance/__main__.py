"""How often the acceptance of a view is right: rendered sweeps across each limit, and clean views that must be kept.

    python -m bench.view_acceptance [SWEEP ...] [--views N] [--clean N]

Sweeps: moving, blurred, "few corners", dark, saturated, "low contrast", bent, "same pose", "half turn", oblique, clean;
all of them without a name. --views: of each sweep (200); --clean: clean views (500). Bars: at least 99 % right where
the true measure is away from the limit by a factor of 1.5; no clean view refused. Prints figures; fails nothing; not
collected by pytest. Short sweeps are tests in tests/observations.
"""

import argparse
import collections
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from bench.record import Table, add_option, recording
from eyebolt.boards.detection import NoDetection
from eyebolt_sim.views import ViewRange
from support.rendered_views import Bench
from support.view_acceptance_sweeps import SWEEPS, half_turned

VIEWS, CLEAN = 200, 500
OTHERS = ("half turn", "oblique", "clean")


def main():
    """Reads the command line and prints the figures."""
    parser = argparse.ArgumentParser(prog="python -m bench.view_acceptance", description=__doc__.splitlines()[0])
    parser.add_argument("sweeps", nargs="*", metavar="SWEEP", help=", ".join((*SWEEPS, *OTHERS)))
    parser.add_argument("--views", type=int, default=VIEWS)
    parser.add_argument("--clean", type=int, default=CLEAN)
    add_option(parser)
    asked = parser.parse_args()
    unknown = [name for name in asked.sweeps if name not in (*SWEEPS, *OTHERS)]
    if unknown:
        parser.error(f"no sweep {', '.join(unknown)}")
    names = asked.sweeps or (*SWEEPS, *OTHERS)
    if sweeps := [name for name in names if name in SWEEPS]:
        with recording("view_acceptance.sweeps", asked.record):
            table = Table(
                f"sweeps of {asked.views} views; away from the limit by a factor of 1.5",
                ("sweep", 12),
                ("right on the good side", 22),
                ("right on the bad side", 22),
                ("bar", 6),
                ("codes on the bad side", 24),
            )
            for name in sweeps:
                sweep(table, name, asked.views)
    others = {"half turn": half_turn, "oblique": oblique, "clean": clean}
    for name in names:
        if name in OTHERS:
            with recording(f"view_acceptance.{name.replace(' ', '-')}", asked.record):
                others[name](asked)


def sweep(table, name, views):
    """One row: the rate of right outcomes on either side of the limit, away from it."""
    cases = [case for case in SWEEPS[name](views) if case.counts]
    rates, texts = [], []
    for side in (False, True):
        those = [case.right for case in cases if (case.over > 1) == side]
        rates.append(np.mean(those) if those else np.nan)
        texts.append(f"{sum(those)} of {len(those)} = {rates[-1]:.1%}")
    codes = collections.Counter(int(case.code) for case in cases if case.over > 1)
    met = "met" if min(rates) >= 0.99 else "MISSED"
    table.row(name, *texts, met, dict(codes))


def half_turn(asked):
    """Half-turn symmetric boards."""
    rows = list(half_turned(max(asked.views // 10, 1)))
    alike, pairs, turned = (sum(row[k] for row in rows) for k in range(3))
    table = Table(
        "half-turn symmetric boards", ("sets", 5), ("pairs", 6), ("numbered alike", 14), ("read from the other end", 23)
    )
    table.row(len(rows), pairs, alike, turned)


def oblique(asked):
    """Corner error against tilt: the source of the limit on tilt."""
    bench = Bench()
    table = Table(
        "oblique views", ("tilt deg", 8), ("found", 5), ("of", 5), ("corners", 8), ("error RMS px", 12), ("codes", 20)
    )
    for tilt_deg in (10, 30, 45, 55, 60, 65, 70, 75, 80):
        limits = ViewRange(distance_m=(0.5, 0.7), tilt_deg=(tilt_deg, tilt_deg), spread=0.3)
        rows, codes = [], collections.Counter()
        views = bench.views(max(asked.views // 10, 4), limits)
        for k, view in enumerate(views):
            found, detection, _ = bench.assessed(bench.image(view, k))
            codes[int(found.code)] += 1
            if not isinstance(detection, NoDetection):
                error = detection.corners_px - bench.corners_px(view)[detection.ids]
                rows.append((len(detection.ids) / bench.board.corner_count, np.sqrt((error**2).mean())))
        seen_share, error_px = np.mean(rows, axis=0) if rows else (np.nan, np.nan)
        table.row(tilt_deg, len(rows), len(views), f"{seen_share:.0%}", f"{error_px:.4f}", dict(codes))


def clean(asked):
    """Views at rest, sharp and well exposed, at new poses: none may be refused."""
    refused, advised, done = [], collections.Counter(), 0
    for kind in ("charuco", "chessboard"):
        bench = Bench(kind, 12, 9, focal_px=1500.0, limits=ViewRange(distance_m=(0.4, 0.75), tilt_deg=(0.0, 45.0)))
        for k, view in enumerate(bench.views(asked.clean // 2)):
            found, *_ = bench.assessed(bench.image(view, 2 * k), bench.image(view, 2 * k + 1))
            done += 1
            advised[int(found.code)] += 1
            if found.code >= 10:
                refused.append((kind, k, int(found.code), found.message))
    table = Table("clean views", ("views", 6), ("refused", 7), ("bar", 8), ("codes", 30))
    table.row(done, len(refused), "0 met" if not refused else "0 MISSED", dict(advised))
    for row in refused:
        table.note(f"refused: {row}")


if __name__ == "__main__":
    main()
