"""Coverage of the stated error, with the noise of the arm estimated.

d is the change with ``X_estimated * exp(d) = X_true`` (translation, rotation) and C the solution's covariance.
``d in 95 %``: share of seeds with d^T C^-1 d within the 95 % point of chi-squared with six degrees of freedom; bars 93
to 97 % from 20 poses up, 91 to 98 % at 10, at least 88 % at 5. ``mean``: of d^T C^-1 d, 6 expected, bar 6 +-5 % from
20 poses up. ``points in p95``: share of working points within the stated pooled p95, 0.95 expected; its standard error
is over seeds, since the errors of one seed are correlated.
"""

import numpy as np
from scipy.stats import chi2

from bench.calibration.common import LEVELS, bar, column, mean, share
from bench.record import Table

LIMIT = float(chi2.ppf(0.95, 6))


def run(bench):
    """Prints the section."""
    seeds = bench.seeds(1000)
    table = Table(
        f"coverage: stated error against true error, noise estimated, {seeds} seeds",
        ("mount", 5),
        ("noise", 6),
        ("poses", 5),
        ("d in 95 %", 14),
        ("bar", 36),
        ("mean d C^-1 d", 14),
        ("bar", 34),
        ("points in p95", 14),
        ("refused", 7),
    )
    for mount in bench.mounts:
        for level in bench.levels(*LEVELS):
            for poses in bench.poses(5, 10, 20, 40):
                sets = bench.clean(mount, poses, level, seeds)
                squared = column(sets, "squared")
                within = share(squared[np.isfinite(squared)] <= LIMIT)
                average = mean(squared)
                table.row(
                    mount,
                    level,
                    poses,
                    within,
                    bar(within, *share_bar(poses)),
                    average,
                    bar(average, 5.7, 6.3) if poses >= 20 else "",
                    mean(column(sets, "inside")),
                    int(np.isnan(squared).sum()),
                )


def share_bar(poses):
    """Least and most of the share of seeds within the 95 % region."""
    if poses >= 20:
        return 0.93, 0.97
    return (0.91, 0.98) if poses >= 10 else (0.88, None)
