"""What one view measures beyond its corners: numbers that the verdict rests on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from eyebolt.board.definition import Board
from eyebolt.board.light import Pixels
from eyebolt.board.sighting import NoSighting, Sighting
from eyebolt.geometry.camera import CameraModel
from eyebolt.geometry.rigid import Array
from eyebolt.pairs.board_pose import FEWEST_CORNERS, ViewStack, fit_board_poses, linearise_corners
from eyebolt.pairs.light_places import BURNT_LEVEL, LightPlaces, light_places
from eyebolt.pairs.pair import Pair
from eyebolt.pairs.stillness import Stillness


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
