"""Boards that are not flat: stops, pairs left out, accuracy and coverage against the bow, noise of the arm estimated.

The bow has a random shape and the given flatness; the problem states lens and size of the board as exact, and nothing
about the bow. ``RMS/bound``: over the bound of a flat board; ``in p95``: share of working points within the stated p95;
``z``: RMS of (estimate - truth) / sigma of the three parameters, 1 expected, bar 0.9 to 1.1.
"""

from dataclasses import dataclass, replace

import numpy as np

from bench.calibration.common import bar, column, errors_mm, make, mean, rms, rms_ratio, share, working_points
from bench.record import Table
from eyebolt.calibration.solution import Solution
from eyebolt.calibration.solve import solve
from eyebolt.protocol import Severity
from eyebolt_sim.problems import DEFAULT_BOARD
from support import cramer_rao_bound as bound
from support import problems as cases

FLATNESS_MM = (0.0, 0.2, 0.5, 1.0)


@dataclass(frozen=True)
class BowedSet:
    """One seed; NaN where the solver refused."""

    is_stopped: bool
    is_warned: bool
    lost: int
    square_mm2: float
    bound_mm2: float
    inside: float
    z2: float
    sigma_mm: float


def run(bench):
    """Prints the section."""
    seeds = bench.seeds(100)
    table = Table(
        f"board bow: boards that are not flat, noise estimated, {seeds} seeds",
        ("mount", 5),
        ("poses", 5),
        ("flat to mm", 10),
        ("stopped", 14),
        ("warned", 14),
        ("lost pairs", 14),
        ("RMS/bound", 14),
        ("in p95", 14),
        ("z", 14),
        ("bar", 34),
        ("sigma mm", 8),
    )
    for poses in bench.poses(8, 12, 20):
        for mount in bench.mounts:
            for flatness_mm in FLATNESS_MM:
                sets = bench.each_seed(solve_bowed, seeds, mount, poses, flatness_mm)
                z = rms(column(sets, "z2"))
                table.row(
                    mount,
                    poses,
                    flatness_mm,
                    share(column(sets, "is_stopped")),
                    share(column(sets, "is_warned")),
                    share(column(sets, "lost") > 0),
                    rms_ratio(column(sets, "square_mm2"), column(sets, "bound_mm2")),
                    mean(column(sets, "inside")),
                    z,
                    bar(z, 0.9, 1.1),
                    f"{np.nanmean(column(sets, 'sigma_mm')):.4f}",
                )


def solve_bowed(seed, mount, poses, flatness_mm):
    """The BowedSet of a seed."""
    shape = np.random.default_rng([seed, 77]).normal(size=3)
    bow_mm = shape * flatness_mm / np.ptp(1e3 * DEFAULT_BOARD.bowed_corners_m(tuple(shape))[:, 2])
    simulated = make(mount, poses, seed, "usual", board_bow_mm=tuple(bow_mm))
    outcome = solve(replace(cases.convert(simulated, False, drift_sigma_m=None), board_bow_sigma_m=None))
    severities = [finding.severity for finding in outcome.findings]
    best = bound.rms_of_covariance_mm(bound.bound_covariance(simulated), working_points()) ** 2
    flags = Severity.STOP in severities, Severity.WARN in severities, len(outcome.excluded)
    if not isinstance(outcome, Solution):
        return BowedSet(*flags, *[np.nan] * 5)
    off_mm = errors_mm(outcome.X, simulated.hand_eye_true)
    parts = (outcome.board_bow.x, outcome.board_bow.xy, outcome.board_bow.y)
    z = [(part.deviation - true) / part.sigma for part, true in zip(parts, bow_mm, strict=True)]
    inside = float((off_mm <= outcome.expected_error_mm.p95).mean())
    sigma_mm = float(np.mean([part.sigma for part in parts]))
    return BowedSet(*flags, float((off_mm**2).mean()), best, inside, float(np.mean(np.square(z))), sigma_mm)
