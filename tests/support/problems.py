"""Conversion of simulated problems (truth by SciPy and 4x4 matrices) to the solver's, and faults injected into them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import Rotation

from eyebolt.calibration.estimation.linearization import Observations
from eyebolt.calibration.problem import CORRELATED_ERROR_RANGE_M, Problem, RobotNoise, WorkingVolume
from eyebolt.geometry import FlangeRotation, Mount
from eyebolt.geometry.camera_model import CameraModel
from eyebolt.observations.board_pose import CornerObservations, fit_board_poses
from eyebolt.observations.pair import Pair
from eyebolt_sim.cell_geometry import make_cell_geometry
from eyebolt_sim.lens import EXACT_SIGMA
from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.problems import (
    DEFAULT_BOARD,
    DEFAULT_LENS,
    EXACT_BOW_SIGMA_MM,
    EXACT_NOISE_DOF,
    EXACT_SCALE_SIGMA,
)
from eyebolt_sim.transforms import matrix, transform_points
from eyebolt_sim.views import place, visible_fraction


def camera_of(lens, sigma: Mapping[str, float] = EXACT_SIGMA) -> CameraModel:
    """The solver's lens, stated as exact unless ``sigma`` says otherwise."""
    return CameraModel(lens.width_px, lens.height_px, lens.matrix, lens.distortion, dict(sigma))


def convert(simulated, include_robot_noise: bool = True, drift_sigma_m: float | None = 0.0) -> Problem:
    """The solver's problem; without ``include_robot_noise`` the noise of the arm must be estimated.

    Lens, board and noise are stated as exact, camera and board as fixed and the arm as without pose-correlated error
    unless ``drift_sigma_m`` is not 0 (None: the defaults of the solver).
    """
    poses = zip(simulated.base_T_flange_reported, simulated.corner_ids, simulated.corners_px, strict=True)
    noise = RobotNoise(simulated.robot_noise_mm * 1e-3, float(np.deg2rad(simulated.robot_noise_deg)))
    return Problem(
        Mount(simulated.mount),
        camera_of(simulated.lens),
        simulated.board_corners_m,
        [Pair(k, pose, ids, corners) for k, (pose, ids, corners) in enumerate(poses)],
        WorkingVolume(simulated.near_m, simulated.far_m),
        FlangeRotation(simulated.scene.turns),
        noise if include_robot_noise else None,
        robot_noise_dof=EXACT_NOISE_DOF,
        board_scale_sigma=EXACT_SCALE_SIGMA,
        board_bow_sigma_m=EXACT_BOW_SIGMA_MM / 1e3,
        drift_sigma_m=drift_sigma_m,
        correlated_error_range_m=0.0 if drift_sigma_m == 0 else CORRELATED_ERROR_RANGE_M,
    )


# What nobody states about the coefficients (service/eyebolt/calibration/README.md).
_COEFFICIENT_SIGMA = {"k1": 0.005, "k2": 0.02, "p1": 3e-4, "p2": 3e-4, "k3": 0.05}


def with_drawn_board_and_lens(problem: Problem, seed: int) -> tuple[Problem, dict[str, float]]:
    """The problem with board and lens as wrongly stated as the defaults of the solver allow, and the deviations.

    The deviations are those of the truth from what is stated: board scale (relative), fx, fy, cx, cy (px), five
    coefficients.
    """
    rng = np.random.default_rng([seed, 91])
    camera = problem.camera
    focal, centre = 1e-3 * rng.normal(), 2.0 * rng.normal(size=2)
    board_m = float(np.ptp(problem.board_corners_m, axis=0).max())
    off = {
        "scale": 2e-4 / board_m * float(rng.normal()),
        "fx": focal * camera.matrix[0, 0],
        "fy": focal * camera.matrix[1, 1],
        "cx": centre[0],
        "cy": centre[1],
        **{name: sigma * float(rng.normal()) for name, sigma in _COEFFICIENT_SIGMA.items()},
    }
    camera = replace(camera, distortion=np.pad(camera.distortion, (0, max(5 - camera.distortion.size, 0))))
    stated = camera.perturbed({name: -value for name, value in off.items() if name != "scale"})
    return (
        replace(
            problem,
            camera=replace(stated, sigma={}),
            board_corners_m=problem.board_corners_m / (1 + off["scale"]),
            board_scale_sigma=None,
        ),
        off,
    )


def observations_of(problem: Problem) -> Observations:
    """The solver's observations of all pairs."""
    stack = CornerObservations.from_pairs(problem.pairs, problem.board_corners_m)
    return Observations.of(problem, problem.chain(), stack, fit_board_poses(problem.camera, stack))


