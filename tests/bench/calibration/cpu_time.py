"""Processor time, median of seven, on this computer; no seeds, usual noise, 88 corners a pair.

- 30 pairs, from the same start: joint estimate with the noise estimated, covariance and leave-one-out, against
  scipy.optimize.least_squares on the same residuals with the noise stated (it cannot estimate it): all pairs at once in
  NumPy, sparse 2-point Jacobian, x_scale="jac", tolerances as they come. Bar: at least 40 times faster. The pattern of
  the Jacobian and the board pose of each view are made beforehand, outside both clocks.
- beside it the whole solve(), which includes the board poses, outlier rejection and the error
  statement.
- 1000 over 100 pairs, whole solve() and joint estimate. Bar: at most 12 times.
The compared programs run alternately, seven rounds, so that a computer that is slower for a while is slower for all of
them. Times mean nothing while other programs use the computer; ratios are more robust.
"""

import os
import time

import numpy as np
from scipy.optimize import least_squares
from scipy.sparse import bmat, csr_matrix, identity, kron

from bench.calibration.common import cases, errors_mm, make
from bench.record import Table
from eyebolt.calibration.estimation.cross_validation import leave_one_out
from eyebolt.calibration.estimation.initialization import closed_form_estimates
from eyebolt.calibration.estimation.maximum_likelihood import joint_estimate
from eyebolt.calibration.solve import solve
from eyebolt.geometry import se3 as se3

REPEATS = 7
SCIPY = "scipy least_squares, noise stated"


def run(bench):
    """Prints the section."""
    if os.environ.get("OPENBLAS_NUM_THREADS") != "1":
        print("\ntime: OPENBLAS_NUM_THREADS is not 1; processor time counts every thread")
    _print_against_generic(bench)
    _print_growth(bench)


def _print_against_generic(bench):
    pairs = 30
    table = Table(
        f"time: {pairs} pairs, processor time ms, median of {REPEATS} (least - most)",
        ("mount", 5),
        ("what", 42),
        ("ms", 27),
        ("scipy / this", 12),
        ("bar", 12),
    )
    for mount in bench.mounts:
        case = Case(mount, pairs)
        generic = GenericSolver(case.stated, case.start.X, case.start.Y)
        X, found = generic.solve()
        ours = joint_estimate(case.stated, case.observations, case.start.X, case.start.Y)
        apart = errors_mm(X, ours.X).max()
        one = float(np.median(processor_ms(lambda generic=generic: generic.residuals(generic.zero))[0]))
        ways = {
            SCIPY: generic.solve,
            "joint estimate, covariance, leave one out": case.joint_and_what_follows,
            "whole solve(), noise estimated": lambda case=case: solve(case.free),
            "whole solve(), noise stated": lambda case=case: solve(case.stated),
        }
        rows = dict(zip(ways, processor_ms(*ways.values()), strict=True))
        reference = float(np.median(rows[SCIPY]))
        for name, times in rows.items():
            ratio = reference / float(np.median(times))
            word = f">= 40 {'met' if ratio >= 40 else 'MISSED'}" if name.startswith("joint") else ""
            table.row(mount, name, _spread(times), f"{ratio:.1f}", word)
        table.note(
            f"{mount:>5}  scipy: {found.nfev} steps and {found.njev} Jacobians of 18 evaluations, {one:.2f} ms each"
            f" evaluation; its estimate and ours (noise stated) differ by {apart:.1e} mm at most"
        )


def _print_growth(bench):
    table = Table(
        f"time: 1000 pairs over 100, processor time ms, median of {REPEATS} (least - most)",
        ("mount", 5),
        ("what", 42),
        ("100 pairs", 27),
        ("1000 pairs", 27),
        ("ratio", 6),
        ("bar", 12),
    )
    for mount in bench.mounts:
        few, many = Case(mount, 100), Case(mount, 1000)
        for name, ways in {
            "whole solve(), noise estimated": [lambda c=c: solve(c.free) for c in (few, many)],
            "whole solve(), noise stated": [lambda c=c: solve(c.stated) for c in (few, many)],
            "joint estimate, covariance, leave one out": [c.joint_and_what_follows for c in (few, many)],
        }.items():
            of_few, of_many = processor_ms(*ways)
            ratio = float(np.median(of_many) / np.median(of_few))
            word = f"<= 12 {'met' if ratio <= 12 else 'MISSED'}"
            table.row(mount, name, _spread(of_few), _spread(of_many), f"{ratio:.1f}", word)


