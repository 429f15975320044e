"""From pairs to the transform of the camera: estimate, outliers, uncertainty, diagnosis, acceptance. Pure."""

from eyebolt.calibration.acceptance import AcceptanceCause, ResultAcceptance, assess_result
from eyebolt.calibration.estimation import (
    BoardPoses,
    HeldOutError,
    chi2_isf,
    linearize,
    linearize_board_poses,
    noise_dof,
    shrunk_variances,
    slide_to_plausible,
    variance_of,
    vertical_directions,
    weakest_direction,
)
from eyebolt.calibration.finding import EVIDENCE_KEYS, FINDING_KINDS, Finding, FindingCode, FindingKind
from eyebolt.calibration.nuisance_prior import (
    DEFAULT_CENTRE_SIGMA_PX,
    DEFAULT_FOCAL_SIGMA,
    PRINTED_SCALE_SIGMA,
    RULER_SIGMA_M,
    NuisancePrior,
    PriorSource,
    default_coefficient_sigma,
    measured_scale_sigma,
)
from eyebolt.calibration.problem import (
    STATED_NOISE_DOF,
    JointConvention,
    PoseConvention,
    Problem,
    RobotNoise,
    WorkingVolume,
)
from eyebolt.calibration.problem_file import read_problem
from eyebolt.calibration.result_format import ResultFormat, ResultGap
from eyebolt.calibration.robust import MIN_PAIRS, evenly_spaced_rows
from eyebolt.calibration.solution import BoardBow, ExcludedPair, ParameterDeviation, Refusal, RefusalCode, Solution
from eyebolt.calibration.solve import solve, solve_with_free_intrinsics
from eyebolt.calibration.uncertainty import (
    ErrorContributions,
    ErrorMap,
    PredictedBoardAndLens,
    PredictiveModel,
    TouchCheck,
    p95_upper_of_covariance,
    standard_normal,
)
from eyebolt.protocol import AcceptanceStatus, Severity

__all__ = [
    "DEFAULT_CENTRE_SIGMA_PX",
    "DEFAULT_FOCAL_SIGMA",
    "EVIDENCE_KEYS",
    "FINDING_KINDS",
    "MIN_PAIRS",
    "PRINTED_SCALE_SIGMA",
    "RULER_SIGMA_M",
    "STATED_NOISE_DOF",
    "AcceptanceCause",
    "AcceptanceStatus",
    "BoardBow",
    "BoardPoses",
    "ErrorContributions",
    "ErrorMap",
    "ExcludedPair",
    "Finding",
    "FindingCode",
    "FindingKind",
    "HeldOutError",
    "JointConvention",
    "NuisancePrior",
    "ParameterDeviation",
    "PoseConvention",
    "PredictedBoardAndLens",
    "PredictiveModel",
    "PriorSource",
    "Problem",
    "Refusal",
    "RefusalCode",
    "ResultAcceptance",
    "ResultFormat",
    "ResultGap",
    "RobotNoise",
    "Severity",
    "Solution",
    "TouchCheck",
    "WorkingVolume",
    "assess_result",
    "chi2_isf",
    "default_coefficient_sigma",
    "evenly_spaced_rows",
    "linearize",
    "linearize_board_poses",
    "measured_scale_sigma",
    "noise_dof",
    "p95_upper_of_covariance",
    "read_problem",
    "shrunk_variances",
    "slide_to_plausible",
    "solve",
    "solve_with_free_intrinsics",
    "standard_normal",
    "variance_of",
    "vertical_directions",
    "weakest_direction",
]
