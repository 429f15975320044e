"""Random views of a board: distances, tilts and positions in the image."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from eyebolt_sim.lens import Lens
from eyebolt_sim.transforms import Array, matrix, transform_points

_TRIES = 2000


@dataclass(frozen=True)
class BoardShape:
    """The geometry of a board that views depend on."""

    corners_m: Array
    """corners (K, 3), board frame, m"""
    size_m: tuple[float, float]
    """width and height, m"""

    @property
    def centre_m(self) -> Array:
        """Centre of the board, (3,), board frame, m."""
        return np.array([self.size_m[0] / 2, self.size_m[1] / 2, 0.0])

    def bowed_corners_m(self, bow_mm: tuple[float, float, float]) -> Array:
        """Corners (K, 3) of a board that is not flat, board frame, m.

        ``bow_mm``: how far the ends of the middle row stand above the middle of the board, how far a twist lifts the
        last corner, and how far the ends of the middle column stand above the middle; mm along the board's z axis. The
        mean height of all corners is 0.
        """
        along_x, twist, along_y = bow_mm
        x, y = self.corners_m[:, 0], self.corners_m[:, 1]
        u, v = (2 * (c - c.min()) / (c.max() - c.min()) - 1 for c in (x, y))
        height_mm = along_x * u**2 + twist * u * v + along_y * v**2
        return np.stack([x, y, self.corners_m[:, 2] + (height_mm - height_mm.mean()) / 1e3], axis=1)


def chessboard_shape(columns: int, rows: int, square_m: float) -> BoardShape:
    """A chessboard of ``columns`` x ``rows`` squares; its inner corners are numbered row by row."""
    across, down = np.meshgrid(np.arange(1, columns), np.arange(1, rows))
    corners = np.stack([across.ravel(), down.ravel(), np.zeros(across.size)], axis=1) * square_m
    return BoardShape(corners.astype(float), (columns * square_m, rows * square_m))


@dataclass(frozen=True)
class ViewRange:
    """Limits between which views are drawn."""

    distance_m: tuple[float, float] = (0.6, 1.0)
    """from the camera to the centre of the board, m"""
    tilt_deg: tuple[float, float] = (0.0, 25.0)
    """angle between the board and the image plane"""
    roll_deg: tuple[float, float] = (-180.0, 180.0)
    """rotation in the image plane"""
    spread: float = 0.7
    """largest offset of the board's centre from the image centre, 0 to 1 (the edge of the image)"""
    min_visible_fraction: float = 1.0
    """smallest fraction of corners in the image"""
    margin_px: float = 12.0
    """distance from the edge of the image within which corners do not count as visible"""


def random_views(lens: Lens, board: BoardShape, limits: ViewRange, rng: np.random.Generator) -> Iterator[Array]:
    """Views camera_T_board (4, 4) within ``limits``; ends after too many successive draws without a valid view."""
    tries_left = _TRIES
    while tries_left:
        tries_left -= 1
        tilt_axis = rng.uniform(0, 2 * np.pi)
        tilt = np.deg2rad(rng.uniform(*limits.tilt_deg))
        roll = np.deg2rad(rng.uniform(*limits.roll_deg))
        rotation = tilted(tilt, tilt_axis, roll)
        view = place(lens, board, rotation, rng.uniform(-1, 1, 2) * limits.spread, rng.uniform(*limits.distance_m))
        if visible_fraction(lens, board, view, limits.margin_px) >= limits.min_visible_fraction:
            tries_left = _TRIES
            yield view


def tilted(tilt_rad: float, axis_rad: float, roll_rad: float) -> Rotation:
    """camera_R_board of a frontal board that is rolled and then tilted about an axis in the image plane."""
    axis = np.array([np.cos(axis_rad), np.sin(axis_rad), 0.0])
    return Rotation.from_rotvec(tilt_rad * axis) * Rotation.from_rotvec([0.0, 0.0, roll_rad])


def place(lens: Lens, board: BoardShape, camera_R_board: Rotation, where: Array, distance_m: float) -> Array:
    """camera_T_board (4, 4) with the board's centre at ``where`` (2,), -1 to 1 across and down the image."""
    half = np.array([(lens.width_px - 1) / 2, (lens.height_px - 1) / 2])
    centre = lens.rays(half + where * half) * distance_m
    return matrix(camera_R_board, centre - camera_R_board.apply(board.centre_m))


def visible_fraction(lens: Lens, board: BoardShape, camera_T_board: Array, margin_px: float) -> float:
    """Fraction of the board's corners in the image, 0 to 1; 0 if the camera is behind the board."""
    middle = transform_points(camera_T_board, board.centre_m[None])[0]
    if float(camera_T_board[:3, 2] @ middle) <= 0:
        return 0.0
    return float(lens.inside(lens.project(transform_points(camera_T_board, board.corners_m)), margin_px).mean())
