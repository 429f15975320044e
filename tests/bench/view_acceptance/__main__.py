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

from eyebolt.boards.detection import NoDetection
from eyebolt_sim.views import ViewRange
from support.rendered_views import Bench
from support.view_acceptance_sweeps import SWEEPS, half_turned

VIEWS, CLEAN = 200, 500
OTHERS = ("half turn", "oblique", "clean")


def main():
    """Reads the command line and prints the figures."""
    parser = argparse.ArgumentParser(prog="bench.view_acceptance", description=__doc__.splitlines()[0])
    parser.add_argument("sweeps", nargs="*", metavar="SWEEP", help=", ".join((*SWEEPS, *OTHERS)))
    parser.add_argument("--views", type=int, default=VIEWS)
    parser.add_argument("--clean", type=int, default=CLEAN)
    asked = parser.parse_args()
    unknown = [name for name in asked.sweeps if name not in (*SWEEPS, *OTHERS)]
    if unknown:
        parser.error(f"no sweep {', '.join(unknown)}")
    print(f"{'sweep':<12}{'good side':>22}{'bad side':>22}   bar      codes on the bad side, away from the limit")
    for name in asked.sweeps or (*SWEEPS, *OTHERS):
        if name in SWEEPS:
            sweep(name, asked.views)
        else:
            {"half turn": half_turn, "oblique": oblique, "clean": clean}[name](asked)


def sweep(name, views):
    """One row: the rate of right outcomes on either side of the limit, away from it."""
    cases = [case for case in SWEEPS[name](views) if case.counts]
    rates, texts = [], []
    for side in (False, True):
        those = [case.right for case in cases if (case.over > 1) == side]
        rates.append(np.mean(those) if those else np.nan)
        texts.append(f"{sum(those)} of {len(those)} = {rates[-1]:.1%}")
    codes = collections.Counter(int(case.code) for case in cases if case.over > 1)
    met = "met" if min(rates) >= 0.99 else "MISSED"
    print(f"{name:<12}{texts[0]:>22}{texts[1]:>22}   {met:<8} {dict(codes)}", flush=True)


def half_turn(asked):
    """Half-turn symmetric boards."""
    rows = list(half_turned(max(asked.views // 10, 1)))
    alike, pairs, turned = (sum(row[k] for row in rows) for k in range(3))
    print(
        f"half turn   {alike} of {pairs} pairs in {len(rows)} sets numbered alike"
        f" ({turned} were read from the opposite end)",
        flush=True,
    )


def oblique(asked):
    """Corner error against tilt: the source of the limit on tilt."""
    bench = Bench()
    print("oblique     tilt deg, found of all, corners detected, corner error RMS px, codes")
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
        print(
            f"            {tilt_deg:3d} {len(rows):4d} of {len(views)} {seen_share:6.0%} {error_px:8.4f}  {dict(codes)}"
        )


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
    print(f"clean       {len(refused)} of {done} refused; codes {dict(advised)} {'met' if not refused else 'MISSED'}")
    for row in refused:
        print(f"            {row}")


if __name__ == "__main__":
    main()
