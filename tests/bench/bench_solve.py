"""How close the solver comes to the best possible error, and how long it takes beside a general-purpose solver.

Not collected by pytest. Run it with one BLAS thread, or small matrices wait for each other:

    OPENBLAS_NUM_THREADS=1 python tests/bench/bench_solve.py [--seeds 20] [--poses 5 10 20 40] [--skip-time]

Efficiency: RMS error over the working volume divided by the Cramer-Rao bound (1 is the best that there is), over seeds
0, 1, 2, ..., with its standard error. Inside: share of points within the stated p95 (0.95 expected). Time: processor
time of one solve, against scipy.optimize.least_squares on the same residuals from the same start, in the same run.
"""

from __future__ import annotations

import argparse
import importlib.util
import time
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares
from scipy.sparse import lil_matrix

from eyebolt.geometry import rigid
from eyebolt.solve.joint import joint_estimate
from eyebolt.solve.outcome import Refusal
from eyebolt.solve.run import solve
from eyebolt.solve.start import closed_form_starts
from eyebolt_sim.problems import make_problem

MOUNTS = ("fixed", "arm")
# Corner noise px, robot noise mm and deg.
LEVELS = {"fine": (0.05, 0.03, 0.006), "usual": (0.1, 0.1, 0.02), "coarse": (0.3, 0.4, 0.08)}


