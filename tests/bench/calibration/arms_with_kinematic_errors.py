"""Sessions of arms with kinematic errors, and the picks that they make with the result."""

from functools import cache
from typing import NamedTuple

import numpy as np

from eyebolt.calibration.problem import Problem, WorkingVolume
from eyebolt.errors import InputFault
from eyebolt.geometry import Mount, PickPose, PickPosture
from eyebolt.geometry import se3 as se3
from eyebolt.geometry.camera_model import CameraModel
from eyebolt.observations.pair import Pair
from eyebolt_sim.arm import Arm, faulty_arm, inverse_kinematics
from eyebolt_sim.cell_geometry import CellGeometry, make_cell_geometry
from eyebolt_sim.lens import EXACT_SIGMA
from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.problems import DEFAULT_BOARD, DEFAULT_LENS, EXACT_BOW_SIGMA_MM, EXACT_SCALE_SIGMA
from eyebolt_sim.waypoints import plan_waypoints

AS_AT_WAYPOINTS = PickPosture(PickPose.WAYPOINTS)
NEAR_M, FAR_M, PICKS, CORNER_PX = 0.6, 1.0, 12, 0.1
KINEMATIC, WHITE = "joints 0.03 deg, links 0.2 mm", "white 0.1 mm, 0.02 deg"
# Joint offsets deg, link errors mm, scatter mm and deg.
ARMS = {KINEMATIC: (0.03, 0.2, 0.0, 0.0), WHITE: (0.0, 0.0, 0.1, 0.02)}


class ArmSession(NamedTuple):
    """A session of one arm, noise not stated.

    ``stands``: the real base_T_flange of every pair; ``joints``: the joint angles there; ``looks``: (reported, real)
    poses that the problem does not use; ``rng`` goes on where the session stopped.
    """

    problem: Problem
    scene: CellGeometry
    real: Arm
    noise: PoseNoise
    stands: list
    joints: list
    looks: list
    rng: np.random.Generator


@cache
def cell(mount, count, seed):
    """A scene and ``count`` waypoints its arm reaches."""
    for attempt in range(50):
        scene = make_cell_geometry(mount, seed + 10_000 * attempt, (NEAR_M + FAR_M) / 2, DEFAULT_BOARD.size_m, "free")
        try:
            return scene, plan_waypoints(scene, DEFAULT_LENS, DEFAULT_BOARD, NEAR_M, FAR_M, count, seed)
        except InputFault:
            continue
    raise RuntimeError("no reachable cell in 50 attempts")


def session(mount, poses, seed, kind, picks=PICKS, pick=AS_AT_WAYPOINTS):
    """The ArmSession of a seed; the arm of seed s has the same faults whatever the rest."""
    offset_deg, link_mm, white_mm, white_deg = ARMS[kind]
    rng = np.random.default_rng([seed, 5])
    scene, waypoints = cell(mount, poses + picks, seed)
    real, noise = faulty_arm(rng, offset_deg, link_mm), PoseNoise(white_mm, white_deg)
    lens = DEFAULT_LENS
    camera = CameraModel(lens.width_px, lens.height_px, lens.matrix, lens.distortion, dict(EXACT_SIGMA))
    stand_at, joints_at, looks, pairs = [], [], [], []
    for number in rng.permutation(len(waypoints)):
        joints = waypoints[number].joints_rad
        stands = real.forward(joints)
        reported = noise.reported(Arm().forward(joints), rng)
        if len(pairs) == poses:
            looks.append((reported, stands))
            continue
        seen = DEFAULT_LENS.project(se3.apply(scene.view_from(stands), DEFAULT_BOARD.corners_m))
        ids = np.flatnonzero(DEFAULT_LENS.inside(seen, 5.0))
        corners = seen[ids] + rng.normal(size=(len(ids), 2)) * CORNER_PX
        pairs.append(Pair(len(pairs), reported, ids, corners))
        stand_at.append(stands)
        joints_at.append(joints)
    problem = Problem(
        Mount(mount),
        camera,
        DEFAULT_BOARD.corners_m,
        pairs,
        WorkingVolume(NEAR_M, FAR_M),
        board_scale_sigma=EXACT_SCALE_SIGMA,
        board_bow_sigma_m=EXACT_BOW_SIGMA_MM / 1e3,
        pick=pick,
    )
    return ArmSession(problem, scene, real, noise, stand_at, joints_at, looks, rng)


def pick_errors_mm(session, X, Y):
    """Tip minus object, mm. Camera fixed: the tip where the board was. On the arm: the flange, straight ahead."""
    errors = []
    scene, rng = session.scene, session.rng
    grid = session.problem.grid
    for reported, stands in session.looks:
        if session.problem.mount == "fixed":
            tip = Y[:3, 3]
            point = se3.apply(se3.inverse(X) @ reported, tip[None])
            errors.append(se3.apply(stands, tip[None]) - se3.apply(scene.hand_eye, point))
            continue
        for point in grid[rng.choice(len(grid), 4)]:
            command = reported.copy()
            command[:3, 3] = se3.apply(reported @ X, point[None])[0]
            joints = reachable(command)
            if joints is not None:
                # At the pick the controller believes itself at the command; its scatter is that of any pose.
                off = session.real.forward(joints) @ se3.inverse(Arm().forward(joints))
                at = off @ session.noise.reported(command, rng)
                errors.append(at[:3, 3] - se3.apply(stands @ scene.hand_eye, point[None])[0])
    return np.linalg.norm(np.array(errors).reshape(-1, 3), axis=1) * 1e3


def errors_of_picks_down_mm(session, X):
    """Flange minus object, mm, at picks with the tool straight down, at a random rotation about the vertical.

    The arm keeps the configuration (elbow, wrist) that it had at the waypoint with the nearest joint angles.
    """
    errors = []
    scene, rng, grid = session.scene, session.rng, session.problem.grid
    fixed = session.problem.mount == "fixed"
    for reported, stands in session.looks:
        for point in grid[rng.choice(len(grid), 4)]:
            believed, real = (X, scene.hand_eye) if fixed else (reported @ X, stands @ scene.hand_eye)
            command = np.diag([1.0, -1.0, -1.0, 1.0])
            command[:3, :3] = se3.exp_rotation([0, 0, rng.uniform(-np.pi, np.pi)]) @ command[:3, :3]
            command[:3, 3] = se3.apply(believed, point[None])[0]
            solutions = inverse_kinematics(command)
            if not solutions:
                continue
            # The last joint may be anywhere.
            off = [np.abs(np.array(session.joints)[:, :5] - joints[:5]).sum(axis=1).min() for joints in solutions]
            joints = solutions[int(np.argmin(off))]
            at = (
                session.real.forward(joints) @ se3.inverse(Arm().forward(joints)) @ session.noise.reported(command, rng)
            )
            errors.append(at[:3, 3] - se3.apply(real, point[None])[0])
    return np.linalg.norm(np.array(errors).reshape(-1, 3), axis=1) * 1e3


def reachable(command):
    """Joint angles for a command, turned about or off the approach until the arm reaches it; None if it never does."""
    for tilt in (0.0, 0.5, 1.0):
        for turn in np.linspace(0, 2 * np.pi, 9)[:-1]:
            turned = command.copy()
            turned[:3, :3] = command[:3, :3] @ se3.exp_rotation([0, 0, turn]) @ se3.exp_rotation([tilt, 0, 0])
            solutions = inverse_kinematics(turned)
            if solutions:
                return solutions[0]
    return None
