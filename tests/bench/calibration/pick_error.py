"""Coverage of the stated pick error for arms with kinematic errors, and its tightness for arms with white noise only.

Each arm calibrates at waypoints it can reach and then picks at waypoints it did not use, through the same faulty
geometry. ``inside p95``: fraction of picks whose error is within the stated p95 of ``expected_pick_error_mm``, standard
error over the arms; bars: at least 0.90 for arms with joint and link errors, at most 0.99 for arms with white noise.
``stated/true``: stated p95 over the p95 of the arm's own picks, mean over the arms. ``white alone``: the
fraction that white noise alone would cover, that is the stated error with the noise given as known.
"""

from dataclasses import replace

import numpy as np

from bench.calibration.arms_with_kinematic_errors import ARMS, KINEMATIC, pick_errors_mm, session
from bench.calibration.common import bar, mean
from bench.record import Table
from eyebolt.calibration.problem import RobotNoise
from eyebolt.calibration.solution import Solution
from eyebolt.calibration.solve import solve


def run(bench):
    """Prints the section."""
    arms = bench.seeds(200)
    table = Table(
        f"pick: error of a pick against its statement, noise estimated, {arms} arms",
        ("mount", 5),
        ("arm", 29),
        ("poses", 5),
        ("inside p95", 14),
        ("bar", 27),
        ("stated/true", 14),
        ("white alone", 14),
        ("refused", 7),
        ("lost", 5),
    )
    for mount in bench.mounts:
        for kind in ARMS:
            for poses in bench.poses(12, 20):
                results = np.array(bench.each_seed(one_arm, arms, mount, poses, kind), dtype=float)
                inside, ratio, white, lost = results.T
                covered = mean(inside)
                table.row(
                    mount,
                    kind,
                    poses,
                    covered,
                    bar(covered, at_least=0.90) if kind == KINEMATIC else bar(covered, at_most=0.99),
                    mean(ratio),
                    mean(white),
                    int(np.isnan(inside).sum()),
                    int(np.nansum(lost)),
                )


def one_arm(seed, mount, poses, kind):
    """Share of picks inside, stated over true p95, share inside with white noise alone, pairs lost."""
    cell = session(mount, poses, seed, kind)
    outcome = solve(cell.problem)
    if not isinstance(outcome, Solution):
        return np.nan, np.nan, np.nan, len(outcome.excluded)
    errors = pick_errors_mm(cell, outcome.X, outcome.Y)
    stated = outcome.expected_pick_error_mm.p95
    known = RobotNoise(outcome.robot_noise_mm / 1e3, float(np.deg2rad(outcome.robot_noise_deg)))
    plain = solve(replace(cell.problem, robot_noise=known))
    white = np.mean(errors <= plain.expected_pick_error_mm.p95) if isinstance(plain, Solution) else np.nan
    return np.mean(errors <= stated), stated / np.quantile(errors, 0.95), white, len(outcome.excluded)