def sent(pose, pose_format) -> tuple[float, ...]:
    """The numbers by which a robot reports a 4x4 pose, by SciPy."""
    lengths = pose[:3, 3] / {"mm": 1e-3, "m": 1.0, "um": 1e-6}[pose_format.length]
    turn = Rotation.from_matrix(pose[:3, :3])
    degrees = pose_format.angle == "deg"
    if pose_format.rotation.startswith("quaternion"):
        numbers = turn.as_quat(scalar_first=pose_format.rotation.endswith("wxyz"))
    elif pose_format.rotation == "rotation-vector":
        numbers = turn.as_rotvec(degrees=degrees)
    elif pose_format.rotation == "angle-z":
        numbers = turn.as_euler("ZYX", degrees=degrees)[:1]
    else:
        numbers = turn.as_euler(pose_format.rotation.removeprefix("euler-"), degrees=degrees)
    return (*lengths, *numbers)


def with_pair(problem: Problem, row: int, **changes: Any) -> Problem:
    """The same problem with one pair changed."""
    pairs = list(problem.pairs)
    pairs[row] = replace(pairs[row], **changes)
    return replace(problem, pairs=pairs)


def with_stale_pose(problem: Problem, row: int) -> Problem:
    """Pair ``row`` has the pose of the waypoint before it."""
    return with_pair(problem, row, base_T_flange=problem.pairs[row - 1].base_T_flange)


def with_neighbours_image(problem: Problem, row: int) -> Problem:
    """Pair ``row`` has the image of the waypoint after it."""
    neighbour = problem.pairs[row + 1]
    return with_pair(problem, row, ids=neighbour.ids, corners_px=neighbour.corners_px)


def with_slipped_board(simulated, problem: Problem, row: int, slip_mm: float, slip_deg: float) -> Problem:
    """In pair ``row`` the board has slipped in its holder; the corner noise is unchanged."""
    across, turn = slip_mm * 1e-3, np.deg2rad(slip_deg)
    slip = matrix([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]], [across, 0, 0])
    corners = simulated.board_corners_m[simulated.corner_ids[row]]
    noise = simulated.corners_px[row] - simulated.corners_px_true[row]
    view = simulated.camera_T_board_true[row] @ slip
    return with_pair(problem, row, corners_px=simulated.lens.project(transform_points(view, corners)) + noise)


def rotating_only_about(
    mount: Literal["fixed", "arm"],
    axis: ArrayLike,
    spread_deg: float,
    poses: int,
    seed: int,
    include_robot_noise: bool = True,
) -> tuple[Problem, np.ndarray]:
    """Flanges that rotate about one ``axis`` of the base by up to ``spread_deg`` (0: not at all); and the true X.

    With several axes (m, 3) each rotates by an angle of its own, the last one first. The first flange faces the camera
    with its board (or the board with its camera), as a person would place it.
    """
    rng = np.random.default_rng([seed, 77])
    lens, board = DEFAULT_LENS, DEFAULT_BOARD
    scene = make_cell_geometry(mount, seed, 0.8, board.size_m)
    axes = np.atleast_2d(np.asarray(axis, dtype=float))
    units = axes / np.linalg.norm(axes, axis=1)[:, None]
    facing = scene.flange_for(place(lens, board, Rotation.identity(), np.zeros(2), 0.8))[:3, :3]
    noise = PoseNoise(0.1, 0.02)
    pairs: list[Pair] = []
    while len(pairs) < poses:
        turned = np.eye(4)
        turned[:3, :3] = facing
        for unit in units[::-1]:
            angle = np.deg2rad(rng.uniform(-spread_deg, spread_deg))
            turned[:3, :3] = Rotation.from_rotvec(unit * angle).as_matrix() @ turned[:3, :3]
        turn = Rotation.from_matrix(scene.view_from(turned)[:3, :3])
        view = place(lens, board, turn, rng.uniform(-0.6, 0.6, 2), rng.uniform(0.6, 1.0))
        if visible_fraction(lens, board, view, 12.0) < 1.0:
            continue
        corners = (
            lens.project(transform_points(view, board.corners_m)) + rng.normal(size=(len(board.corners_m), 2)) * 0.1
        )
        reported = noise.reported(scene.flange_for(view), rng)
        pairs.append(Pair(len(pairs), reported, np.arange(len(corners)), corners))
    stated = RobotNoise(1e-4, float(np.deg2rad(0.02))) if include_robot_noise else None
    volume = WorkingVolume(0.6, 1.0)
    problem = Problem(Mount(mount), camera_of(lens), board.corners_m, pairs, volume, robot_noise=stated)
    exact = replace(
        problem,
        robot_noise_dof=EXACT_NOISE_DOF,
        board_scale_sigma=EXACT_SCALE_SIGMA,
        board_bow_sigma_m=EXACT_BOW_SIGMA_MM / 1e3,
        drift_sigma_m=0.0,
        correlated_error_range_m=0.0,
    )
    return exact, scene.hand_eye
