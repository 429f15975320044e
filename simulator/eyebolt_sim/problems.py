"""Hand-eye problems without images: robot poses and corners with noise, and the truth."""

from __future__ import annotations

import itertools
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from eyebolt.errors import InputFault
from eyebolt_sim.cell_geometry import CellGeometry, Mount, Turns, make_cell_geometry
from eyebolt_sim.lens import EXACT_SIGMA, Lens, simple_lens
from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.transforms import Array, transform_points
from eyebolt_sim.views import BoardShape, ViewRange, chessboard_shape, place, random_views, visible_fraction

DEFAULT_LENS = simple_lens(2448, 2048, 2400.0)
EXACT_SCALE_SIGMA = 1e-9
"""relative standard deviation that states the size of a board as exact"""
EXACT_BOW_SIGMA_MM = 1e-6
"""standard deviation that states a board as flat"""
EXACT_NOISE_DOF = 1e9
"""degrees of freedom that state the noise of the arm as exact"""
DEFAULT_BOARD = chessboard_shape(12, 9, 0.020)


@dataclass(frozen=True)
class Problem:
    """A hand-eye problem of N pairs with its truth; transforms in metres."""

    scene: CellGeometry
    """the true constant transforms"""
    lens: Lens
    """the camera"""
    board_corners_m: Array
    """corners (K, 3), board frame"""
    base_T_flange_reported: Array
    """poses as reported, with noise, (N, 4, 4)"""
    base_T_flange_true: Array
    """true poses (N, 4, 4)"""
    camera_T_board_true: Array
    """true views (N, 4, 4)"""
    corner_ids: list[NDArray[np.int64]]
    """rows of ``board_corners_m`` that are visible, N arrays (k,)"""
    corners_px: list[Array]
    """measured corners, with noise, N arrays (k, 2)"""
    corners_px_true: list[Array]
    """true corners, N arrays (k, 2)"""
    corner_noise_px: float
    """standard deviation per axis of a corner"""
    robot_noise_mm: float
    """standard deviation per axis of a reported position"""
    robot_noise_deg: float
    """standard deviation per axis of a reported rotation"""
    near_m: float
    """near end of the working volume"""
    far_m: float
    """far end of the working volume"""

    @property
    def mount(self) -> Mount:
        """Where the camera is."""
        return self.scene.mount

    @property
    def hand_eye_true(self) -> Array:
        """The true transform to be estimated, (4, 4)."""
        return self.scene.hand_eye

    @property
    def nuisance_true(self) -> Array:
        """The other true constant transform, (4, 4)."""
        return self.scene.nuisance

    def to_json(
        self,
        tolerance_mm: float = 1.0,
        include_robot_noise: bool = True,
        lens_sigma: Mapping[str, float] | None = EXACT_SIGMA,
        board_scale_sigma: float | None = EXACT_SCALE_SIGMA,
        board_bow_sigma_mm: float | None = EXACT_BOW_SIGMA_MM,
        noise_dof: float = EXACT_NOISE_DOF,
        drift_sigma_mm: float | None = 0.0,
        correlated_error_range_mm: float | None = 0.0,
    ) -> dict[str, object]:
        """The content of a problem file; without robot noise, the solver estimates it.

        Lens, board and robot noise are stated as exact, camera and board as fixed and the arm as free from
        pose-correlated errors, which they are, or with ``lens_sigma``, the relative ``board_scale_sigma``,
        ``board_bow_sigma_mm``, ``noise_dof`` degrees of freedom, ``drift_sigma_mm`` and ``correlated_error_range_mm``;
        None leaves the solver its defaults.
        """
        out: dict[str, object] = {
            "mount": self.mount,
            "turns": self.scene.turns,
            "camera": self.lens.to_json(lens_sigma),
            "board_corners_mm": (self.board_corners_m * 1e3).tolist(),
            "pairs": [
                {"base_T_flange": pose.tolist(), "ids": ids.tolist(), "corners_px": corners.tolist()}
                for pose, ids, corners in zip(
                    self.base_T_flange_reported, self.corner_ids, self.corners_px, strict=True
                )
            ],
            "goal": {"tolerance_mm": tolerance_mm, "near_mm": self.near_m * 1e3, "far_mm": self.far_m * 1e3},
        }
        if board_scale_sigma is not None:
            out["board_scale_sigma"] = board_scale_sigma
        if board_bow_sigma_mm is not None:
            out["board_bow_sigma_mm"] = board_bow_sigma_mm
        if drift_sigma_mm is not None:
            out["drift_sigma_mm"] = drift_sigma_mm
        if correlated_error_range_mm is not None:
            out["correlated_error_range_mm"] = correlated_error_range_mm
        if include_robot_noise:
            out["robot_noise"] = {
                "mm": self.robot_noise_mm,
                "deg": self.robot_noise_deg,
                "degrees_of_freedom": noise_dof,
            }
        return out

    def write(self, path: Path, tolerance_mm: float = 1.0, include_robot_noise: bool = True) -> None:
        """Write a problem file, see ``to_json``."""
        path.write_text(json.dumps(self.to_json(tolerance_mm, include_robot_noise)) + "\n", encoding="utf-8")


