"""The truth of a cell: where camera and board really are, drawn from a seed."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import Rotation

from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.transforms import Array, inverse, looking_along, matrix, random_rotation

Mount = Literal["fixed", "arm"]
Turns = Literal["free", "vertical"]

# The middle of where a PUMA-sized arm (reach about 0.86 m, base frame in the shoulder) works with ease.
WORK_CENTRE_M = (0.45, 0.05, 0.25)

# A controller that writes one angle, about the vertical, has a flange frame whose z points up like the base's; what the
# flange carries is below it. This takes coordinates of a flange whose z points outward to that frame.
UPRIGHT_T_OUTWARD = np.diag([1.0, -1.0, -1.0, 1.0])


@dataclass(frozen=True)
class CellGeometry:
    """The two constant transforms of a cell.

    ``wanted`` (4, 4): base_T_camera for mount "fixed", flange_T_camera for mount "arm";
    ``nuisance`` (4, 4): flange_T_board for mount "fixed", base_T_board for mount "arm". Metres.
    """

    mount: Mount
    turns: Turns
    seed: int
    wanted: Array
    nuisance: Array

    @property
    def hand_eye_name(self) -> str:
        """The name of the wanted transform."""
        return "base_T_camera" if self.mount == "fixed" else "flange_T_camera"

    @property
    def nuisance_name(self) -> str:
        """The name of the other constant transform."""
        return "flange_T_board" if self.mount == "fixed" else "base_T_board"

    def view_from(self, base_T_flange: Array) -> Array:
        """camera_T_board (4, 4) when the flange stands at ``base_T_flange`` (4, 4)."""
        if self.mount == "fixed":
            return inverse(self.wanted) @ base_T_flange @ self.nuisance
        return inverse(base_T_flange @ self.wanted) @ self.nuisance

    def flange_for(self, camera_T_board: Array) -> Array:
        """base_T_flange (4, 4) at which the camera sees the board at ``camera_T_board`` (4, 4)."""
        if self.mount == "fixed":
            return self.wanted @ camera_T_board @ inverse(self.nuisance)
        return self.nuisance @ inverse(camera_T_board) @ inverse(self.wanted)


def make_cell_geometry(
    mount: Mount,
    seed: int,
    distance_m: float = 0.8,
    board_size_m: ArrayLike = (0.24, 0.18),
    turns: Turns = "free",
    work_centre_m: ArrayLike = WORK_CENTRE_M,
) -> CellGeometry:
    """A plausible cell for a camera that works at ``distance_m`` from a board of ``board_size_m`` (width, height).

    Fixed: the camera stands ``distance_m`` from the arm's working area and looks at it; the board's face points out of
    the flange. Arm: the camera is within 0.2 m of the flange and looks out of it; the board lies in the cell, face up.
    With ``turns`` "vertical" the tool points down at all times and the flange frame is turned by UPRIGHT_T_OUTWARD: a
    fixed camera looks up at the board from below.
    """
    rng = np.random.default_rng([seed, 0 if mount == "fixed" else 1, 0 if turns == "free" else 1])
    flange_T_outward = UPRIGHT_T_OUTWARD if turns == "vertical" else np.eye(4)
    centre = np.asarray(work_centre_m, dtype=float) + rng.uniform(-0.03, 0.03, 3)
    middle = np.eye(4)
    middle[:2, 3] = -np.asarray(board_size_m, dtype=float) / 2
    in_plane = Rotation.from_euler("z", rng.uniform(-180, 180), degrees=True)
    # Board z points into the board: facing out of the flange or up means board z against that direction.
    facing = Rotation.from_euler("x", 180, degrees=True) * in_plane
    if mount == "fixed":
        off_centre = [*rng.uniform(-0.03, 0.03, 2), rng.uniform(0.05, 0.10)]
        outward_T_board = matrix(random_rotation(rng, 10) * facing, off_centre) @ middle
        base_T_camera = _fixed_camera(rng, centre, distance_m, turns)
        return CellGeometry(mount, turns, seed, base_T_camera, flange_T_outward @ outward_T_board)
    sideways = rng.uniform(0, 2 * np.pi)
    offset = [0.07 * np.cos(sideways), 0.07 * np.sin(sideways), rng.uniform(0.03, 0.10)]
    roll = Rotation.from_euler("z", rng.uniform(-180, 180), degrees=True)
    outward_T_camera = matrix(random_rotation(rng, 12) * roll, offset)
    on_table = centre - [0, 0, distance_m]
    base_T_board = matrix(random_rotation(rng, 12 if turns == "vertical" else 4) * facing, on_table) @ middle
    return CellGeometry(mount, turns, seed, flange_T_outward @ outward_T_camera, base_T_board)


def _fixed_camera(rng: np.random.Generator, centre: Array, distance_m: float, turns: Turns) -> Array:
    if turns == "vertical":
        viewing_direction = Rotation.from_rotvec([*rng.uniform(-0.3, 0.3, 2), 0.0]).apply([0.0, 0.0, 1.0])
    else:
        azimuth, elevation = rng.uniform(-0.6, 0.6), rng.uniform(-0.1, 0.6)
        outward = [np.cos(azimuth) * np.cos(elevation), np.sin(azimuth) * np.cos(elevation), np.sin(elevation)]
        viewing_direction = -np.asarray(outward)
    return matrix(looking_along(viewing_direction) * random_rotation(rng, 5), centre - viewing_direction * distance_m)


def write_truth(path: Path, scene: CellGeometry, noise: PoseNoise, **extra: object) -> None:
    """Write ``truth.json``: both transforms by name (4x4, metres), mount, turns, seed, robot noise; and ``extra``."""
    content = {
        "mount": scene.mount,
        "turns": scene.turns,
        "seed": scene.seed,
        scene.hand_eye_name: scene.wanted.tolist(),
        scene.nuisance_name: scene.nuisance.tolist(),
        "robot_noise": {"mm": noise.sigma_mm, "deg": noise.sigma_deg},
        **extra,
    }
    path.write_text(json.dumps(content, indent=2) + "\n", encoding="utf-8")
