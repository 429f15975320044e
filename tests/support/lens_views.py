"""Views of a board through a lens that is known exactly, by OpenCV's projection alone; for tests of `eyebolt.lens`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from eyebolt.geometry import Array, CameraModel
from eyebolt.lens import LensView

SIZE_PX = (1280, 1024)
COLUMNS, ROWS, SQUARE_M = 11, 8, 0.02
BOARD_M = np.array([[(i + 1) * SQUARE_M, (j + 1) * SQUARE_M, 0.0] for j in range(ROWS) for i in range(COLUMNS)])
"""(88, 3), metres: the corners."""
MATRIX = np.array([[1210.0, 0, 655], [0, 1206.0, 500], [0, 0, 1]])
ORDINARY = (-0.21, 0.11, 0.0006, -0.0004, -0.03)
"""Distortion of an ordinary lens."""
_MIN_CORNERS = 40
_MAX_RADIUS = 1.7


@dataclass(frozen=True)
class TrueViews:
    """Views with their truth."""

    views: tuple[LensView, ...]
    """The views."""
    camera: CameraModel
    """The true lens."""


def make_views(
    seed: int,
    count: int,
    distortion: Sequence[float] = ORDINARY,
    noise_px: float | Sequence[float] = 0.1,
    largest_tilt_deg: float = 50.0,
    board_m: Array = BOARD_M,
    scale: float = 1.0,
    shortened: float = 1.0,
) -> TrueViews:
    """``count`` random views; ``noise_px`` of all, or of each. ``scale``: the board and all distances are larger.

    ``shortened``: factor of the focal length; the board is as large in the picture as with the longer one.
    """
    generator = np.random.default_rng(seed)
    matrix = MATRIX * np.array([[shortened, 1, 1], [1, shortened, 1], [1, 1, 1]])
    camera = CameraModel(*SIZE_PX, matrix, np.array(distortion))
    noises = np.broadcast_to(np.asarray(noise_px, dtype=float), (count,))
    views: list[LensView] = []
    while len(views) < count:
        tilt, azimuth, spin = generator.uniform(0, 1), generator.uniform(0, 2 * np.pi), generator.uniform(-np.pi, np.pi)
        tilt = np.deg2rad(largest_tilt_deg) * tilt
        tilted = cv2.Rodrigues(tilt * np.array([np.cos(azimuth), np.sin(azimuth), 0.0]))[0]
        rotation = tilted @ cv2.Rodrigues(np.array([0.0, 0, spin]))[0]
        distance = generator.uniform(0.25, 0.6) * shortened
        across, down = generator.uniform(-0.45, 0.45) / shortened, generator.uniform(-0.38, 0.38) / shortened
        centre = distance * np.array([across, down, 1.0])
        translation = centre - rotation @ BOARD_M.mean(axis=0)
        coefficients = camera.distortion if camera.distortion.size else None
        rotation_vector = cv2.Rodrigues(rotation)[0]
        pixels = cv2.projectPoints(board_m * scale, rotation_vector, translation * scale, matrix, coefficients)[0]
        pixels = pixels.reshape(-1, 2)
        # OpenCV mirrors what is behind the camera, and folds what is far aside.
        x, y, z = (board_m @ rotation.T + translation).T
        is_in_front = (z > 0) & (np.hypot(x, y) < _MAX_RADIUS * z)
        inside = np.flatnonzero(((pixels > 3) & (pixels < np.array(SIZE_PX) - 4)).all(axis=1) & is_in_front)
        noise = noises[len(views)] * generator.standard_normal((len(inside), 2))
        if len(inside) >= _MIN_CORNERS:
            views.append(LensView(f"{len(views):02d}.png", inside, pixels[inside] + noise))
    return TrueViews(tuple(views), camera)


def true_values(camera: CameraModel, coefficients: int) -> Array:
    """(4 + coefficients,): fx, fy, cx, cy and the coefficients."""
    distortion = np.pad(camera.distortion, (0, 12))[:coefficients]
    return np.concatenate([camera.matrix[[0, 1, 0, 1], [0, 1, 2, 2]], distortion])
