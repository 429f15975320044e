"""RMS error over the working volume against the Cramer-Rao bound, and the cost of estimating the arm's noise.

The bound (tests/support/cramer_rao_bound.py) is the best that any unbiased solver with the noise stated can do.
``stated/bound`` is 1 for a solver that reaches it. ``est/stated`` compares noise estimated and noise stated on the
same seeds. Bars: ``stated/bound`` within two standard errors of 1 from 10 poses up; ``est/stated`` at most 1.03 from
10 poses up, at most 1.08 at 5.
"""

import numpy as np

from bench.calibration.common import LEVELS, bar, column, rms, rms_ratio
from bench.record import Table


def run(bench):
    """Prints the section."""
    seeds = bench.seeds(1000)
    table = Table(
        f"efficiency: error over the working volume, {seeds} seeds",
        ("mount", 5),
        ("noise", 6),
        ("poses", 5),
        ("bound mm", 14),
        ("stated mm", 14),
        ("stated/bound", 14),
        ("bar", 25),
        ("est/stated", 14),
        ("bar", 27),
        ("refused", 7),
        ("lost", 7),
    )
    for mount in bench.mounts:
        for level in bench.levels(*LEVELS):
            for poses in bench.poses(5, 10, 20, 40):
                sets = bench.clean(mount, poses, level, seeds)
                best, stated, estimated = (column(sets, n) for n in ("bound_mm2", "stated_mm2", "estimated_mm2"))
                ratio, cost = rms_ratio(stated, best), rms_ratio(estimated, stated)
                lost = column(sets, "lost").sum(axis=0)
                table.row(
                    mount,
                    level,
                    poses,
                    rms(best),
                    rms(stated),
                    ratio,
                    of_one(ratio) if poses >= 10 else "",
                    cost,
                    bar(cost, at_most=1.03 if poses >= 10 else 1.08) if poses >= 5 else "",
                    f"{np.isnan(stated).sum()}, {np.isnan(estimated).sum()}",
                    f"{lost[0]}, {lost[1]}",
                )
    table.note("refused, lost: sets refused and pairs left out, noise stated, noise estimated")


def of_one(ratio):
    """Whether a ratio is within two standard errors of 1."""
    off = (ratio.value - 1) / ratio.error
    return f"1 +-2 s.e. {'met' if abs(off) <= 2 else f'MISSED ({off:+.1f})'}"
