"""The joint maximum-likelihood estimate and its parts: linear model, initial estimate, noise, observability. Pure."""

from eyebolt.calibration.estimation.cross_validation import (
    HeldOutError,
    held_out_error,
    leave_one_out,
    predictive_p_values,
    unused_pair_residuals,
)
from eyebolt.calibration.estimation.initialization import (
    GROSS_RESIDUAL_M,
    PLAUSIBLE_RESIDUAL_M,
    InitialEstimate,
    best_initial_estimate,
    coarse_residuals_m,
    consensus_start,
    initial_estimates,
    resolve_tilt_branches,
)
from eyebolt.calibration.estimation.linearization import (
    BoardPoses,
    LinearModel,
    MovedPart,
    Observations,
    arm_covariance,
    fit_linear,
    invert_information,
    invert_pose_covariance,
    linearize,
    linearize_board_poses,
    linearize_views,
)
from eyebolt.calibration.estimation.maximum_likelihood import JointEstimate, joint_estimate
from eyebolt.calibration.estimation.noise_shape import select_noise_shape
from eyebolt.calibration.estimation.nuisance_parameters import (
    NuisanceEstimate,
    NuisanceParameter,
    change_point_nuisances,
    estimate_nuisances,
)
from eyebolt.calibration.estimation.observability import rotation_spread, unobservable_directions, weakest_direction
from eyebolt.calibration.estimation.prior_check import PriorContradiction, find_contradiction
from eyebolt.calibration.estimation.robot_noise import (
    NoisePosterior,
    NoisePrior,
    is_plausible_noise,
    most_likely_noise,
    noise_dof,
    noise_posterior,
    variance_of,
)
from eyebolt.calibration.estimation.statistics import chi2_isf, chi2_sf, f_sf, mahalanobis_sq
from eyebolt.calibration.estimation.vertical_axis import (
    describe_missing_height,
    slide_along_vertical,
    slide_to_height,
    slide_to_plausible,
    vertical_directions,
)

__all__ = [
    "GROSS_RESIDUAL_M",
    "PLAUSIBLE_RESIDUAL_M",
    "BoardPoses",
    "HeldOutError",
    "InitialEstimate",
    "JointEstimate",
    "LinearModel",
    "MovedPart",
    "NoisePosterior",
    "NoisePrior",
    "NuisanceEstimate",
    "NuisanceParameter",
    "Observations",
    "PriorContradiction",
    "arm_covariance",
    "best_initial_estimate",
    "change_point_nuisances",
    "chi2_isf",
    "chi2_sf",
    "coarse_residuals_m",
    "consensus_start",
    "describe_missing_height",
    "estimate_nuisances",
    "f_sf",
    "find_contradiction",
    "fit_linear",
    "held_out_error",
    "initial_estimates",
    "invert_information",
    "invert_pose_covariance",
    "is_plausible_noise",
    "joint_estimate",
    "leave_one_out",
    "linearize",
    "linearize_board_poses",
    "linearize_views",
    "mahalanobis_sq",
    "most_likely_noise",
    "noise_dof",
    "noise_posterior",
    "predictive_p_values",
    "resolve_tilt_branches",
    "rotation_spread",
    "select_noise_shape",
    "slide_along_vertical",
    "slide_to_height",
    "slide_to_plausible",
    "unobservable_directions",
    "unused_pair_residuals",
    "variance_of",
    "vertical_directions",
    "weakest_direction",
]
