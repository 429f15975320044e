"""Waypoints as a commissioning engineer would teach them: board in view, tilted about all axes, spread out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from eyebolt.errors import InputFault
from eyebolt_sim.arm import inverse_kinematics
from eyebolt_sim.cell_geometry import UPRIGHT_T_OUTWARD, CellGeometry, Turns
from eyebolt_sim.lens import Lens
from eyebolt_sim.transforms import Array
from eyebolt_sim.views import BoardShape, place, tilted, visible_fraction

MAX_WAYPOINTS = 20
_TILT_DEG = (20.0, 35.0)
# Successive multiples of the golden angle are spread evenly over the circle, however many there are.
_GOLDEN_ANGLE_RAD = np.pi * (3 - 5**0.5)
_IMAGE_POSITIONS = np.array([[0, 0], [-1, -1], [1, 1], [-1, 1], [1, -1], [0, -1], [1, 0], [0, 1], [-1, 0]], dtype=float)
_EDGE_PX = 8.0
_MIN_VISIBLE_FRACTION = 0.85
_TRIES = 400


@dataclass(frozen=True)
class Waypoint:
    """A pose at which the arm stops."""

    joints_rad: Array
    """joint angles (6,)"""
    base_T_flange: Array
    """flange pose (4, 4), m, of the nominal arm: what its controller computes"""


def plan_waypoints(
    scene: CellGeometry, lens: Lens, board: BoardShape, near_m: float, far_m: float, count: int, seed: int
) -> list[Waypoint]:
    """``count`` reachable waypoints for either mount, drawn from ``seed``.

    Three distances between ``near_m`` and ``far_m``, tilts of 20 to 35 deg about axes in all directions, the board in
    all parts of the image with at least 85 % of its corners visible. An arm that rotates about the vertical only has
    the tilt of its mounting.
    Raises InputFault ``no-waypoints`` if the arm cannot reach enough such poses.
    """
    rng = np.random.default_rng([seed, 7])
    span = far_m - near_m
    distances = [near_m + span * f for f in (0.5, 0.15, 0.85)]
    found: list[Waypoint] = []
    joints_before: Array | None = None
    for index in range(count):
        waypoint = _search(scene, lens, board, distances, index, joints_before, rng)
        if waypoint is None:
            raise InputFault(
                "no-waypoints",
                f"the arm reaches only {len(found)} of {count} waypoints with the board in view",
                "choose another --seed, a smaller board, or near_mm and far_mm closer to 600-1000 in the station file.",
                found=len(found),
            )
        joints_before = waypoint.joints_rad
        found.append(waypoint)
    return found


def _search(
    scene: CellGeometry,
    lens: Lens,
    board: BoardShape,
    distances_m: list[float],
    index: int,
    joints_before: Array | None,
    rng: np.random.Generator,
) -> Waypoint | None:
    for attempt in range(_TRIES):
        # The requirements are relaxed gradually: first the position in the image, then the distance.
        relaxation = attempt / _TRIES
        where = _IMAGE_POSITIONS[index % len(_IMAGE_POSITIONS)] * 0.6 * (1 - relaxation) + rng.uniform(-0.15, 0.15, 2)
        distance = distances_m[(index + int(attempt > _TRIES // 2) * attempt) % len(distances_m)]
        if scene.turns == Turns.VERTICAL:
            pose = _upright_pose(rng.uniform(-np.pi, np.pi))
            rotation = Rotation.from_matrix(scene.view_from(pose)[:3, :3])
        else:
            tilt = np.deg2rad(rng.uniform(*_TILT_DEG))
            axis = index * _GOLDEN_ANGLE_RAD + rng.uniform(-0.3, 0.3) * (1 + 3 * relaxation)
            rotation = tilted(tilt, axis, rng.uniform(-np.pi, np.pi))
        view = place(lens, board, rotation, where, distance)
        if visible_fraction(lens, board, view, _EDGE_PX) < _MIN_VISIBLE_FRACTION:
            continue
        waypoint = _reachable_waypoint(scene, view, joints_before)
        if waypoint is not None:
            return waypoint
    return None


def _upright_pose(angle_rad: float) -> Array:
    pose = np.eye(4)
    pose[:3, :3] = Rotation.from_rotvec([0, 0, angle_rad]).as_matrix()
    return pose


def _reachable_waypoint(scene: CellGeometry, camera_T_board: Array, joints_before: Array | None) -> Waypoint | None:
    """The waypoint of a view, with the joint angles closest to the previous ones."""
    base_T_flange = scene.flange_for(camera_T_board)
    outward = base_T_flange @ UPRIGHT_T_OUTWARD if scene.turns == Turns.VERTICAL else base_T_flange
    solutions = inverse_kinematics(outward)
    if not solutions:
        return None
    if joints_before is None:
        return Waypoint(solutions[0], base_T_flange)
    return Waypoint(min(solutions, key=lambda q: float(np.abs(q - joints_before).max())), base_T_flange)