def make_problem(
    mount: Mount | str,
    poses: int,
    seed: int,
    corner_noise_px: float = 0.1,
    robot_noise_mm: float = 0.1,
    robot_noise_deg: float = 0.02,
    camera: Lens = DEFAULT_LENS,
    board: BoardShape = DEFAULT_BOARD,
    limits: ViewRange | None = None,
    turns: Turns | str = Turns.FREE,
    board_bow_mm: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> Problem:
    """A problem of ``poses`` pairs, drawn from ``seed``; the defaults are the reference case of the accuracy tests.

    Geometry, robot noise and corner noise are drawn from separate streams: the same seed with another noise level has
    the same truth. With ``turns`` vertical the flange rotates about base z only, and the tilt limits do not apply.
    The views are of a board with ``board_bow_mm`` (see ``BoardShape.bowed_corners_m``); the problem states a flat one.
    Raises InputFault ``no-view`` if the board does not fit into the image within ``limits``.
    """
    limits = limits or ViewRange()
    geometry, robot, pixels = (np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(3))
    scene = make_cell_geometry(mount, seed, sum(limits.distance_m) / 2, board.size_m, turns)
    true_poses, views = _poses(scene, camera, board, limits, poses, geometry)
    noise = PoseNoise(robot_noise_mm, robot_noise_deg)
    corners_m = board.bowed_corners_m(board_bow_mm) if any(board_bow_mm) else board.corners_m
    ids, exact, measured = [], [], []
    for view in views:
        projected = camera.project(transform_points(view, corners_m))
        keep = np.flatnonzero(camera.inside(projected, limits.margin_px))
        ids.append(keep)
        exact.append(projected[keep])
        measured.append(projected[keep] + pixels.normal(size=(keep.size, 2)) * corner_noise_px)
    return Problem(
        scene=scene,
        lens=camera,
        board_corners_m=board.corners_m,
        base_T_flange_reported=np.stack([noise.reported(pose, robot) for pose in true_poses]),
        base_T_flange_true=np.stack(true_poses),
        camera_T_board_true=np.stack(views),
        corner_ids=ids,
        corners_px=measured,
        corners_px_true=exact,
        corner_noise_px=corner_noise_px,
        robot_noise_mm=robot_noise_mm,
        robot_noise_deg=robot_noise_deg,
        near_m=limits.distance_m[0],
        far_m=limits.distance_m[1],
    )


def _poses(
    scene: CellGeometry, lens: Lens, board: BoardShape, limits: ViewRange, count: int, rng: np.random.Generator
) -> tuple[list[Array], list[Array]]:
    if scene.turns == Turns.VERTICAL:
        views = [_vertical_view(scene, lens, board, limits, rng) for _ in range(count)]
    else:
        views = list(itertools.islice(random_views(lens, board, limits, rng), count))
        if len(views) < count:
            raise _view_fault()
    return [scene.flange_for(view) for view in views], views


def _vertical_view(
    scene: CellGeometry, lens: Lens, board: BoardShape, limits: ViewRange, rng: np.random.Generator
) -> Array:
    """camera_T_board (4, 4) of an upright flange at a random angle about base z, with the board in view."""
    for _ in range(2000):
        pose = np.eye(4)
        pose[:3, :3] = Rotation.from_rotvec([0, 0, rng.uniform(-np.pi, np.pi)]).as_matrix()
        rotation = Rotation.from_matrix(scene.view_from(pose)[:3, :3])
        view = place(lens, board, rotation, rng.uniform(-1, 1, 2) * limits.spread, rng.uniform(*limits.distance_m))
        if visible_fraction(lens, board, view, limits.margin_px) >= limits.min_visible_fraction:
            return view
    raise _view_fault()


def _view_fault() -> InputFault:
    return InputFault(
        "no-view",
        "the board does not fit into the image at the given distances, tilts and spread",
        "increase the distance, reduce the spread or the fraction of visible corners, or use a smaller board.",
    )
