"""How many pairs a session needs that follows the suggested next views, against random waypoints.

Each seed is a cell with a tolerance for which its random waypoints (tilt 5 to 35 deg, all rolls, the whole image) need
at least 20 pairs. The other session begins with the same three waypoints and then follows the suggestions, with new
noise of the arm. Bar: the median of the ratio at most 0.60. ``time``: of one suggestion, median, processor time.
"""

import time
from dataclasses import replace

import numpy as np

from bench.calibration.common import bar
from bench.planning.sessions import FEWEST, MOST, Shooter, goal_at, median, outcome_of, tight_session
from bench.record import Table
from eyebolt.calibration.solution import Solution
from eyebolt.planning.information import pairs_of_solution, setup_estimate
from eyebolt.planning.next_view import suggest_view

LEAST_RANDOM, FIRST = 20, 3


def run(bench):
    """Prints the section."""
    seeds = bench.seeds(50)
    table = Table(
        f"next-view: pairs needed when following it, {seeds} seeds",
        ("mount", 5),
        ("noise", 6),
        ("random", 12),
        ("suggested", 12),
        ("ratio, median", 14),
        ("bar", 30),
        ("time ms", 14),
    )
    for mount in bench.mounts:
        for level in bench.levels("usual"):
            found = np.array(bench.each_seed(one_cell, seeds, mount, level), dtype=float)
            random, suggested, took = found.T
            ratio = median(suggested / random)
            table.row(
                mount,
                level,
                spread(random),
                spread(suggested),
                ratio,
                bar(ratio, at_most=0.6),
                median(took).text(0),
            )
    table.note("random, suggested: pairs, 10th, 50th and 90th percentile")


def spread(values):
    """10th, 50th and 90th percentile in words."""
    return "-".join(f"{v:.0f}" for v in np.percentile(values, (10, 50, 90)))


def one_cell(seed, mount, level):
    """Pairs needed at random waypoints and with suggestions, and the time of one suggestion, ms."""
    simulated, problem, tolerance, needed = tight_session(mount, seed, level, LEAST_RANDOM)
    shooter = Shooter(simulated, level, seed)
    pairs, took = list(problem.pairs[:FIRST]), []
    suggested = follow(problem, pairs, shooter, goal_at(tolerance), took)
    return needed, suggested, float(np.median(took))


def follow(problem, pairs, shooter, goal, took):
    """Follows the suggestions until the goal is met; the number of pairs then."""
    while len(pairs) < MOST:
        here = replace(problem, pairs=tuple(pairs))
        found = outcome_of(problem, pairs)
        if len(pairs) >= FEWEST and goal.is_met(len(pairs), found):
            break
        if isinstance(found, Solution):
            began = time.process_time()
            suggestion = suggest_view(setup_estimate(here, found), pairs_of_solution(here, found))
            took.append(1e3 * (time.process_time() - began))
            pairs.append(shooter.pair(len(pairs), suggestion.base_T_flange)[0])
        else:
            pairs.append(replace(problem.pairs[len(pairs)], index=len(pairs)))
    return len(pairs)