class Case:
    """A problem of seed 0 with its views and its start made."""

    def __init__(self, mount, pairs):
        simulated = make(mount, pairs, 0, "usual")
        self.stated, self.free = (
            cases.convert(simulated, True, drift_sigma_m=None),
            cases.convert(simulated, False, drift_sigma_m=None),
        )
        self.observations = cases.observations_of(self.free)
        self.start = closed_form_estimates(self.observations.A, self.observations.pose_fits.camera_T_board)[0]

    def joint_and_what_follows(self):
        """Noise estimated."""
        joint = joint_estimate(self.free, self.observations, self.start.X, self.start.Y)
        return joint.covariance, leave_one_out(joint)


def processor_ms(*ways):
    """Processor times (ways, 7), ms, of ``ways`` in turn, after a round that is not counted."""
    times = np.empty((REPEATS + 1, len(ways)))
    for turn in range(REPEATS + 1):
        for place, way in enumerate(ways):
            begin = time.process_time()
            way()
            times[turn, place] = 1e3 * (time.process_time() - begin)
    return times[1:].T


def _spread(times):
    return f"{np.median(times):.1f} ({times.min():.1f} - {times.max():.1f})"


class GenericSolver:
    """The same least squares, noise stated, by SciPy: unknowns X, Y and every arm error.

    Unknowns are in units of what one can expect, so that finite differences and the trust region see numbers near 1.
    """

    def __init__(self, problem, X, Y):
        n, corners = len(problem.pairs), len(problem.board_corners_m)
        if any(len(pair.ids) != corners for pair in problem.pairs):
            raise ValueError("every pair must see every corner")
        self.X, self.Y, self.n = X, Y, n
        arm_sigma = np.repeat([problem.robot_noise.translation_m, problem.robot_noise.rotation_rad], 3)
        self.units = np.concatenate([np.full(12, 1e-3), np.tile(arm_sigma, n)])
        self.fixed = problem.mount == "fixed"
        flange = np.array([pair.base_T_flange for pair in problem.pairs])
        self.chain = flange if self.fixed else se3.inverse(flange)
        self.points, self.camera = problem.board_corners_m, problem.camera
        self.corner_sigma_px = cases.observations_of(problem).corner_sigma_px
        self.seen = np.array([pair.corners_px for pair in problem.pairs]) / self.corner_sigma_px
        # Corners of a pair depend on X, Y and that pair's arm error; each prior on one unknown.
        self.pattern = bmat(
            [
                [csr_matrix(np.ones((2 * corners * n, 12))), kron(identity(n), np.ones((2 * corners, 6)))],
                [None, identity(6 * n)],
            ],
            format="csr",
        )
        self.zero = np.zeros(12 + 6 * n)

    def residuals(self, unknowns):
        """(2 K n + 6 n,): corners and arm errors, each over its sigma."""
        change = (unknowns * self.units).reshape(-1, 6)
        # On the arm the chain is flange_T_base, so the arm's error stands before it, inverted.
        change[2:] *= 1.0 if self.fixed else -1.0
        moved = se3.exp(change)
        true_chain = self.chain @ moved[2:] if self.fixed else moved[2:] @ self.chain
        view = se3.inverse(self.X @ moved[0]) @ true_chain @ (self.Y @ moved[1])
        points = self.points @ view[:, :3, :3].swapaxes(1, 2) + view[:, None, :3, 3]
        return np.concatenate([(self.camera.project(points) / self.corner_sigma_px - self.seen).ravel(), unknowns[12:]])

    def solve(self):
        """X (4, 4) from the start, and SciPy's result."""
        found = least_squares(self.residuals, self.zero, jac_sparsity=self.pattern, x_scale="jac")
        return self.X @ se3.exp(found.x[:6] * self.units[:6]), found
