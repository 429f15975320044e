"""How far pictures and poses are apart before anything fine is estimated: gross faults show here."""

from __future__ import annotations

import numpy as np

from eyebolt.solve.agreement import distances
from eyebolt.solve.joint import Views
from eyebolt.solve.problem import Problem, RobotNoise
from eyebolt.solve.start import Start, starts_for

# Medians at the board: pairs this bad have something wrong with all of them; pairs this good may be right.
BAD_M, GOOD_M = 0.004, 0.003
_GOOD_RAD = float(np.deg2rad(1.0))


def plausible(noise: RobotNoise) -> bool:
    """Whether an arm may scatter like that; an estimate that says more than this is wrong in something else."""
    return noise.translation_m < GOOD_M and noise.rotation_rad < _GOOD_RAD


def best_start(problem: Problem, views: Views) -> tuple[Start, float]:
    """The closed form that fits ``views`` best, and its misfit at the board in metres, median over the pairs."""
    starts = starts_for(problem, views.A, views.poses.camera_T_board)
    misfits = [float(np.median(distances(problem, views, start))) for start in starts]
    best = int(np.argmin(misfits))
    return starts[best], misfits[best]
