"""Candidate views: the whole board in the image, tilted, at a working distance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from eyebolt.calibration import Problem, standard_normal, vertical_directions
from eyebolt.geometry import Array, CameraModel, FlangeRotation, Mount, se3
from eyebolt.planning.information import SetupEstimate

# Tilts of 15 to 45 degrees: flatter views carry little information, steeper ones approach the limit of acceptance.
MAX_TILT_RAD = float(np.deg2rad(45.0))
_MIN_TILT_RAD = float(np.deg2rad(15.0))
# If the setup estimate is wrong, a steeper view is still accepted.
_MAX_SCENARIO_TILT_RAD = float(np.deg2rad(60.0))
# Margin of the image that the board keeps clear, share of the image width.
_MARGIN = 0.02
# Largest offset of the board's centre from the image centre, in half images.
_MAX_OFF_CENTRE = 0.8
# The board's diagonal covers at most this share of the shorter image side.
MAX_FILL = 0.75
# A board too large for the working distances is viewed from the distance at which it fits, up to this many times it.
_MAX_DISTANCE_RATIO = 1.4
# How far a vertical arm is taken to get beyond its known poses: a part of its stroke, with room for a translation.
_NEAR_KNOWN_M = 0.1
# Well beyond the limits for a duplicate or similar pose (``observations.thresholds``).
_MIN_DISTANCE_M, _MIN_ANGLE_RAD = 0.03, float(np.deg2rad(6.0))


@dataclass(frozen=True)
class FlangeLimits:
    """Where the flange can be, as far as that is known."""

    reach_m: float = np.inf
    """Largest distance from the base, metres."""
    known_m: Array | None = None
    """(k, 2), metres: distance from the vertical through the base, and height, of k poses near one of which the flange
    stays; None: anywhere."""

    @staticmethod
    def of(flange_rotation: FlangeRotation, known_flanges: Array, reach_m: float | None = None) -> FlangeLimits:
        """Limits of an arm with the stated ``reach_m``, which got to ``known_flanges`` (k, 4, 4).

        A vertical arm has a short stroke and a dead zone around its base, so its flange stays within 100 mm of the
        height and the radius of a known pose, at any angle about the base. The poses of other arms limit nothing.
        """
        reach = np.inf if reach_m is None else reach_m
        if flange_rotation is FlangeRotation.FREE or not len(known_flanges):
            return FlangeLimits(reach)
        return FlangeLimits(reach, _radius_and_height(known_flanges))

    def allow(self, flanges: Array) -> NDArray[np.bool_]:
        """(m,): which flange poses (m, 4, 4) are within the limits."""
        allowed: NDArray[np.bool_] = np.linalg.norm(flanges[:, :3, 3], axis=1) <= self.reach_m
        if self.known_m is not None:
            position = _radius_and_height(flanges)
            low, high = self.known_m.min(axis=0), self.known_m.max(axis=0)
            beyond = np.maximum(_NEAR_KNOWN_M - (high - low) / 2, 0.0)
            allowed &= ((position >= low - beyond) & (position <= high + beyond)).all(axis=-1)
            distance = np.abs(position[:, None] - self.known_m)
            allowed &= (distance <= _NEAR_KNOWN_M).all(axis=-1).any(axis=-1)
        return allowed


def _radius_and_height(flanges: Array) -> Array:
    """(m, 2), metres: distance of flanges (m, 4, 4) from the vertical through the base, and their height."""
    x, y, z = flanges[:, :3, 3].T
    return np.stack([np.hypot(x, y), z], axis=1)


NO_LIMITS = FlangeLimits()
"""Nothing is known of where the flange can be."""


@dataclass(frozen=True)
class BoardOutline:
    """The extent of a board, which decides whether a view shows all of it."""

    centre_m: Array
    """(3,), metres, board frame: centre of the corners."""
    outline_m: Array
    """(8, 3), metres, board frame: points around the corners' bounding rectangle."""

    @staticmethod
    def of(corners_m: Array) -> BoardOutline:
        """The outline of a board with corners ``corners_m`` (K, 3)."""
        low, high = corners_m.min(axis=0), corners_m.max(axis=0)
        middle = (low + high) / 2
        steps = np.array([(x, y, 0.0) for x in (-1, 0, 1) for y in (-1, 0, 1) if x or y])
        return BoardOutline(middle, middle + steps * (high - low) / 2)

    @property
    def diagonal_m(self) -> float:
        """Length of the diagonal, metres."""
        return float(np.linalg.norm(self.outline_m[0] - self.outline_m[-1]))


