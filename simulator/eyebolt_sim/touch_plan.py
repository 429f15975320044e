"""A board that lies still and a pointer on the flange: where the arm says it stands with the tip on a corner."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import Rotation

from eyebolt.errors import InputFault
from eyebolt_sim.arm import Arm, inverse_kinematics
from eyebolt_sim.cell_geometry import UPRIGHT_T_OUTWARD, Scene
from eyebolt_sim.lens import Lens
from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.transforms import Array, carry, matrix, random_turn
from eyebolt_sim.views import BoardShape, fraction_seen, place, tilted
from eyebolt_sim.waypoints import Waypoint

_EDGE_PX = 12.0
_SEEN_AT_LEAST = 0.85
_TRIES = 60
_TRIES_A_CORNER = 40
# Joint offsets and link errors move the tip by some millimetres; each step leaves a few per cent of what is missing.
_JOGS = 8


@dataclass(frozen=True)
class Pointer:
    """``tip_m`` (3,), flange frame, as people believe it, and as it ``really_m`` is.

    ``setting_mm``: how well it is set onto a corner, one sigma per axis.
    """

    tip_m: Array
    really_m: Array
    setting_mm: float

    @staticmethod
    def draw(tip_mm: ArrayLike, sigma_mm: float, rng: np.random.Generator) -> Pointer:
        """A pointer whose tip is off by a normal error of ``sigma_mm`` per axis, and is set down as well as that."""
        tip_m = np.asarray(tip_mm, dtype=float) * 1e-3
        return Pointer(tip_m, tip_m + rng.normal(size=3) * sigma_mm * 1e-3, sigma_mm)


@dataclass(frozen=True)
class Touching:
    """What the robot program does about a board that lies still.

    ``base_T_board`` (4, 4): where the board lies. ``laid``: somebody lays it there first (it was on the arm).
    ``place_at``: where the picture is taken from with the camera on the arm; None for a fixed one.
    ``touches``: numbers of corners, and the flange poses (4, 4) that the controller shows with the tip on them.
    """

    base_T_board: Array
    laid: bool
    place_at: Waypoint | None
    touches: list[tuple[int, Array]]


def spread_corners(corners_m: Array, count: int) -> list[int]:
    """Numbers of ``count`` corners (K, 3) as far from each other as they can be, from 0 on; around again at the end."""
    chosen = [0]
    while len(chosen) < min(count, len(corners_m)):
        apart = np.linalg.norm(corners_m[:, None] - corners_m[chosen][None], axis=-1).min(axis=1)
        chosen.append(int(apart.argmax()))
    return [chosen[k % len(chosen)] for k in range(count)]


def plan_touching(
    scene: Scene,
    lens: Lens,
    board: BoardShape,
    distance_m: float,
    real: Arm,
    noise: PoseNoise,
    pointer: Pointer,
    count: int,
    start: Waypoint,
    seed: int,
) -> Touching:
    """``count`` touches of a board before the camera, jogged by the ``real`` arm; ``start``: a waypoint of the session.

    A fixed camera gets the board laid about ``distance_m`` from it; for a camera on the arm it stays where it lies.
    Raises InputFault ``no-touches`` if the arm cannot reach the corners.
    """
    rng = np.random.default_rng([seed, 17])
    numbers = spread_corners(board.corners_m, count)
    for _ in range(_TRIES):
        base_T_board = scene.nuisance if scene.mount == "arm" else _laid(scene, lens, board, distance_m, rng)
        places = carry(base_T_board, board.corners_m[numbers])
        touches = _touches(scene, real, noise, pointer, places, start, rng)
        if touches is not None:
            on_arm = scene.mount == "arm"
            return Touching(
                base_T_board, not on_arm, start if on_arm else None, list(zip(numbers, touches, strict=True))
            )
    raise InputFault(
        "no-touches",
        "the arm reaches no board before the camera with this pointer",
        "take another --seed, a shorter [robot] tip_mm, or leave --touch out.",
    )


def _laid(scene: Scene, lens: Lens, board: BoardShape, distance_m: float, rng: np.random.Generator) -> Array:
    """base_T_board (4, 4) of a board somewhere in the middle of a fixed camera's picture."""
    while True:
        turn = tilted(np.deg2rad(rng.uniform(5, 25)), rng.uniform(0, 2 * np.pi), rng.uniform(-np.pi, np.pi))
        view = place(lens, board, turn, rng.uniform(-0.2, 0.2, 2), distance_m * rng.uniform(0.95, 1.2))
        distance_m *= 1.02
        if fraction_seen(lens, board, view, _EDGE_PX) >= _SEEN_AT_LEAST:
            out: Array = scene.wanted @ view
            return out


def _touches(
    scene: Scene,
    real: Arm,
    noise: PoseNoise,
    pointer: Pointer,
    places_m: Array,
    start: Waypoint,
    rng: np.random.Generator,
) -> list[Array] | None:
    found = []
    for point_m in places_m:
        shown = _touch(scene, real, noise, pointer, point_m, start, rng)
        if shown is None:
            return None
        found.append(shown)
    return found


def _touch(
    scene: Scene,
    real: Arm,
    noise: PoseNoise,
    pointer: Pointer,
    point_m: Array,
    start: Waypoint,
    rng: np.random.Generator,
) -> Array | None:
    set_m = point_m + rng.normal(size=3) * pointer.setting_mm * 1e-3
    error = noise.draw(rng)
    for _ in range(_TRIES_A_CORNER):
        if scene.turns == "vertical":
            turn = Rotation.from_rotvec([0.0, 0.0, rng.uniform(-np.pi, np.pi)])
        else:
            turn = random_turn(rng, 60) * Rotation.from_matrix(start.base_T_flange[:3, :3])
        shown = _jogged(scene, real, error, pointer, set_m, turn)
        if shown is not None:
            return shown
    return None


def _jogged(scene: Scene, real: Arm, error: Array, pointer: Pointer, point_m: Array, turn: Rotation) -> Array | None:
    """The pose (4, 4) that the controller shows once the real tip is on the point; None where the arm cannot go."""
    outward_T_flange = UPRIGHT_T_OUTWARD if scene.turns == "vertical" else np.eye(4)
    shown = matrix(turn, point_m - turn.apply(pointer.tip_m))
    joints: Array | None = None
    for _ in range(_JOGS):
        solutions = inverse_kinematics(shown @ outward_T_flange)
        if not solutions:
            return None
        joints = solutions[0] if joints is None else _nearest(solutions, joints)
        true = real.forward(joints) @ error @ outward_T_flange
        missing = point_m - carry(true, pointer.really_m[None])[0]
        shown = matrix(shown[:3, :3], shown[:3, 3] + missing)
    return shown


def _nearest(solutions: Sequence[Array], joints_rad: Array) -> Array:
    return min(solutions, key=lambda q: float(np.abs(q - joints_rad).max()))
