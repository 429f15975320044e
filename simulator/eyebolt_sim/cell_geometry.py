"""The true geometry of a cell: the poses of camera and board, drawn from a seed."""

from __future__ import annotations

import json
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import Rotation

from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.transforms import Array, inverse, looking_along, matrix, random_rotation

WORK_CENTRE_M = (0.45, 0.05, 0.25)
"""Centre of the comfortable workspace of a PUMA-sized arm (reach about 0.86 m), base frame, m."""

UPRIGHT_T_OUTWARD = np.diag([1.0, -1.0, -1.0, 1.0])
"""From the outward flange frame (z out of the flange) to the upright one (z up), (4, 4).

A controller that writes a single angle about the vertical has an upright flange frame, with the tool below it.
"""


class Mount(StrEnum):
    """Where the camera is; values as in a station file. Independent of ``eyebolt.geometry`` on purpose."""

    FIXED = "fixed"
    """camera fixed in the cell, board on the flange"""
    ARM = "arm"
    """camera on the flange, board fixed in the cell"""


class Turns(StrEnum):
    """The rotations that the flange can perform; values as in a station file."""

    FREE = "free"
    """any rotation"""
    VERTICAL = "vertical"
    """about the vertical only, as with a SCARA arm"""


@dataclass(frozen=True)
class CellGeometry:
    """The two constant transforms of a cell."""

    mount: Mount
    """where the camera is"""
    turns: Turns
    """the rotations that the flange can perform"""
    seed: int
    """seed of the geometry"""
    hand_eye: Array
    """base_T_camera (fixed camera) or flange_T_camera (camera on the arm), (4, 4), m: the transform to be estimated"""
    nuisance: Array
    """flange_T_board (fixed camera) or base_T_board (camera on the arm), (4, 4), m"""

    @property
    def hand_eye_name(self) -> str:
        """Name of ``hand_eye``."""
        return "base_T_camera" if self.mount == Mount.FIXED else "flange_T_camera"

    @property
    def nuisance_name(self) -> str:
        """Name of ``nuisance``."""
        return "flange_T_board" if self.mount == Mount.FIXED else "base_T_board"

    def view_from(self, base_T_flange: Array) -> Array:
        """camera_T_board (4, 4) when the flange is at ``base_T_flange`` (4, 4)."""
        if self.mount == Mount.FIXED:
            return inverse(self.hand_eye) @ base_T_flange @ self.nuisance
        return inverse(base_T_flange @ self.hand_eye) @ self.nuisance

    def flange_for(self, camera_T_board: Array) -> Array:
        """base_T_flange (4, 4) that produces the view ``camera_T_board`` (4, 4)."""
        if self.mount == Mount.FIXED:
            return self.hand_eye @ camera_T_board @ inverse(self.nuisance)
        return self.nuisance @ inverse(camera_T_board) @ inverse(self.hand_eye)


def make_cell_geometry(
    mount: Mount | str,
    seed: int,
    distance_m: float = 0.8,
    board_size_m: ArrayLike = (0.24, 0.18),
    turns: Turns | str = Turns.FREE,
    work_centre_m: ArrayLike = WORK_CENTRE_M,
) -> CellGeometry:
    """A plausible cell for a camera at ``distance_m`` from a board of ``board_size_m`` (width, height).

    Fixed camera: at ``distance_m`` from the arm's workspace, looking at it; the board faces out of the flange. Camera
    on the arm: within 0.2 m of the flange, looking out of it; the board lies in the cell, face up. With ``turns``
    vertical the tool always points down and the flange frame is upright (`UPRIGHT_T_OUTWARD`); a fixed camera looks up
    at the board from below.
    """
    mount, turns = Mount(mount), Turns(turns)
    rng = np.random.default_rng([seed, 0 if mount == Mount.FIXED else 1, 0 if turns == Turns.FREE else 1])
    flange_T_outward = UPRIGHT_T_OUTWARD if turns == Turns.VERTICAL else np.eye(4)
    centre = np.asarray(work_centre_m, dtype=float) + rng.uniform(-0.03, 0.03, 3)
    middle = np.eye(4)
    middle[:2, 3] = -np.asarray(board_size_m, dtype=float) / 2
    in_plane = Rotation.from_euler("z", rng.uniform(-180, 180), degrees=True)
    # The board's z axis points into the board, so a board that faces up has z down.
    facing = Rotation.from_euler("x", 180, degrees=True) * in_plane
    if mount == Mount.FIXED:
        off_centre = [*rng.uniform(-0.03, 0.03, 2), rng.uniform(0.05, 0.10)]
        outward_T_board = matrix(random_rotation(rng, 10) * facing, off_centre) @ middle
        base_T_camera = _fixed_camera(rng, centre, distance_m, turns)
        return CellGeometry(mount, turns, seed, base_T_camera, flange_T_outward @ outward_T_board)
    sideways = rng.uniform(0, 2 * np.pi)
    offset = [0.07 * np.cos(sideways), 0.07 * np.sin(sideways), rng.uniform(0.03, 0.10)]
    roll = Rotation.from_euler("z", rng.uniform(-180, 180), degrees=True)
    outward_T_camera = matrix(random_rotation(rng, 12) * roll, offset)
    on_table = centre - [0, 0, distance_m]
    base_T_board = matrix(random_rotation(rng, 12 if turns == Turns.VERTICAL else 4) * facing, on_table) @ middle
    return CellGeometry(mount, turns, seed, flange_T_outward @ outward_T_camera, base_T_board)


def _fixed_camera(rng: np.random.Generator, centre: Array, distance_m: float, turns: Turns) -> Array:
    if turns == Turns.VERTICAL:
        viewing_direction = Rotation.from_rotvec([*rng.uniform(-0.3, 0.3, 2), 0.0]).apply([0.0, 0.0, 1.0])
    else:
        azimuth, elevation = rng.uniform(-0.6, 0.6), rng.uniform(-0.1, 0.6)
        outward = [np.cos(azimuth) * np.cos(elevation), np.sin(azimuth) * np.cos(elevation), np.sin(elevation)]
        viewing_direction = -np.asarray(outward)
    return matrix(looking_along(viewing_direction) * random_rotation(rng, 5), centre - viewing_direction * distance_m)


def write_truth(path: Path, scene: CellGeometry, noise: PoseNoise, **extra: object) -> None:
    """Write ``truth.json``: mount, turns, seed, both transforms by name (4x4, m), robot noise, and ``extra``."""
    content = {
        "mount": scene.mount,
        "turns": scene.turns,
        "seed": scene.seed,
        scene.hand_eye_name: scene.hand_eye.tolist(),
        scene.nuisance_name: scene.nuisance.tolist(),
        "robot_noise": {"mm": noise.sigma_mm, "deg": noise.sigma_deg},
        **extra,
    }
    path.write_text(json.dumps(content, indent=2) + "\n", encoding="utf-8")