def is_in_view(
    camera: CameraModel, outline: BoardOutline, camera_T_board: Array, max_tilt_rad: float = MAX_TILT_RAD
) -> NDArray[np.bool_]:
    """(m,): which views (m, 4, 4) show the whole board from the front, tilted by at most ``max_tilt_rad``."""
    pixels = camera.project(se3.apply(camera_T_board, outline.outline_m))
    margin = _MARGIN * camera.width_px
    size = np.array([camera.width_px, camera.height_px])
    with np.errstate(invalid="ignore"):
        inside = ((pixels >= margin) & (pixels <= size - 1 - margin)).all(axis=(-1, -2))
    out: NDArray[np.bool_] = inside & (tilt_rad(outline, camera_T_board) <= max_tilt_rad)
    return out


def tilt_rad(outline: BoardOutline, camera_T_board: Array) -> Array:
    """(m,): angle between the line of sight to the board's centre and its normal, radians; above pi/2 from behind."""
    middle = se3.apply(camera_T_board, outline.centre_m[None])[..., 0, :]
    along = (camera_T_board[..., :3, 2] * middle).sum(axis=-1) / np.maximum(np.linalg.norm(middle, axis=-1), 1e-12)
    out: Array = np.arccos(np.clip(along, -1.0, 1.0))
    return out


def distance_range_m(problem: Problem, outline: BoardOutline) -> tuple[float, float]:
    """Smallest and largest distance of candidate views, metres: the working volume, adapted to the board's size."""
    camera = problem.camera
    smaller = min(camera.width_px / camera.matrix[0, 0], camera.height_px / camera.matrix[1, 1])
    fits = outline.diagonal_m / (MAX_FILL * float(smaller))
    near = max(problem.volume.near_m, fits)
    return near, max(problem.volume.far_m, _MAX_DISTANCE_RATIO * near)


def rotation_facing(ray: Array) -> Array:
    """Shortest rotations (m, 3, 3) from the camera's z axis to rays (m, 3)."""
    unit = ray / np.linalg.norm(ray, axis=-1, keepdims=True)
    axis = np.stack([-unit[:, 1], unit[:, 0], np.zeros(len(unit))], axis=-1)
    sine = np.linalg.norm(axis, axis=-1)
    angle = np.arctan2(sine, unit[:, 2])
    return se3.exp_rotation(axis * (angle / np.maximum(sine, 1e-12))[:, None])


def candidate_flanges(
    setup: SetupEstimate,
    flange_orientation: Array | None,
    count: int,
    max_tilt_rad: float = MAX_TILT_RAD,
    scenarios: Sequence[SetupEstimate] = (),
    limits: FlangeLimits = NO_LIMITS,
) -> Array:
    """At most ``count`` flange poses (m, 4, 4) with good views; the same for the same ``setup``.

    ``flange_orientation`` (3, 3): an orientation of the flange of an arm that rotates about the vertical only. With
    ``scenarios`` the whole board must be in view under each of them. ``limits``: of the flange.
    """
    problem = setup.problem
    camera, outline = problem.camera, BoardOutline.of(problem.board_corners_m)
    near, far = distance_range_m(problem, outline)
    # Quasi-random: evenly spread, and the same at each call, so that a suggestion changes only with the data.
    share = scipy.special.ndtr(standard_normal((6 if not scenarios else 20) * count, 6))
    half = np.array([(camera.width_px - 1) / 2, (camera.height_px - 1) / 2])
    rays = camera.rays(half + half * _MAX_OFF_CENTRE * (2 * share[:, :2] - 1))
    share, rays = share[np.isfinite(rays).all(axis=-1)], rays[np.isfinite(rays).all(axis=-1)]
    middles = rays * (near + (far - near) * share[:, 2])[:, None]
    rotations = (
        _upright_rotations(setup, flange_orientation, share)
        if flange_orientation is not None
        else _free_rotations(rays, share, max_tilt_rad)
    )
    views = se3.compose_parts(rotations, middles - rotations @ outline.centre_m)
    flanges = setup.flange(views[is_fully_visible(setup, views, max_tilt_rad, scenarios)])
    return flanges[limits.allow(flanges)][:count]


