"""Sessions of a simulated cell, pair by pair: at random waypoints, or at given flange poses."""

from dataclasses import replace

import numpy as np

from bench.calibration.common import LEVELS, cases
from bench.record import Figure
from eyebolt.calibration.solution import Solution
from eyebolt.calibration.solve import solve
from eyebolt.observations.pair import Pair
from eyebolt.planning.stopping import Goal
from eyebolt.protocol import ToleranceOf
from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.problems import DEFAULT_BOARD, make_problem
from eyebolt_sim.transforms import transform_points
from eyebolt_sim.views import ViewRange

FEWEST, MOST = 8, 60
RANDOM = ViewRange(tilt_deg=(5.0, 35.0))


def random_session(mount, seed, level, pairs):
    """The simulator's problem at random waypoints and the solver's, noise not stated."""
    pixels, mm, deg = LEVELS[level]
    simulated = make_problem(mount, pairs, seed, pixels, mm, deg, limits=RANDOM)
    return simulated, cases.convert(simulated, include_robot_noise=False, drift_sigma_m=None)


class Shooter:
    """Takes pairs of a simulated cell at any flange pose, with new pose and corner noise."""

    def __init__(self, simulated, level, seed):
        self.simulated = simulated
        self.pixels, mm, deg = LEVELS[level]
        self.noise = PoseNoise(mm, deg)
        self.rng = np.random.default_rng([seed, 23])

    def pair(self, index, base_T_flange):
        """The pair reported at a pose, and the share of the board's corners in the image."""
        view = self.simulated.scene.view_from(self.noise.reported(base_T_flange, self.rng))
        corners = self.simulated.lens.project(transform_points(view, DEFAULT_BOARD.corners_m))
        corners = corners + self.rng.normal(size=corners.shape) * self.pixels
        ids = np.flatnonzero(self.simulated.lens.inside(corners, 2.0))
        return Pair(index, base_T_flange, ids, corners[ids]), len(ids) / len(corners)


def outcome_of(problem, pairs):
    """The solve of these pairs."""
    return solve(replace(problem, pairs=tuple(pairs)))


def goal_at(tolerance_mm):
    """The goal of these sessions: about the transform, whose law they measure."""
    return Goal(tolerance_mm, FEWEST, MOST, ToleranceOf.TRANSFORM)


def tight_session(mount, seed, level, least):
    """A cell and a tolerance for which its random waypoints need at least ``least`` pairs.

    Returns the simulated problem, the solver's, the tolerance in mm and the pairs needed. The tolerance is just below
    the smallest that a solution with fewer pairs would meet.
    """
    simulated, problem = random_session(mount, seed, level, MOST)
    best = np.inf
    for count in range(FEWEST, MOST + 1):
        found = outcome_of(problem, problem.pairs[:count])
        if not isinstance(found, Solution):
            continue
        if count >= least and goal_at(best).is_met(count, found):
            return simulated, problem, best, count
        if count < least:
            best = min(best, met_tolerance_mm(found) * (1 - 1e-9))
    return simulated, problem, best, MOST


def met_tolerance_mm(found):
    """The smallest tolerance that a solution meets."""
    low, high = 0.0, 4 * found.expected_error_mm.p95_upper
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if goal_at(middle).is_met(FEWEST, found) else (middle, high)
    return high


def median(values):
    """Median and its standard error: the spread of the medians of 400 resampled sets."""
    values = np.asarray(values, dtype=float)
    rng = np.random.default_rng(0)
    again = np.median(values[rng.integers(len(values), size=(400, len(values)))], axis=1)
    return Figure(float(np.median(values)), float(np.std(again, ddof=1)))
