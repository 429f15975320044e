"""Touches of a placed board with a pointer on the flange: the poses that the controller reports at the corners."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import Rotation

from eyebolt.errors import InputFault
from eyebolt_sim.arm import Arm, inverse_kinematics
from eyebolt_sim.cell_geometry import UPRIGHT_T_OUTWARD, CellGeometry, Mount, Turns
from eyebolt_sim.lens import Lens
from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.transforms import Array, matrix, random_rotation, transform_points
from eyebolt_sim.views import BoardShape, place, tilted, visible_fraction
from eyebolt_sim.waypoints import Waypoint

_EDGE_PX = 12.0
_MIN_VISIBLE_FRACTION = 0.85
_TRIES = 60
_TRIES_PER_CORNER = 40
# Kinematic errors displace the tip by some millimetres; each iteration reduces the rest to a few per cent.
_JOG_ITERATIONS = 8


@dataclass(frozen=True)
class Pointer:
    """A pointer on the flange."""

    tip_m: Array
    """stated tip (3,), flange frame"""
    true_tip_m: Array
    """real tip (3,), flange frame"""
    placement_sigma_mm: float
    """standard deviation per axis with which the tip is placed on a corner"""

    @staticmethod
    def draw(tip_mm: ArrayLike, sigma_mm: float, rng: np.random.Generator) -> Pointer:
        """A pointer whose tip has a normal error of ``sigma_mm`` per axis; ``sigma_mm`` is its placement error too."""
        tip_m = np.asarray(tip_mm, dtype=float) * 1e-3
        return Pointer(tip_m, tip_m + rng.normal(size=3) * sigma_mm * 1e-3, sigma_mm)


@dataclass(frozen=True)
class TouchPlan:
    """The part of the robot program that places a board and touches its corners."""

    base_T_board: Array
    """pose of the placed board (4, 4), m"""
    needs_placing: bool
    """whether the board is moved there first; False if it lies there already"""
    view_waypoint: Waypoint | None
    """where a camera on the arm images the board; None for a fixed camera"""
    touches: list[tuple[int, Array]]
    """corner numbers, and the flange poses (4, 4) that the controller reports with the tip on them"""


def spread_corners(corners_m: Array, count: int) -> list[int]:
    """Numbers of ``count`` corners of (K, 3), by farthest-point sampling from corner 0; repeated if K < ``count``."""
    chosen = [0]
    while len(chosen) < min(count, len(corners_m)):
        spacing_m = np.linalg.norm(corners_m[:, None] - corners_m[chosen][None], axis=-1).min(axis=1)
        chosen.append(int(spacing_m.argmax()))
    return [chosen[k % len(chosen)] for k in range(count)]


def plan_touches(
    scene: CellGeometry,
    lens: Lens,
    board: BoardShape,
    distance_m: float,
    real: Arm,
    noise: PoseNoise,
    pointer: Pointer,
    count: int,
    start: Waypoint,
    seed: int,
) -> TouchPlan:
    """``count`` touches of a board in view, with the ``real`` arm; ``start`` is a waypoint of the session.

    For a fixed camera the board is placed about ``distance_m`` in front of it; for one on the arm it stays in place.
    Raises InputFault ``no-touches`` if the arm cannot reach the corners.
    """
    rng = np.random.default_rng([seed, 17])
    numbers = spread_corners(board.corners_m, count)
    for _ in range(_TRIES):
        base_T_board = (
            scene.nuisance if scene.mount == Mount.ARM else _placed_board(scene, lens, board, distance_m, rng)
        )
        places = transform_points(base_T_board, board.corners_m[numbers])
        touches = _touches(scene, real, noise, pointer, places, start, rng)
        if touches is not None:
            on_arm = scene.mount == Mount.ARM
            return TouchPlan(
                base_T_board, not on_arm, start if on_arm else None, list(zip(numbers, touches, strict=True))
            )
    raise InputFault(
        "no-touches",
        "the arm cannot touch a board in view of the camera with this pointer",
        "choose another --seed, a shorter [robot] tip_mm, or omit --touch.",
    )


def _placed_board(
    scene: CellGeometry, lens: Lens, board: BoardShape, distance_m: float, rng: np.random.Generator
) -> Array:
    """base_T_board (4, 4) of a board near the centre of a fixed camera's image."""
    while True:
        rotation = tilted(np.deg2rad(rng.uniform(5, 25)), rng.uniform(0, 2 * np.pi), rng.uniform(-np.pi, np.pi))
        view = place(lens, board, rotation, rng.uniform(-0.2, 0.2, 2), distance_m * rng.uniform(0.95, 1.2))
        distance_m *= 1.02
        if visible_fraction(lens, board, view, _EDGE_PX) >= _MIN_VISIBLE_FRACTION:
            out: Array = scene.hand_eye @ view
            return out


def _touches(
    scene: CellGeometry,
    real: Arm,
    noise: PoseNoise,
    pointer: Pointer,
    places_m: Array,
    start: Waypoint,
    rng: np.random.Generator,
) -> list[Array] | None:
    found = []
    for point_m in places_m:
        reported = _touch(scene, real, noise, pointer, point_m, start, rng)
        if reported is None:
            return None
        found.append(reported)
    return found


def _touch(
    scene: CellGeometry,
    real: Arm,
    noise: PoseNoise,
    pointer: Pointer,
    point_m: Array,
    start: Waypoint,
    rng: np.random.Generator,
) -> Array | None:
    contact_m = point_m + rng.normal(size=3) * pointer.placement_sigma_mm * 1e-3
    error = noise.draw(rng)
    for _ in range(_TRIES_PER_CORNER):
        if scene.turns == Turns.VERTICAL:
            rotation = Rotation.from_rotvec([0.0, 0.0, rng.uniform(-np.pi, np.pi)])
        else:
            rotation = random_rotation(rng, 60) * Rotation.from_matrix(start.base_T_flange[:3, :3])
        reported = _jog_to(scene, real, error, pointer, contact_m, rotation)
        if reported is not None:
            return reported
    return None


def _jog_to(
    scene: CellGeometry, real: Arm, error: Array, pointer: Pointer, point_m: Array, rotation: Rotation
) -> Array | None:
    """The pose (4, 4) that the controller reports with the real tip on the point; None if it is out of reach."""
    outward_T_flange = UPRIGHT_T_OUTWARD if scene.turns == Turns.VERTICAL else np.eye(4)
    reported = matrix(rotation, point_m - rotation.apply(pointer.tip_m))
    joints: Array | None = None
    for _ in range(_JOG_ITERATIONS):
        solutions = inverse_kinematics(reported @ outward_T_flange)
        if not solutions:
            return None
        joints = solutions[0] if joints is None else _nearest(solutions, joints)
        true = real.forward(joints) @ error @ outward_T_flange
        remainder_m = point_m - transform_points(true, pointer.true_tip_m[None])[0]
        reported = matrix(reported[:3, :3], reported[:3, 3] + remainder_m)
    return reported


def _nearest(solutions: Sequence[Array], joints_rad: Array) -> Array:
    return min(solutions, key=lambda q: float(np.abs(q - joints_rad).max()))
