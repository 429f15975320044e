"""What one view measures beyond its corners: numbers that the verdict rests on.

Did anything move while the picture was taken? Two pictures tell by the corners, live poses by the arm.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from typing import Any

import numpy as np

from eyebolt.boards import Board, NoSighting, Pixels, Sighting
from eyebolt.geometry import Array, CameraModel, se3
from eyebolt.observations.board_pose import FEWEST_CORNERS, ViewStack, fit_board_poses, linearise_corners
from eyebolt.observations.exposure_map import BURNT_LEVEL, LightPlaces, light_places
from eyebolt.observations.pair import Pair
from eyebolt.observations.thresholds import SHIFT, SHIFT_SIGMAS


@dataclass(frozen=True)
class BoardSeen:
    """The board's pose in one view, ``camera_T_board`` (4, 4); its covariance ``spread`` (6, 6) for corners of 1 px,
    perturbed on the right."""

    camera_T_board: Array
    spread: Array


@dataclass(frozen=True)
class View:
    """``tilt_rad``: between the board's normal and the line of sight to its middle; ``distance_m`` to there;
    ``square_px``: the smaller side of a square at the board's middle; ``misfit_px``: RMS per coordinate of what the
    board's pose leaves over of the corners; all None where the corners allow no pose (``no_pose``). ``still``: None
    where nothing could be compared, ``still_says`` then tells why. ``places``: None where they cannot be told;
    ``burnt_of_picture``: share of the whole picture. ``board``: its best pose; not recorded, the corners tell it.
    """

    tilt_rad: float | None = None
    distance_m: float | None = None
    square_px: float | None = None
    misfit_px: float | None = None
    places: LightPlaces | None = None
    still: Stillness | None = None
    still_says: str = ""
    no_pose: bool = False
    burnt_of_picture: float = 0.0
    board: BoardSeen | None = field(default=None, compare=False)

    def to_json(self) -> dict[str, Any]:
        """Plain values; ``from_json`` gives the same back."""
        return {
            "tilt_deg": None if self.tilt_rad is None else float(np.rad2deg(self.tilt_rad)),
            "distance_mm": None if self.distance_m is None else self.distance_m * 1e3,
            "square_px": self.square_px,
            "misfit_px": self.misfit_px,
            "places": None if self.places is None else self.places.to_json(),
            "still": None if self.still is None else self.still.to_json(),
            "still_says": self.still_says,
            "burnt_of_picture": self.burnt_of_picture,
        }

    @classmethod
    def from_json(cls, record: Mapping[str, Any]) -> View:
        """From ``to_json``."""
        tilt_deg, distance_mm = record["tilt_deg"], record["distance_mm"]
        return cls(
            None if tilt_deg is None else float(np.deg2rad(tilt_deg)),
            None if distance_mm is None else distance_mm / 1e3,
            record["square_px"],
            record["misfit_px"],
            None if record["places"] is None else LightPlaces.from_json(record["places"]),
            None if record["still"] is None else Stillness.from_json(record["still"]),
            record["still_says"],
            # Earlier versions did not record it.
            burnt_of_picture=record.get("burnt_of_picture", 0.0),
        )


def measure_view(
    gray: Pixels,
    seen: Sighting | NoSighting,
    camera: CameraModel,
    board: Board,
    still: Stillness | None = None,
    still_says: str = "",
) -> View:
    """The measures of a view in ``gray`` (H, W); ``still`` and ``still_says`` are handed on."""
    if isinstance(seen, NoSighting):
        return View(still=still, still_says=still_says)
    places = light_places(gray, seen, board)
    burnt = float(np.mean(gray[::8, ::8] >= BURNT_LEVEL * np.iinfo(gray.dtype).max))
    fitted = len(seen.ids) >= FEWEST_CORNERS and seen.picture_size_px == (camera.width_px, camera.height_px)
    if fitted:
        stack = ViewStack.of([Pair(0, np.eye(4), seen.ids, seen.corners_px)], board.corners_m())
        poses = fit_board_poses(camera, stack)
        fitted = bool(np.isfinite(poses.rss_px2[0]))
    if not fitted:
        return View(places=places, still=still, still_says=still_says, no_pose=True, burnt_of_picture=burnt)
    camera_T_board = poses.camera_T_board[0]
    corners_m = board.corners_m()
    middle = (corners_m.min(axis=0) + corners_m.max(axis=0)) / 2
    centre = camera_T_board[:3, :3] @ middle + camera_T_board[:3, 3]
    distance_m = float(np.linalg.norm(centre))
    cosine = abs(float(camera_T_board[:3, 2] @ centre)) / distance_m
    information = linearise_corners(camera, stack, poses.camera_T_board).information[0]
    focal_px = float(np.sqrt(camera.matrix[0, 0] * camera.matrix[1, 1]))
    return View(
        tilt_rad=float(np.arccos(min(cosine, 1.0))),
        distance_m=distance_m,
        square_px=board.pitch_m / distance_m * focal_px * cosine,
        misfit_px=float(np.sqrt(poses.rss_px2[0] / (2 * len(seen.ids)))),
        places=places,
        still=still,
        still_says=still_says,
        burnt_of_picture=burnt,
        board=BoardSeen(camera_T_board, np.linalg.inv(information)),
    )


# An affine map between the pictures takes up what a moving board does to its corners.
_FREEDOM = 3
# Fewer corners do not tell their own noise well enough.
_FEWEST = 10


@dataclass(frozen=True)
class Stillness:
    """``shift_px``: median over the common ``corners`` of how far each lies from itself in the other picture;
    ``sigma_px``: one corner's noise per coordinate, from what an affine map between the pictures leaves over;
    ``apart_ms``: between the exposures."""

    shift_px: float
    sigma_px: float
    apart_ms: float
    corners: int

    @property
    def limit_px(self) -> float:
        """Shifts up to here can be noise; sigma is taken two of its own standard deviations larger than it looks."""
        doubt = 1 + 2 / math.sqrt(2 * 2 * (self.corners - _FREEDOM))
        return max(SHIFT.value, SHIFT_SIGMAS * self.sigma_px * doubt)

    @property
    def moved(self) -> bool:
        """The board stood elsewhere in the other picture."""
        return self.shift_px > self.limit_px

    def to_json(self) -> dict[str, float]:
        """Plain numbers."""
        return asdict(self)

    @classmethod
    def from_json(cls, record: Mapping[str, Any]) -> Stillness:
        """From ``to_json``."""
        return cls(**{field.name: record[field.name] for field in fields(cls)})


def compare_pictures(first: Sighting, second: Sighting, apart_ms: float) -> Stillness | None:
    """The corners that both pictures show, compared; None if they are too few to tell."""
    _, of_first, of_second = np.intersect1d(first.ids, second.ids, return_indices=True)
    count = len(of_first)
    if count < _FEWEST:
        return None
    before_px, after_px = first.corners_px[of_first], second.corners_px[of_second]
    shift = after_px - before_px
    design = np.column_stack([np.ones(count), before_px - before_px.mean(axis=0)])
    fitted, *_ = np.linalg.lstsq(design, shift, rcond=None)
    rest = shift - design @ fitted
    sigma_px = float(np.sqrt((rest**2).sum() / (2 * (count - _FREEDOM)) / 2))
    return Stillness(float(np.median(np.linalg.norm(shift, axis=1))), sigma_px, apart_ms, count)


def arm_moved(base_T_flange: Array, live: Sequence[Array]) -> tuple[float, float]:
    """How far, in metres and radians, the live poses (4, 4) reach from the pose of the request; 0 without any."""
    if not live:
        return 0.0, 0.0
    others = np.asarray(live)
    shift_m = np.linalg.norm(others[:, :3, 3] - base_T_flange[:3, 3], axis=1)
    turn_rad = se3.rotation_angle(np.swapaxes(others[:, :3, :3], -1, -2) @ base_T_flange[:3, :3])
    return float(shift_m.max()), float(turn_rad.max())
