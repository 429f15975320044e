"""Helper modules as fixtures, and solves that several tests share."""

from __future__ import annotations

from dataclasses import dataclass
from types import ModuleType

import numpy as np
import pytest

from bench.calibration import arms_with_kinematic_errors
from eyebolt.calibration.solution import Solution
from eyebolt.calibration.solve import solve
from eyebolt_sim.problems import make_problem
from support import cramer_rao_bound, problems

POSES = 20


@pytest.fixture(scope="session")
def bench() -> ModuleType:
    """The bench's sessions of arms with kinematic errors."""
    return arms_with_kinematic_errors


@pytest.fixture(scope="session")
def cases() -> ModuleType:
    """Conversion of simulated problems, and faults injected into them."""
    return problems


@pytest.fixture(scope="session")
def bound() -> ModuleType:
    """The Cramer-Rao bound, computed without the product."""
    return cramer_rao_bound


@dataclass(frozen=True)
class Campaign:
    """Fault-free problems of one mount and their solutions, by whether the noise of the arm was stated."""

    mount: str
    simulated: list
    solutions: dict[bool, list[Solution]]
    errors_mm: dict[bool, np.ndarray]
    """(seeds, points) of the working volume."""
    bound_mm: np.ndarray
    """(seeds,) RMS over the working volume."""


@pytest.fixture(
    scope="session",
    params=[
        pytest.param((mount, seeds), id=f"{mount}-{seeds} seeds", marks=pytest.mark.long if seeds == 20 else ())
        for mount in ("fixed", "arm")
        for seeds in (12, 20)
    ],
)
def campaign(request, cases, bound) -> Campaign:
    """12 seeds, 20 in the long form, of 20 poses, 0.1 px, 0.1 mm / 0.02 deg."""
    mount, seeds = request.param
    simulated = [make_problem(mount, POSES, seed) for seed in range(seeds)]
    points = bound.working_points(simulated[0])
    solutions, errors = {}, {}
    for stated in (True, False):
        solutions[stated] = [solve(cases.convert(problem, stated)) for problem in simulated]
        assert all(isinstance(s, Solution) for s in solutions[stated])
        errors[stated] = np.array(
            [bound.errors_mm(s.X, p, points) for s, p in zip(solutions[stated], simulated, strict=True)]
        )
    best = np.array([bound.rms_of_covariance_mm(bound.bound_covariance(p), points) for p in simulated])
    return Campaign(mount, simulated, solutions, errors, best)
