"""Guided capture: live poses, their delay behind the camera, and when an image of a guided arm is a pair. Pure."""

from eyebolt.guidance.delay import (
    MAX_DELAY_S,
    MIN_DELAY_S,
    DelayEstimate,
    MotionModel,
    SegmentFit,
    combine_segments,
    fit_segment,
)
from eyebolt.guidance.following import THOROUGH_INTERVAL_S, BoardFollower
from eyebolt.guidance.guide import (
    MAX_IMAGE_SHIFT_PX,
    MAX_PREDICTED_PX,
    NEW_PLACE_M,
    NEW_PLACE_RAD,
    UNKNOWN_EXPOSURE_S,
    FollowedFrame,
    Guide,
    GuidedPair,
    GuideSetup,
    is_new_place,
)
from eyebolt.guidance.live_poses import MAX_RECORDED_POSES, LivePosesRecord
from eyebolt.guidance.pose_stream import PoseStream, sample_instants, sampling_period

__all__ = [
    "MAX_DELAY_S",
    "MAX_IMAGE_SHIFT_PX",
    "MAX_PREDICTED_PX",
    "MAX_RECORDED_POSES",
    "MIN_DELAY_S",
    "NEW_PLACE_M",
    "NEW_PLACE_RAD",
    "THOROUGH_INTERVAL_S",
    "UNKNOWN_EXPOSURE_S",
    "BoardFollower",
    "DelayEstimate",
    "FollowedFrame",
    "Guide",
    "GuideSetup",
    "GuidedPair",
    "LivePosesRecord",
    "MotionModel",
    "PoseStream",
    "SegmentFit",
    "combine_segments",
    "fit_segment",
    "is_new_place",
    "sample_instants",
    "sampling_period",
]
