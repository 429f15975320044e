"""A pair (one pose, one image), the board's pose in it, and the acceptance of a single view. Pure."""

from eyebolt.observations.board_pose import (
    FEWEST_CORNERS,
    BoardPoses,
    ViewStack,
    fit_board_poses,
    linearise_corners,
    refine_board_poses,
    soften_strays,
)
from eyebolt.observations.half_turn import half_turn_of, looks_alike_turned, numbered_alike, turned_views
from eyebolt.observations.pair import UNSTATED_TIP_SIGMA_M, Pair, PlacedBoard, PointerTip, Touch
from eyebolt.observations.view_acceptance import Ground, Usual, Verdict, judge_view, verdict
from eyebolt.observations.view_quality import BoardSeen, Stillness, View, compare_pictures, measure_view

__all__ = [
    "FEWEST_CORNERS",
    "UNSTATED_TIP_SIGMA_M",
    "BoardPoses",
    "BoardSeen",
    "Ground",
    "Pair",
    "PlacedBoard",
    "PointerTip",
    "Stillness",
    "Touch",
    "Usual",
    "Verdict",
    "View",
    "ViewStack",
    "compare_pictures",
    "fit_board_poses",
    "half_turn_of",
    "judge_view",
    "linearise_corners",
    "looks_alike_turned",
    "measure_view",
    "numbered_alike",
    "refine_board_poses",
    "soften_strays",
    "turned_views",
    "verdict",
]
