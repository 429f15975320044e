"""Does the stated error of a pick hold on arms whose geometry is wrong, and stay tight on arms that only scatter?

    python tests/bench/bench_pick.py [--arms 200] [--poses 12 20] [--mounts fixed arm]

Each arm calibrates at waypoints it can reach and then picks at waypoints it did not use, through the same faulty
geometry. Printed: the share of picks whose error is within the stated p95 of ``expected_pick_mm``, with its standard
error over the arms, and the stated p95 over the true one. Baseline in the same run: the p95 that white noise alone
would state (the same statement with the noise given as known).
"""

import argparse
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from eyebolt.errors import InputFault
from eyebolt.geometry import rigid
from eyebolt.geometry.camera import CameraModel
from eyebolt.pairs.pair import Pair
from eyebolt.solve.outcome import Solution
from eyebolt.solve.problem import Problem, RobotNoise, WorkingVolume
from eyebolt.solve.run import solve
from eyebolt_sim.arm import Arm, faulty_arm, inverse_kinematics
from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.problems import DEFAULT_BOARD, DEFAULT_LENS
from eyebolt_sim.scene import make_scene
from eyebolt_sim.waypoints import plan_waypoints

NEAR_M, FAR_M, PICKS, CORNER_PX = 0.6, 1.0, 12, 0.1
ARMS = {"joints 0.03 deg, links 0.2 mm": (0.03, 0.2, 0.0, 0.0), "white 0.1 mm, 0.02 deg": (0.0, 0.0, 0.1, 0.02)}


def cell(mount, count, seed):
    """A scene and ``count`` waypoints its arm reaches."""
    for attempt in range(50):
        scene = make_scene(mount, seed + 10_000 * attempt, (NEAR_M + FAR_M) / 2, DEFAULT_BOARD.size_m, "free")
        try:
            return scene, plan_waypoints(scene, DEFAULT_LENS, DEFAULT_BOARD, NEAR_M, FAR_M, count, seed)
        except InputFault:
            continue
    raise RuntimeError("no reachable cell in 50 attempts")


def session(mount, poses, seed, kind):
    """(problem, scene, real arm, noise, looks not used): looks are (reported pose, real pose)."""
    offset_deg, link_mm, white_mm, white_deg = ARMS[kind]
    rng = np.random.default_rng([seed, 5])
    scene, waypoints = cell(mount, poses + PICKS, seed)
    real, noise = faulty_arm(rng, offset_deg, link_mm), PoseNoise(white_mm, white_deg)
    lens = DEFAULT_LENS.as_json()
    camera = CameraModel(lens["width"], lens["height"], np.array(lens["matrix"]), np.array(lens["distortion"]))
    looks, pairs = [], []
    for number in rng.permutation(len(waypoints)):
        joints = waypoints[number].joints_rad
        stands = real.forward(joints)
        reported = noise.reported(Arm().forward(joints), rng)
        if len(pairs) == poses:
            looks.append((reported, stands))
            continue
        seen = DEFAULT_LENS.project(rigid.apply(scene.view_from(stands), DEFAULT_BOARD.corners_m))
        ids = np.flatnonzero(DEFAULT_LENS.inside(seen, 5.0))
        corners = seen[ids] + rng.normal(size=(len(ids), 2)) * CORNER_PX
        pairs.append(Pair(len(pairs), reported, ids, corners))
    problem = Problem(mount, camera, DEFAULT_BOARD.corners_m, pairs, WorkingVolume(NEAR_M, FAR_M))
    return problem, scene, real, noise, looks, rng


def pick_errors_mm(problem, scene, real, noise, looks, X, Y, rng):
    """Tip minus object, mm. Camera fixed: the tip where the board was. On the arm: the flange, straight ahead."""
    errors = []
    grid = problem.volume.grid(problem.camera)
    for reported, stands in looks:
        if problem.mount == "fixed":
            tip = Y[:3, 3]
            point = rigid.apply(rigid.inverse(X) @ reported, tip[None])
            errors.append(rigid.apply(stands, tip[None]) - rigid.apply(scene.wanted, point))
            continue
        for point in grid[rng.choice(len(grid), 4)]:
            command = reported.copy()
            command[:3, 3] = rigid.apply(reported @ X, point[None])[0]
            joints = reachable(command)
            if joints is not None:
                # At the pick the controller believes itself at the command; its scatter is that of any pose.
                at = (real.forward(joints) @ rigid.inverse(Arm().forward(joints))) @ noise.reported(command, rng)
                errors.append(at[:3, 3] - rigid.apply(stands @ scene.wanted, point[None])[0])
    return np.linalg.norm(np.array(errors).reshape(-1, 3), axis=1) * 1e3


def reachable(command):
    """Joint angles for a command, turned about or off the approach until the arm reaches it; None if it never does."""
    for tilt in (0.0, 0.5, 1.0):
        for turn in np.linspace(0, 2 * np.pi, 9)[:-1]:
            turned = command.copy()
            turned[:3, :3] = command[:3, :3] @ rigid.exp_rotation([0, 0, turn]) @ rigid.exp_rotation([tilt, 0, 0])
            solutions = inverse_kinematics(turned)
            if solutions:
                return solutions[0]
    return None


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--arms", type=int, default=200)
    parser.add_argument("--poses", type=int, nargs="+", default=[12, 20])
    parser.add_argument("--mounts", nargs="+", default=["fixed", "arm"])
    arguments = parser.parse_args()
    print(f"{'mount':6} {'arm':30} {'poses':>5} {'inside p95':>16} {'stated/true':>11} {'white alone':>11} {'lost':>5}")
    for mount in arguments.mounts:
        for kind in ARMS:
            for poses in arguments.poses:
                inside, ratio, white, lost = [], [], [], 0
                for seed in range(arguments.arms):
                    problem, scene, real, noise, looks, rng = session(mount, poses, seed, kind)
                    outcome = solve(problem)
                    if not isinstance(outcome, Solution):
                        lost += poses
                        continue
                    lost += len(outcome.left_out)
                    errors = pick_errors_mm(problem, scene, real, noise, looks, outcome.X, outcome.Y, rng)
                    stated = outcome.expected_pick_mm.p95
                    inside.append(np.mean(errors <= stated))
                    ratio.append(stated / np.quantile(errors, 0.95))
                    known = RobotNoise(outcome.robot_noise_mm / 1e3, float(np.deg2rad(outcome.robot_noise_deg)))
                    plain = solve(Problem(**{**vars(problem), "robot_noise": known}))
                    white.append(np.mean(errors <= plain.expected_pick_mm.p95) if isinstance(plain, Solution) else 0)
                error = np.std(inside) / np.sqrt(len(inside))
                print(
                    f"{mount:6} {kind:30} {poses:5d} {np.mean(inside):8.3f} +-{error:5.3f} {np.median(ratio):11.2f}"
                    f" {np.mean(white):11.3f} {lost:5d}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
