"""Which further view of the board would help most: the one after which the lens's error in the picture is smallest.

Of a fixed set of candidate views (distance, tilt and its direction, place in the picture) the information of each is
added to that of the views so far; the criterion is the mean variance of the pixels over the picture (V-optimality).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eyebolt.geometry import Array, CameraModel, se3
from eyebolt.lens.bundle_adjustment import invert_information, reduced_equations
from eyebolt.lens.calibrate import LensCalibration, picture_grid, picture_variance
from eyebolt.observations import MIN_CORNERS, CornerObservations

# From a little nearer than the nearest view to a little farther than the farthest: there the lens is in focus.
_DISTANCES, _NEARER, _FARTHER = 4, 0.8, 1.25
_TILTS_DEG = (0.0, 20.0, 40.0)
# Directions in which the board leans away, clockwise from "its right edge is farther".
_DIRECTIONS_DEG = tuple(range(0, 360, 45))
_PLACES = (0.2, 0.5, 0.8)
# A board with markers is found from half of its corners; a smaller part measures little.
_MIN_VISIBLE_SHARE = 0.5
_ACROSS, _DOWN = ("left", "middle", "right"), ("top", "middle", "bottom")
_EDGES = ("right", "lower right", "lower", "lower left", "left", "upper left", "upper", "upper right")


@dataclass(frozen=True)
class NextLensView:
    """A further view."""

    camera_T_board: Array
    """(4, 4), metres: where to hold the board."""
    distance_m: float
    """Distance of the board's centre along the optical axis, metres."""
    tilt_deg: float
    """Tilt of the board against the image plane, degrees."""
    place: str
    """Place of the board's centre in the picture, in words."""
    far_edge: str
    """Edge of the board, as seen in the picture, that is farther away; empty without a tilt."""
    error_before_px: float
    """Standard error of a pixel by the lens, over the picture, per coordinate, as of now."""
    error_after_px: float
    """The same with this view."""

    @property
    def text(self) -> str:
        """What to do, in one sentence."""
        tilt = (
            "parallel to the image" if not self.far_edge else f"tilted by {self.tilt_deg:.0f} deg, its {self.far_edge}"
        )
        edge = "" if not self.far_edge else f" {'corner' if ' ' in self.far_edge else 'edge'} farther away"
        return (
            f"hold the board {self.distance_m * 1e3:.0f} mm from the camera, its centre at the {self.place} of the"
            f" picture, {tilt}{edge}"
        )


def best_next_view(
    calibration: LensCalibration, board_corners_m: Array, needs_whole_board: bool
) -> NextLensView | None:
    """The candidate that reduces the error most; None if the board fits into the picture nowhere.

    ``needs_whole_board``: whether the board is found only as a whole.
    """
    camera, fit = calibration.camera, calibration.fit
    distances_m = se3.apply(fit.camera_T_board, fit.stack.points_m)[..., 2].mean(axis=1)
    views, labels = _candidates(camera, board_corners_m, distances_m)
    points = se3.apply(views, board_corners_m[None])
    pixels = camera.project(points)
    with np.errstate(invalid="ignore"):
        last_px = np.array([camera.width_px - 1, camera.height_px - 1])
        inside: NDArray[np.bool_] = np.all((pixels >= 0) & (pixels <= last_px), axis=-1)
    share = inside.mean(axis=1)
    usable = share == 1.0 if needs_whole_board else (share >= _MIN_VISIBLE_SHARE)
    usable &= inside.sum(axis=1) >= MIN_CORNERS
    rows = np.flatnonzero(usable)
    if not len(rows):
        return None
    # A corner outside the picture takes the place of a visible one, with no weight.
    first_inside = inside[rows].argmax(axis=1)
    corners = np.where(inside[rows][..., None], board_corners_m[None], board_corners_m[first_inside][:, None])
    observed = camera.project(se3.apply(views[rows], corners))
    stack = CornerObservations(corners, observed, inside[rows].astype(float))
    equations = reduced_equations(camera, fit.names, stack, views[rows])
    if equations is None:
        return None
    noise = float(np.median(calibration.view_sigma_px)) ** 2
    after = invert_information(fit.information + equations.information / noise) * calibration.dispersion
    rays = camera.rays(picture_grid(camera))
    rays = rays[np.isfinite(rays).all(axis=-1)]
    variances = [picture_variance(camera, fit.names, covariance, rays) for covariance in after]
    best = int(np.argmin(variances))
    view, (tilt_deg, far_edge, place) = views[rows[best]], labels[rows[best]]
    centre = se3.apply(view, board_corners_m.mean(axis=0)[None])[0]
    before = picture_variance(camera, fit.names, calibration.camera.covariance, rays)
    return NextLensView(
        view, float(centre[2]), tilt_deg, place, far_edge, float(np.sqrt(before)), float(np.sqrt(variances[best]))
    )


def _candidates(
    camera: CameraModel, board_corners_m: Array, distances_m: Array
) -> tuple[Array, list[tuple[float, str, str]]]:
    """Views (m, 4, 4), and for each its tilt in degrees, the edge that is farther, and its place in words.

    ``distances_m`` (n,): distances of the views so far.
    """
    centre_m = board_corners_m.mean(axis=0)
    candidates_m = np.geomspace(_NEARER * distances_m.min(), _FARTHER * distances_m.max(), _DISTANCES).tolist()
    turns = [(0.0, 0.0)] + [(tilt, direction) for tilt in _TILTS_DEG if tilt for direction in _DIRECTIONS_DEG]
    views, labels = [], []
    for row, v in enumerate(_PLACES):
        for column, u in enumerate(_PLACES):
            ray = camera.rays([u * (camera.width_px - 1), v * (camera.height_px - 1)])
            if not np.isfinite(ray).all():
                continue
            place = _place(row, column)
            for distance_m in candidates_m:
                for tilt, direction in turns:
                    along = np.deg2rad(direction)
                    # Leaning away in the direction (cos, sin) of the picture is a rotation about the normal to it.
                    axis = np.array([np.sin(along), -np.cos(along), 0.0])
                    rotation = se3.exp_rotation(np.deg2rad(tilt) * axis)
                    views.append(se3.compose_parts(rotation, distance_m * ray - rotation @ centre_m))
                    edge = _EDGES[_DIRECTIONS_DEG.index(int(direction))] if tilt else ""
                    labels.append((tilt, edge, place))
    return np.array(views), labels


def _place(row: int, column: int) -> str:
    if row == column == 1:
        return "centre"
    if row == 1 or column == 1:
        return f"{_DOWN[row] if column == 1 else _ACROSS[column]} edge"
    return f"{_DOWN[row]} {_ACROSS[column]}"
