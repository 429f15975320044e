"""Whether anything moved while the image was taken: two images compared by their corners, live poses of the arm."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from eyebolt.boards import Detection
from eyebolt.geometry import Array, se3
from eyebolt.observations.thresholds import CORNER_SHIFT, CORNER_SHIFT_SIGMAS

# Rows of the affine map between the images, which absorbs the motion of the board; one per image coordinate.
_AFFINE_PARAMETERS = 3
# With fewer corners their own noise is not determined well enough.
_MIN_COMMON_CORNERS = 10


@dataclass(frozen=True)
class MotionCheck:
    """The corners of two images of one view, compared."""

    shift_px: float
    """Median over the common corners of the distance between the two images, pixels."""
    sigma_px: float
    """Corner noise per coordinate, pixels: residual of an affine map between the images."""
    interval_ms: float
    """Time between the two exposures, milliseconds."""
    corners: int
    """Number of common corners."""

    @property
    def limit_px(self) -> float:
        """The largest shift that can be noise, pixels; sigma is increased by two of its own standard deviations."""
        sigma_margin = 1 + 2 / math.sqrt(2 * 2 * (self.corners - _AFFINE_PARAMETERS))
        return max(CORNER_SHIFT.value, CORNER_SHIFT_SIGMAS * self.sigma_px * sigma_margin)

    @property
    def has_moved(self) -> bool:
        """Whether the board moved between the two images."""
        return self.shift_px > self.limit_px


def compare_images(first: Detection, second: Detection, interval_ms: float) -> MotionCheck | None:
    """The motion check on the corners common to both images; None with fewer than 10."""
    _, first_rows, second_rows = np.intersect1d(first.ids, second.ids, return_indices=True)
    count = len(first_rows)
    if count < _MIN_COMMON_CORNERS:
        return None
    before_px, after_px = first.corners_px[first_rows], second.corners_px[second_rows]
    shift = after_px - before_px
    design = np.column_stack([np.ones(count), before_px - before_px.mean(axis=0)])
    coefficients, *_ = np.linalg.lstsq(design, shift, rcond=None)
    residual = shift - design @ coefficients
    # The difference of two images has twice the variance of one.
    sigma_px = float(np.sqrt((residual**2).sum() / (2 * (count - _AFFINE_PARAMETERS)) / 2))
    return MotionCheck(float(np.median(np.linalg.norm(shift, axis=1))), sigma_px, interval_ms, count)


def arm_motion(base_T_flange: Array, live_poses: Sequence[Array]) -> tuple[float, float]:
    """Largest translation (metres) and rotation (radians) of live poses (4, 4) from the reported one; 0 without any."""
    if not live_poses:
        return 0.0, 0.0
    translation_m, rotation_rad = se3.pose_distance(np.asarray(live_poses), base_T_flange)
    return float(translation_m.max()), float(rotation_rad.max())
