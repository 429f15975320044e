"""Whether the stated error holds in sessions that ended because of it, and the pairs wanted on the way.

Each seed: random waypoints (tilt 5 to 35 deg), the arm's noise estimated, solved after every pair from 8 on; the
tolerance is the true bound of the p95 (Cramer-Rao bound, true noise) of its first 9 to 27 pairs. A session ends when
``Goal.is_met`` says so; those that do not by 30 pairs count as not stopped.

``points in p95``: share of the 405 working points whose true error is within the p95 stated at the stop, pooled over
the sessions that stopped on tolerance; bar 92 to 98 %; standard error over sessions, whose points are correlated.
``sessions``: share of those sessions whose RMS over the points is within the stated p95. ``x factor``: points within
the stated p95 times the stop factor. ``in tolerance``: points within the tolerance. ``no factor``: points in p95 under
the plain rule. ``stated/bound``: geometric mean over the sessions of the bound stated at the stop over the true one.
``true above``: sessions whose true p95 is above the tolerance; bar at most 5 %.
``wanted at 8, 15``: mean of log(predicted pairs at the end / pairs at the end), where more were wanted.
"""

from dataclasses import replace

import numpy as np

from bench.calibration.common import bar, errors_mm, mean, share
from bench.calibration.common import bound as bounds
from bench.planning.sessions import goal_at, outcome_of, random_session
from bench.record import Table
from eyebolt.calibration.solution import Solution
from eyebolt.calibration.uncertainty.expected_error import p95_upper_of_covariance
from eyebolt.planning.stopping import stopping_factor

FEWEST, LAST = 8, 30
ASKED_AT = (8, 15)


def run(bench):
    """Prints the section."""
    seeds = bench.seeds(1000)
    table = Table(
        f"stop: sessions that end when the tolerance is reached, {seeds} seeds",
        ("mount", 5),
        ("noise", 6),
        ("stopped", 9),
        ("pairs", 9),
        ("points in p95", 14),
        ("bar", 28),
        ("sessions", 14),
        ("x factor", 14),
        ("in tolerance", 14),
        ("no factor", 14),
        ("stated/bound", 14),
        ("true above", 14),
        ("wanted at 8", 14),
        ("at 15", 14),
    )
    for mount in bench.mounts:
        for level in bench.levels("usual"):
            found = np.array(bench.each_seed(one_session, seeds, mount, level), dtype=float)
            pairs, inside, session, with_factor, within, plain, stated, above, *wanted = found.T
            stopped = np.isfinite(pairs)
            points = mean(inside)
            few, middle, many = np.percentile(pairs[stopped], (10, 50, 90))
            table.row(
                mount,
                level,
                f"{stopped.sum()}",
                f"{few:.0f}-{middle:.0f}-{many:.0f}",
                points,
                bar(points, 0.92, 0.98),
                share(session[stopped] == 1),
                mean(with_factor),
                mean(within),
                mean(plain),
                mean(stated),
                share(above[stopped] == 1),
                *(mean(w) for w in wanted),
            )
    table.note("pairs: 10th, 50th and 90th percentile at the stop")


def one_session(seed, mount, level):
    """Pairs at the stop, then the terms of the columns; NaN where it did not stop (or had no prediction)."""
    simulated, problem = random_session(mount, seed, level, LAST)
    tolerance = true_bound_mm(simulated, problem, int(np.random.default_rng([seed, 31]).integers(9, 28)))
    goal = goal_at(tolerance)
    plain, predicted = np.nan, dict.fromkeys(ASKED_AT, np.nan)
    for count in range(FEWEST, LAST + 1):
        found = outcome_of(problem, problem.pairs[:count])
        if not isinstance(found, Solution):
            continue
        p95, upper = found.expected_error_mm.p95, found.expected_error_mm.p95_upper
        errors = errors_mm(found.X, simulated.hand_eye_true)
        if np.isnan(plain) and upper <= tolerance:
            plain = (errors <= p95).mean()
        if goal.is_met(count, found):
            inside = (errors <= p95 * np.array([[1.0], [stopping_factor(found.pairs_used, prior_dof=0.0)]])).mean(
                axis=1
            )
            session = np.sqrt((errors**2).mean()) <= p95
            over_bound = np.log(upper / true_bound_mm(simulated, problem, count))
            wanted = [np.log(predicted[n] / count) for n in ASKED_AT]
            within, above = (errors <= tolerance).mean(), np.quantile(errors, 0.95) > tolerance
            return count, inside[0], session, inside[1], within, plain, over_bound, above, *wanted
        if count in predicted:
            predicted[count] = count + goal.pairs_wanted(count, found)
    return (np.nan,) * (8 + len(ASKED_AT))


def true_bound_mm(simulated, problem, count):
    """Upper confidence bound of the p95 of the best that any solver could do with the first ``count`` pairs."""
    names = ("base_T_flange_reported", "base_T_flange_true", "camera_T_board_true", "corner_ids")
    first = replace(simulated, **{name: getattr(simulated, name)[:count] for name in names})
    return p95_upper_of_covariance(problem, bounds.bound_covariance(first))
