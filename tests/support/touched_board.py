"""A board placed before the camera of a simulated problem, with touched corners: truth by 4x4 matrices."""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation

from eyebolt.observations.pair import PlacedBoard, PointerTip, Touch
from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.problems import Problem, make_problem
from eyebolt_sim.touch_plan import Pointer, spread_corners
from eyebolt_sim.transforms import matrix, transform_points

TIP_MM = (4.0, -3.0, 150.0)


def tip_of(simulated: Problem, sigma_mm: float) -> PointerTip:
    """The stated tip; on vertical arms it is below a flange frame whose z axis points up."""
    down = -1 if simulated.scene.turns == "vertical" else 1
    return PointerTip(np.array(TIP_MM) * [1, 1, down] * 1e-3, sigma_mm * 1e-3)


def lay_board(
    simulated: Problem,
    seed: int,
    touches: int = 4,
    tip_sigma_mm: float = 0.2,
    tip_off_mm: tuple[float, float, float] = (0, 0, 0),
    view: int = 0,
) -> PlacedBoard:
    """One placed board with ``touches`` touches; another ``view`` is another board of the same session.

    The error of the tip is drawn, equal for all boards of a session; ``tip_off_mm`` is added to it.
    """
    rng = np.random.default_rng([seed, 31, view])
    noise = PoseNoise(simulated.robot_noise_mm, simulated.robot_noise_deg)
    # A view that is possible in the cell: that of one more waypoint, where the board is left.
    more = make_problem(
        simulated.mount, 1, 5000 + seed + 100 * view, camera=simulated.lens, turns=simulated.scene.turns
    )
    camera_T_board = more.camera_T_board_true[0]
    if simulated.mount == "fixed":
        flange_at_image, reported = None, None
        base_T_board = simulated.scene.hand_eye @ camera_T_board
    else:
        flange_at_image = more.base_T_flange_true[0]
        reported = noise.reported(flange_at_image, rng)
        base_T_board = flange_at_image @ simulated.scene.hand_eye @ camera_T_board
    corners = simulated.board_corners_m
    px = (
        simulated.lens.project(transform_points(camera_T_board, corners))
        + rng.normal(size=(len(corners), 2)) * simulated.corner_noise_px
    )
    tip = tip_of(simulated, tip_sigma_mm)
    pointer = Pointer.draw(tip.position_m * 1e3, tip_sigma_mm, np.random.default_rng([seed, 32]))
    true_tip_m = pointer.true_tip_m + np.array(tip_off_mm) * 1e-3
    pointer = Pointer(pointer.tip_m, true_tip_m, pointer.placement_sigma_mm)
    numbers = spread_corners(corners, touches)
    found = []
    for number, place in zip(numbers, transform_points(base_T_board, corners[numbers]), strict=True):
        turn = Rotation.from_rotvec([0, 0, rng.uniform(-np.pi, np.pi)])
        if simulated.scene.turns == "free":
            turn = turn * Rotation.from_rotvec(rng.uniform(-0.4, 0.4, 3)) * Rotation.from_rotvec([np.pi, 0, 0])
        set_down = place + rng.normal(size=3) * pointer.placement_sigma_mm * 1e-3
        true = matrix(turn, set_down - turn.apply(pointer.true_tip_m))
        found.append(Touch(number, noise.reported(true, rng)))
    return PlacedBoard(900 + view, reported, np.arange(len(corners)), px, tuple(found))
