"""From pairs to the camera's transform: estimate, uncertainty, outliers, diagnosis, acceptance. Pure."""

from eyebolt.calibration.acceptance import Judgement, judge
from eyebolt.calibration.estimation import (
    HeldOut,
    SeenPoses,
    linearise,
    see,
    slide_to_plausible,
    variance_of,
    verticals,
    weakest_direction,
)
from eyebolt.calibration.problem import PoseTerms, Problem, RobotNoise, WorkingVolume, chain_of
from eyebolt.calibration.problem_file import read_problem
from eyebolt.calibration.solution import Refusal, Solution
from eyebolt.calibration.solve import solve, solve_with_lens
from eyebolt.calibration.uncertainty import ErrorMap, Expectation, TouchCheck, p95_of_covariance, standard_normal

__all__ = [
    "ErrorMap",
    "Expectation",
    "HeldOut",
    "Judgement",
    "PoseTerms",
    "Problem",
    "Refusal",
    "RobotNoise",
    "SeenPoses",
    "Solution",
    "TouchCheck",
    "WorkingVolume",
    "chain_of",
    "judge",
    "linearise",
    "p95_of_covariance",
    "read_problem",
    "see",
    "slide_to_plausible",
    "solve",
    "solve_with_lens",
    "standard_normal",
    "variance_of",
    "verticals",
    "weakest_direction",
]