def is_distinct(flanges: Array, captured: Array) -> NDArray[np.bool_]:
    """(m,): which flange poses (m, 4, 4) are far enough from all ``captured`` (n, 4, 4) not to be refused."""
    if not len(captured):
        return np.ones(len(flanges), dtype=bool)
    shift = np.linalg.norm(flanges[:, None, :3, 3] - captured[None, :, :3, 3], axis=-1)
    products = flanges[:, None, :3, :3] * captured[None, :, :3, :3]
    # trace(R S^T) is the sum of the element-wise products of R and S.
    angle = np.arccos(np.clip((products.sum(axis=(-1, -2)) - 1) / 2, -1.0, 1.0))
    out: NDArray[np.bool_] = ((shift > _MIN_DISTANCE_M) | (angle > _MIN_ANGLE_RAD)).all(axis=1)
    return out


def is_fully_visible(
    setup: SetupEstimate, views: Array, max_tilt_rad: float = MAX_TILT_RAD, scenarios: Sequence[SetupEstimate] = ()
) -> NDArray[np.bool_]:
    """(m,): which views (m, 4, 4) show the whole board, under ``setup`` and under each of the ``scenarios``."""
    camera, outline = setup.problem.camera, BoardOutline.of(setup.problem.board_corners_m)
    good = is_in_view(camera, outline, views, max_tilt_rad)
    for scenario in scenarios:
        rows = np.flatnonzero(good)
        good[rows] = is_in_view(
            camera, outline, scenario.predict_view(setup.flange(views[rows])), _MAX_SCENARIO_TILT_RAD
        )
    return good


def _free_rotations(rays: Array, share: Array, max_tilt_rad: float) -> Array:
    # Denser towards steep views, which carry more information.
    tilt = _MIN_TILT_RAD + (max_tilt_rad - _MIN_TILT_RAD) * np.sqrt(share[:, 3])
    about = 2 * np.pi * share[:, 4]
    axis = np.stack([np.cos(about), np.sin(about), np.zeros(len(about))], axis=-1)
    roll = np.zeros((len(about), 3))
    roll[:, 2] = 2 * np.pi * share[:, 5]
    out: Array = rotation_facing(rays) @ se3.exp_rotation(axis * tilt[:, None]) @ se3.exp_rotation(roll)
    return out


def _upright_rotations(setup: SetupEstimate, flange_orientation: Array, share: Array) -> Array:
    about_vertical = np.zeros((len(share), 3))
    about_vertical[:, 2] = 2 * np.pi * share[:, 5]
    poses = se3.compose_parts(se3.exp_rotation(about_vertical) @ flange_orientation, np.zeros(3))
    return setup.predict_view(poses)[:, :3, :3]


def vertical_flange_orientation(setup: SetupEstimate) -> Array | None:
    """A flange orientation (3, 3) with the vertical common to all pairs exactly upright; None for free arms.

    Before any pair the z axis of the flange is upright, up or down: as the camera sees the board from the front.
    """
    problem = setup.problem
    if problem.flange_rotation is FlangeRotation.FREE:
        return None
    if not len(problem.pairs):
        along_sight = setup.predict_view(np.eye(4))[2, 2]
        return np.eye(3) if along_sight >= 0 else np.diag([1.0, -1.0, -1.0])
    A = problem.chain()
    vertical_X, vertical_Y = vertical_directions(problem, A)
    in_flange = vertical_Y if problem.mount is Mount.FIXED else vertical_X
    first = np.asarray(problem.pairs[0].base_T_flange)[:3, :3]
    # The shortest rotation that makes the common vertical upright.
    common_vertical = first @ in_flange
    axis = np.cross(common_vertical, [0.0, 0.0, 1.0])
    size = float(np.linalg.norm(axis))
    angle = float(np.arctan2(size, common_vertical[2]))
    out: Array = se3.exp_rotation(axis * (angle / max(size, 1e-12))) @ first
    return out
