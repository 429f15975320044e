"""A pair (one pose, one image), the board's pose in it, and the acceptance of a single view. Pure."""

from eyebolt.observations.arm_motion import ArmMotion
from eyebolt.observations.board_bow import BOW_PARAMETERS, PRINT_PARAMETERS, CornerField
from eyebolt.observations.board_pose import (
    MIN_CORNERS,
    BoardPose,
    CornerLinearization,
    CornerObservations,
    PoseFits,
    downweight_outlier_corners,
    fit_board_pose,
    fit_board_poses,
    linearize_corners,
    refine_board_poses,
)
from eyebolt.observations.exposure_map import ExposureMap, Region
from eyebolt.observations.half_turn import (
    half_turn_about_centre,
    is_half_turn_symmetric,
    resolve_half_turns,
    reversed_views,
)
from eyebolt.observations.pair import DEFAULT_TIP_SIGMA_M, Dataset, Pair, PlacedBoard, PointerTip, Touch
from eyebolt.observations.thresholds import (
    ARM_ROTATION,
    ARM_TRANSLATION,
    Measure,
    Threshold,
    ThresholdSource,
    all_thresholds,
)
from eyebolt.observations.view_acceptance import (
    WRONG_SIZE_REMEDY,
    Baseline,
    ViewAcceptance,
    assess_view,
    is_duplicate_pose,
)
from eyebolt.observations.view_quality import MotionCheck, View, compare_images, measure_view

__all__ = [
    "ARM_ROTATION",
    "ARM_TRANSLATION",
    "BOW_PARAMETERS",
    "DEFAULT_TIP_SIGMA_M",
    "MIN_CORNERS",
    "PRINT_PARAMETERS",
    "WRONG_SIZE_REMEDY",
    "ArmMotion",
    "Baseline",
    "BoardPose",
    "CornerField",
    "CornerLinearization",
    "CornerObservations",
    "Dataset",
    "ExposureMap",
    "Measure",
    "MotionCheck",
    "Pair",
    "PlacedBoard",
    "PointerTip",
    "PoseFits",
    "Region",
    "Threshold",
    "ThresholdSource",
    "Touch",
    "View",
    "ViewAcceptance",
    "all_thresholds",
    "assess_view",
    "compare_images",
    "downweight_outlier_corners",
    "fit_board_pose",
    "fit_board_poses",
    "half_turn_about_centre",
    "is_duplicate_pose",
    "is_half_turn_symmetric",
    "linearize_corners",
    "measure_view",
    "refine_board_poses",
    "resolve_half_turns",
    "reversed_views",
]
