"""What one view shows beyond its corners: tilt, distance, residual, exposure, and whether anything moved.

Motion of the board: two images compared by their corners. That of the arm: ``arm_motion``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from eyebolt.boards import Board, Detection, GrayImage, NoDetection
from eyebolt.geometry import CameraModel
from eyebolt.observations.board_pose import BoardPose, fit_board_pose
from eyebolt.observations.exposure_map import SATURATION_LEVEL, ExposureMap, measure_exposure_map
from eyebolt.observations.thresholds import CORNER_SHIFT, CORNER_SHIFT_SIGMAS

# Every 8th pixel of every 8th row is sample enough for a share of the image.
_SAMPLING = 8
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


@dataclass(frozen=True)
class View:
    """The measures of one view, as they are recorded. The measures of the pose are None where ``no_pose``."""

    tilt_deg: float | None = None
    """Angle between the board's normal and the line of sight to its centre, degrees."""
    tilt_direction_deg: float | None = None
    """Direction in the image in which the board's face is turned away from the line of sight, clockwise from the
    image's right, degrees; null in records of before this key."""
    distance_mm: float | None = None
    """Distance of the board's centre from the camera, millimetres."""
    square_px: float | None = None
    """Shorter side of a square at the board's centre, pixels."""
    residual_px: float | None = None
    """RMS corner residual per coordinate about the best pose and bow of the board, pixels."""
    exposure_map: ExposureMap | None = None
    """Where on the board the exposure is bad; None if the board cannot be located."""
    motion_check: MotionCheck | None = None
    """Comparison with the image taken shortly before; None if there is none to compare with."""
    motion_unchecked_reason: str = ""
    """Why there is no motion check, for an operator."""
    saturated_image_fraction: float = 0.0
    """Saturated share of the whole image."""
    no_pose: bool = False
    """The corners determine no pose: too few of them, or almost collinear."""


def measure_view(
    gray: GrayImage,
    detection: Detection | NoDetection,
    camera: CameraModel,
    board: Board,
    motion_check: MotionCheck | None = None,
    motion_unchecked_reason: str = "",
) -> tuple[View, BoardPose | None]:
    """The measures of the board ``detection`` in the image ``gray`` (H, W), and its pose if the corners determine one.

    ``motion_check`` and ``motion_unchecked_reason`` are passed on.
    """
    if isinstance(detection, NoDetection):
        return View(motion_check=motion_check, motion_unchecked_reason=motion_unchecked_reason), None
    exposure_map = measure_exposure_map(gray, detection, board)
    saturated = float(np.mean(gray[::_SAMPLING, ::_SAMPLING] >= SATURATION_LEVEL * np.iinfo(gray.dtype).max))
    corners_m = board.corners_m()
    fitted = None
    if detection.image_size_px == (camera.width_px, camera.height_px):
        fitted = fit_board_pose(camera, detection.ids, detection.corners_px, corners_m)
    if fitted is None:
        view = View(
            exposure_map=exposure_map,
            motion_check=motion_check,
            motion_unchecked_reason=motion_unchecked_reason,
            saturated_image_fraction=saturated,
            no_pose=True,
        )
        return view, None
    board_pose, rss_px2 = fitted
    camera_T_board = board_pose.camera_T_board
    middle = (corners_m.min(axis=0) + corners_m.max(axis=0)) / 2
    centre = camera_T_board[:3, :3] @ middle + camera_T_board[:3, 3]
    distance_m = float(np.linalg.norm(centre))
    cosine = abs(float(camera_T_board[:3, 2] @ centre)) / distance_m
    sight = centre / distance_m
    # The board's z axis points into the board.
    turned = -camera_T_board[:3, 2] + (camera_T_board[:3, 2] @ sight) * sight
    focal_px = float(np.sqrt(camera.matrix[0, 0] * camera.matrix[1, 1]))
    view = View(
        tilt_deg=float(np.rad2deg(np.arccos(min(cosine, 1.0)))),
        tilt_direction_deg=float(np.rad2deg(np.arctan2(turned[1], turned[0]))),
        distance_mm=distance_m * 1e3,
        square_px=board.pitch_m / distance_m * focal_px * cosine,
        residual_px=float(np.sqrt(rss_px2 / (2 * len(detection.ids)))),
        exposure_map=exposure_map,
        motion_check=motion_check,
        motion_unchecked_reason=motion_unchecked_reason,
        saturated_image_fraction=saturated,
    )
    return view, board_pose


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
