"""What the kept pairs cover: rotations, distances and image area, and the direction that they determine worst."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from eyebolt.calibration import Problem, Refusal, Solution, evenly_spaced_rows, weakest_direction
from eyebolt.geometry import Array, se3
from eyebolt.observations import Pair
from eyebolt.planning.candidates import BoardOutline
from eyebolt.planning.information import pairs_of_solution, setup_estimate

# Rotations are compared between at most this many views, evenly spaced: all pairs of views would take too long.
_MAX_VIEWS = 100
# The image is divided into 4 x 4 cells.
_CELLS = 4


@dataclass(frozen=True)
class Coverage:
    """What the pairs of a solution cover. Recorded with the solve, and part of the result."""

    rotation_range_deg: tuple[float, float, float]
    """Largest rotation between two views about the camera's x, y and z, degrees."""
    near_mm: float
    """Smallest distance of the board's centre from the camera, millimetres."""
    far_mm: float
    """Largest distance of the board's centre from the camera, millimetres."""
    image_coverage: float
    """Share of the 4 x 4 image cells in which a corner was observed."""
    weakest_direction: str
    """The direction of the transform with the largest uncertainty, for an operator."""
    weakest_sigma_mm: float
    """Standard deviation in that direction at the middle of the working distance, millimetres."""

    @property
    def description(self) -> str:
        """The coverage in one sentence, for an operator."""
        x, y, z = self.rotation_range_deg
        cells = round(self.image_coverage * _CELLS**2)
        return (
            f"tilted over {x:.0f} and {y:.0f} deg and rotated over {z:.0f} deg in the image, {self.near_mm:.0f} to"
            f" {self.far_mm:.0f} mm away, in {cells} of {_CELLS**2} image cells; weakest direction:"
            f" {self.weakest_direction} (sigma {self.weakest_sigma_mm:.3f} mm)"
        )


def coverage_after(problem: Problem, outcome: Solution | Refusal) -> Coverage | None:
    """The coverage of the pairs of ``problem`` behind its outcome; None after a refusal."""
    if isinstance(outcome, Refusal):
        return None
    captured = pairs_of_solution(problem, outcome)
    views = setup_estimate(problem, outcome).predict_view(np.array([p.base_T_flange for p in captured]))
    middle = BoardOutline.of(problem.board_corners_m).centre_m
    distances_mm = 1e3 * np.linalg.norm(se3.apply(views, middle[None])[:, 0], axis=-1)
    weakest = weakest_direction(problem, outcome.X, outcome.covariance)
    return Coverage(
        rotation_range_deg=_rotation_range_deg(views),
        near_mm=float(distances_mm.min()),
        far_mm=float(distances_mm.max()),
        image_coverage=_image_coverage(problem.camera.width_px, problem.camera.height_px, captured),
        weakest_direction=weakest.description,
        weakest_sigma_mm=weakest.sigma_m * 1e3,
    )


def _rotation_range_deg(views: Array) -> tuple[float, float, float]:
    """Largest component, in camera axes, of the rotation vectors between any two views (n, 4, 4)."""
    rows = evenly_spaced_rows(len(views), _MAX_VIEWS)
    rotations = views[rows, :3, :3]
    between = se3.log_rotation(rotations[:, None] @ np.swapaxes(rotations, -1, -2)[None])
    x, y, z = np.rad2deg(np.abs(between).max(axis=(0, 1)))
    return float(x), float(y), float(z)


def _image_coverage(width_px: int, height_px: int, captured: Sequence[Pair]) -> float:
    corners = np.concatenate([p.corners_px for p in captured])
    cells = np.floor(corners / [width_px, height_px] * _CELLS).clip(0, _CELLS - 1).astype(int)
    return len(np.unique(cells, axis=0)) / _CELLS**2
