"""A session with one fault, and what should be said of it first."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from bench.calibration.common import cases, make

# How the arm turns: "free", or "vertical" for one with four axes.
turns = "free"


@dataclass(frozen=True)
class Set:
    """A spoilt ``problem``; ``right``: whether a finding is the right one."""

    problem: object
    right: Callable


def code(*names, **evidence):
    """The right finding has one of these codes, and evidence that is near these (value, tolerance)."""

    def fits(finding):
        near = all(abs(finding.evidence.get(k, np.nan) - v) <= slack for k, (v, slack) in evidence.items())
        return finding.code in names and near

    return fits


def message(name, words):
    """The right finding has this code, and ``words`` in its remedy."""
    return lambda finding: finding.code == name and words in finding.remedy


def simulated_at(mount, poses, seed, level, **more):
    """The simulator's problem of the arm that is asked for; ``more`` as make_problem has it."""
    return make(mount, poses, seed, level, turns=turns, **more)


def usual(mount, poses, seed, level):
    """The simulator's problem and the solver's, noise estimated."""
    simulated = simulated_at(mount, poses, seed, level)
    return simulated, cases.convert(simulated, include_robot_noise=False)
