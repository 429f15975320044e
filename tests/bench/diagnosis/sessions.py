"""A session with one fault, and the finding that should come first."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from bench.calibration.common import cases, make
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.problem import Problem

# The rotations of the arm: "free", or "vertical" for one with four axes.
turns = "free"


@dataclass(frozen=True)
class CorruptedSession:
    """A problem with one fault."""

    problem: Problem
    is_right: Callable[[Finding], bool]
    """whether a finding is the right one for the fault"""


def code(*names, **evidence):
    """A predicate: the finding has one of these codes, and evidence within these (value, tolerance)."""

    def fits(finding):
        near = all(abs(finding.evidence.get(k, np.nan) - v) <= slack for k, (v, slack) in evidence.items())
        return finding.code in names and near

    return fits


def remedy(name, words):
    """A predicate: the finding has this code, and ``words`` in its remedy."""
    return lambda finding: finding.code == name and words in finding.remedy


def simulated_at(mount, poses, seed, level, **more):
    """The simulator's problem for the kind of arm of this run; ``more``: arguments of ``make_problem``."""
    return make(mount, poses, seed, level, turns=turns, **more)


def usual(mount, poses, seed, level):
    """The simulator's problem and the solver's, noise estimated."""
    simulated = simulated_at(mount, poses, seed, level)
    return simulated, cases.convert(simulated, include_robot_noise=False, drift_sigma_m=None)