def beside_the_tests(name):
    """A module of tests/solve, loaded by path."""
    path = Path(__file__).parents[1] / "solve" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(f"bench_{name}", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


cases = beside_the_tests("conversion")
bound = beside_the_tests("information_bound")


def make(mount, poses, seed, level):
    pixels, mm, deg = LEVELS[level]
    return make_problem(mount, poses, seed, corner_noise_px=pixels, robot_noise_mm=mm, robot_noise_deg=deg)


def efficiency(mount, poses, level, stated, seeds):
    """RMS error mm, bound mm, their ratio and its standard error, share inside the stated p95, refusals, pairs lost."""
    squared, best, inside, refused, lost = [], [], [], 0, 0
    for seed in range(seeds):
        simulated = make(mount, poses, seed, level)
        outcome = solve(cases.convert(simulated, stated))
        if isinstance(outcome, Refusal):
            refused += 1
            continue
        points = bound.working_points(simulated)
        errors = bound.errors_mm(outcome.X, simulated, points)
        squared.append((errors**2).mean())
        best.append(bound.rms_of_covariance_mm(bound.bound_covariance(simulated), points) ** 2)
        inside.append((errors <= outcome.expected_error_mm.p95).mean())
        lost += len(outcome.left_out)
    squared, best = np.array(squared), np.array(best)
    ratio = np.sqrt(squared.mean() / best.mean())
    # Delta method on the ratio of means: the seeds' geometry cancels, their noise does not.
    spread = np.std(squared - ratio**2 * best, ddof=1) / np.sqrt(len(squared)) / best.mean()
    return np.sqrt(squared.mean()), np.sqrt(best.mean()), ratio, spread / (2 * ratio), np.mean(inside), refused, lost


def generic_solve(problem, X, Y, **tolerances):
    """The same least squares, noise stated, by SciPy: unknowns X, Y and every arm error; sparse finite differences."""
    n = len(problem.pairs)
    views = cases.views_of(problem)
    noise = problem.robot_noise
    arm_sigma = np.repeat([noise.translation_m, noise.rotation_rad], 3)
    flange = np.array([p.base_T_flange for p in problem.pairs])
    # Unknowns in units of what one can expect, so that finite differences and the trust region see numbers near 1.
    units = np.concatenate([np.full(12, 1e-3), np.tile(arm_sigma, n)])
    corners = 2 * len(problem.board_corners_m)

    def residuals(unknowns):
        change = unknowns * units
        true_flange = flange @ rigid.exp(change[12:].reshape(n, 6))
        A = true_flange if problem.mount == "fixed" else rigid.inverse(true_flange)
        view = rigid.inverse(X @ rigid.exp(change[:6])) @ A @ Y @ rigid.exp(change[6:12])
        seen = problem.camera.project(rigid.apply(view, views.stack.points_m))
        return np.concatenate([((seen - views.stack.corners_px) / views.corner_px).ravel(), unknowns[12:]])

    pattern = lil_matrix((n * corners + 6 * n, 12 + 6 * n), dtype=int)
    for k in range(n):
        rows = slice(k * corners, (k + 1) * corners)
        pattern[rows, :12] = 1
        pattern[rows, 12 + 6 * k : 18 + 6 * k] = 1
    for k in range(6 * n):
        pattern[n * corners + k, 12 + k] = 1
    found = least_squares(residuals, np.zeros(12 + 6 * n), jac_sparsity=pattern.tocsr(), x_scale="jac", **tolerances)
    return X @ rigid.exp(found.x[:6] * units[:6])


def processor_ms(function, repeats):
    """Best and median processor time of ``function``, ms."""
    times = []
    for _ in range(repeats):
        begin = time.process_time()
        function()
        times.append(1e3 * (time.process_time() - begin))
    return min(times), float(np.median(times))


def print_efficiency(arguments):
    print(
        f"{'mount':6} {'noise':7} {'arm noise':10} {'poses':>5} {'RMS mm':>8} {'bound mm':>8} {'ratio':>6}        ",
        end="",
    )
    print(f"{'inside':>7} {'refused':>7} {'lost':>5}")
    for mount in MOUNTS:
        for level in LEVELS:
            for stated in (True, False):
                for poses in arguments.poses:
                    rms, best, ratio, spread, inside, refused, lost = efficiency(
                        mount, poses, level, stated, arguments.seeds
                    )
                    kind = "stated" if stated else "estimated"
                    print(f"{mount:6} {level:7} {kind:10} {poses:5d} {rms:8.3f} {best:8.3f} {ratio:6.3f} ", end="")
                    print(f"+-{spread:5.3f} {inside:7.3f} {refused:7d} {lost:5d}", flush=True)


def print_times(arguments):
    print("\nprocessor time, ms: best (median)")
    for mount in MOUNTS:
        for poses in arguments.poses:
            simulated = make(mount, poses, 0, "usual")
            stated, free = cases.convert(simulated, True), cases.convert(simulated, False)
            views = cases.views_of(stated)
            start = closed_form_starts(views.A, views.poses.camera_T_board)[0]
            generic = generic_solve(stated, start.X, start.Y)
            ours = joint_estimate(stated, views, start.X, start.Y)
            apart = bound.errors_mm(ours.X, simulated, bound.working_points(simulated)) - bound.errors_mm(
                generic, simulated, bound.working_points(simulated)
            )
            rows = {
                "solve, noise stated": processor_ms(lambda p=stated: solve(p), 5),
                "solve, noise estimated": processor_ms(lambda p=free: solve(p), 5),
                "joint estimate alone": processor_ms(
                    lambda p=stated, v=views, s=start: joint_estimate(p, v, s.X, s.Y), 5
                ),
                "scipy least_squares": processor_ms(lambda p=stated, s=start: generic_solve(p, s.X, s.Y), 2),
            }
            reference = rows["scipy least_squares"][0]
            for name, (best, median) in rows.items():
                print(f"{mount:6} {poses:3d} poses  {name:24} {best:8.1f} ({median:8.1f})   1/{reference / best:.1f}")
            print(f"              the two estimates differ by {np.abs(apart).max():.1e} mm", flush=True)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--poses", type=int, nargs="+", default=[5, 10, 20, 40])
    parser.add_argument("--skip-time", action="store_true")
    arguments = parser.parse_args()
    print_efficiency(arguments)
    if not arguments.skip_time:
        print_times(arguments)


if __name__ == "__main__":
    main()
