"""What one view measures beyond its corners: numbers that the verdict rests on.

Did anything move while the picture was taken? Two pictures tell by the corners, live poses by the arm.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from typing import Any

import numpy as np

from eyebolt.boards import Board, Detection, GrayImage, NoDetection
from eyebolt.geometry import Array, CameraModel, se3
from eyebolt.observations.board_pose import MIN_CORNERS, CornerObservations, fit_board_poses, linearize_corners
from eyebolt.observations.exposure_map import SATURATION_LEVEL, ExposureMap, measure_exposure_map
from eyebolt.observations.pair import Pair
from eyebolt.observations.thresholds import CORNER_SHIFT, CORNER_SHIFT_SIGMAS


@dataclass(frozen=True)
class BoardPose:
    """The board's pose in one view, ``camera_T_board`` (4, 4); its covariance ``unit_covariance`` (6, 6) for corners of 1 px,
    perturbed on the right."""

    camera_T_board: Array
    unit_covariance: Array


@dataclass(frozen=True)
class View:
    """``tilt_rad``: between the board's normal and the line of sight to its middle; ``distance_m`` to there;
    ``square_px``: the smaller side of a square at the board's middle; ``residual_px``: RMS per coordinate of what the
    board's pose leaves over of the corners; all None where the corners allow no pose (``no_pose``). ``motion_check``: None
    where nothing could be compared, ``motion_unchecked_reason`` then tells why. ``exposure_map``: None where they cannot be told;
    ``saturated_image_fraction``: share of the whole picture. ``board``: its best pose; not recorded, the corners tell it.
    """

    tilt_rad: float | None = None
    distance_m: float | None = None
    square_px: float | None = None
    residual_px: float | None = None
    exposure_map: ExposureMap | None = None
    motion_check: MotionCheck | None = None
    motion_unchecked_reason: str = ""
    no_pose: bool = False
    saturated_image_fraction: float = 0.0
    board: BoardPose | None = field(default=None, compare=False)

    def to_json(self) -> dict[str, Any]:
        """Plain values; ``from_json`` gives the same back."""
        return {
            "tilt_deg": None if self.tilt_rad is None else float(np.rad2deg(self.tilt_rad)),
            "distance_mm": None if self.distance_m is None else self.distance_m * 1e3,
            "square_px": self.square_px,
            "residual_px": self.residual_px,
            "exposure_map": None if self.exposure_map is None else self.exposure_map.to_json(),
            "motion_check": None if self.motion_check is None else self.motion_check.to_json(),
            "motion_unchecked_reason": self.motion_unchecked_reason,
            "saturated_image_fraction": self.saturated_image_fraction,
        }

    @classmethod
    def from_json(cls, record: Mapping[str, Any]) -> View:
        """From ``to_json``."""
        tilt_deg, distance_mm = record["tilt_deg"], record["distance_mm"]
        return cls(
            None if tilt_deg is None else float(np.deg2rad(tilt_deg)),
            None if distance_mm is None else distance_mm / 1e3,
            record["square_px"],
            record["residual_px"],
            None if record["exposure_map"] is None else ExposureMap.from_json(record["exposure_map"]),
            None if record["motion_check"] is None else MotionCheck.from_json(record["motion_check"]),
            record["motion_unchecked_reason"],
            # Earlier versions did not record it.
            saturated_image_fraction=record.get("saturated_image_fraction", 0.0),
        )


def measure_view(
    gray: GrayImage,
    detection: Detection | NoDetection,
    camera: CameraModel,
    board: Board,
    motion_check: MotionCheck | None = None,
    motion_unchecked_reason: str = "",
) -> View:
    """The measures of a view in ``gray`` (H, W); ``motion_check`` and ``motion_unchecked_reason`` are handed on."""
    if isinstance(detection, NoDetection):
        return View(motion_check=motion_check, motion_unchecked_reason=motion_unchecked_reason)
    exposure_map = measure_exposure_map(gray, detection, board)
    saturated = float(np.mean(gray[::8, ::8] >= SATURATION_LEVEL * np.iinfo(gray.dtype).max))
    has_pose = len(detection.ids) >= MIN_CORNERS and detection.image_size_px == (camera.width_px, camera.height_px)
    if has_pose:
        stack = CornerObservations.of([Pair(0, np.eye(4), detection.ids, detection.corners_px)], board.corners_m())
        poses = fit_board_poses(camera, stack)
        has_pose = bool(np.isfinite(poses.rss_px2[0]))
    if not has_pose:
        return View(
            exposure_map=exposure_map,
            motion_check=motion_check,
            motion_unchecked_reason=motion_unchecked_reason,
            no_pose=True,
            saturated_image_fraction=saturated,
        )
    camera_T_board = poses.camera_T_board[0]
    corners_m = board.corners_m()
    middle = (corners_m.min(axis=0) + corners_m.max(axis=0)) / 2
    centre = camera_T_board[:3, :3] @ middle + camera_T_board[:3, 3]
    distance_m = float(np.linalg.norm(centre))
    cosine = abs(float(camera_T_board[:3, 2] @ centre)) / distance_m
    information = linearize_corners(camera, stack, poses.camera_T_board).information[0]
    focal_px = float(np.sqrt(camera.matrix[0, 0] * camera.matrix[1, 1]))
    return View(
        tilt_rad=float(np.arccos(min(cosine, 1.0))),
        distance_m=distance_m,
        square_px=board.pitch_m / distance_m * focal_px * cosine,
        residual_px=float(np.sqrt(poses.rss_px2[0] / (2 * len(detection.ids)))),
        exposure_map=exposure_map,
        motion_check=motion_check,
        motion_unchecked_reason=motion_unchecked_reason,
        saturated_image_fraction=saturated,
        board=BoardPose(camera_T_board, np.linalg.inv(information)),
    )


# An affine map between the pictures takes up what a moving board does to its corners.
_AFFINE_PARAMETERS = 3
# Fewer corners do not tell their own noise well enough.
_MIN_COMMON_CORNERS = 10


@dataclass(frozen=True)
class MotionCheck:
    """``shift_px``: median over the common ``corners`` of how far each lies from itself in the other picture;
    ``sigma_px``: one corner's noise per coordinate, from what an affine map between the pictures leaves over;
    ``interval_ms``: between the exposures."""

    shift_px: float
    sigma_px: float
    interval_ms: float
    corners: int

    @property
    def limit_px(self) -> float:
        """Shifts up to here can be noise; sigma is taken two of its own standard deviations larger than it looks."""
        sigma_margin = 1 + 2 / math.sqrt(2 * 2 * (self.corners - _AFFINE_PARAMETERS))
        return max(CORNER_SHIFT.value, CORNER_SHIFT_SIGMAS * self.sigma_px * sigma_margin)

    @property
    def has_moved(self) -> bool:
        """The board stood elsewhere in the other picture."""
        return self.shift_px > self.limit_px

    def to_json(self) -> dict[str, float]:
        """Plain numbers."""
        return asdict(self)

    @classmethod
    def from_json(cls, record: Mapping[str, Any]) -> MotionCheck:
        """From ``to_json``."""
        return cls(**{field.name: record[field.name] for field in fields(cls)})


def compare_images(first: Detection, second: Detection, interval_ms: float) -> MotionCheck | None:
    """The corners that both pictures show, compared; None if they are too few to tell."""
    _, first_rows, second_rows = np.intersect1d(first.ids, second.ids, return_indices=True)
    count = len(first_rows)
    if count < _MIN_COMMON_CORNERS:
        return None
    before_px, after_px = first.corners_px[first_rows], second.corners_px[second_rows]
    shift = after_px - before_px
    design = np.column_stack([np.ones(count), before_px - before_px.mean(axis=0)])
    has_pose, *_ = np.linalg.lstsq(design, shift, rcond=None)
    residual = shift - design @ has_pose
    sigma_px = float(np.sqrt((residual**2).sum() / (2 * (count - _AFFINE_PARAMETERS)) / 2))
    return MotionCheck(float(np.median(np.linalg.norm(shift, axis=1))), sigma_px, interval_ms, count)


def arm_motion(base_T_flange: Array, live_poses: Sequence[Array]) -> tuple[float, float]:
    """How far, in metres and radians, the live poses (4, 4) reach from the pose of the request; 0 without any."""
    if not live_poses:
        return 0.0, 0.0
    others = np.asarray(live_poses)
    shift_m = np.linalg.norm(others[:, :3, 3] - base_T_flange[:3, 3], axis=1)
    turn_rad = se3.rotation_angle(np.swapaxes(others[:, :3, :3], -1, -2) @ base_T_flange[:3, :3])
    return float(shift_m.max()), float(turn_rad.max())
