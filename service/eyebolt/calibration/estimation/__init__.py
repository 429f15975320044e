"""Initial value, linear model, robot noise and the joint maximum-likelihood estimate. Pure."""

from eyebolt.calibration.estimation.cross_validation import HeldOut, held_out_error, leave_one_out, unused_pairs
from eyebolt.calibration.estimation.initialization import (
    BAD_M,
    GOOD_M,
    Start,
    agreed_start,
    best_start,
    distances,
    plausible,
    settle_branches,
    starts_for,
)
from eyebolt.calibration.estimation.linearization import (
    COLUMNS,
    FIRST_LENS,
    FOCAL,
    SCALE,
    LinearModel,
    SeenPoses,
    What,
    fit_linear,
    invert_information,
    linearise,
    see,
)
from eyebolt.calibration.estimation.maximum_likelihood import JointEstimate, Views, joint_estimate
from eyebolt.calibration.estimation.nuisance_parameters import Doubt, Freed, moved_doubts, set_free
from eyebolt.calibration.estimation.observability import turning_about_axes, unknown_directions, weakest_direction
from eyebolt.calibration.estimation.robot_noise import most_likely_noise, variance_of
from eyebolt.calibration.estimation.statistics import chance_of_ratio, chance_of_squares, squares_beyond
from eyebolt.calibration.estimation.vertical_axis import (
    missing_height,
    slid,
    slide_to_height,
    slide_to_plausible,
    verticals,
)

__all__ = [
    "BAD_M",
    "COLUMNS",
    "FIRST_LENS",
    "FOCAL",
    "GOOD_M",
    "SCALE",
    "Doubt",
    "Freed",
    "HeldOut",
    "JointEstimate",
    "LinearModel",
    "SeenPoses",
    "Start",
    "Views",
    "What",
    "agreed_start",
    "best_start",
    "chance_of_ratio",
    "chance_of_squares",
    "distances",
    "fit_linear",
    "held_out_error",
    "invert_information",
    "joint_estimate",
    "leave_one_out",
    "linearise",
    "missing_height",
    "most_likely_noise",
    "moved_doubts",
    "plausible",
    "see",
    "set_free",
    "settle_branches",
    "slid",
    "slide_to_height",
    "slide_to_plausible",
    "squares_beyond",
    "starts_for",
    "turning_about_axes",
    "unknown_directions",
    "unused_pairs",
    "variance_of",
    "verticals",
    "weakest_direction",
]
