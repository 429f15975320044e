"""Processor time of the whole ``solve()`` against SciPy's generic least squares on the same enlarged model.

- 30 pairs: ``scipy.optimize.least_squares`` estimates X, Y, board scale, nine lens parameters and every arm error, with
  their priors, noise stated; written with this bench's own geometry, sparse two-point Jacobian with its pattern given,
  started a closed form's error away from the truth, tolerances as they come. The unknowns are in standard deviations of
  their priors (1 mm and 1 mrad for X and Y) with x_scale=1, and LSMR solves each step to 1e-8: 8 to 11 Jacobians. With
  x_scale="jac" or LSMR's own 1e-6 the steps are poor and it takes 66 to 320, ten times the time and no nearer. The
  whole ``solve()`` has noise, outliers, diagnosis, leave-one-out and error statement beside. Bar: at least 15 times
  faster.
- the whole ``solve()`` over the joint estimate (noise estimated, covariance, leave-one-out) on the same clean data.
  Bar: at most 2.5.
- 1000 over 100 pairs, whole ``solve()``. Bar: at most 10.
- its parts at 30 pairs: the least processor time of five solves, the mean over sets. Parts contain what they call.

Clean data, nothing stated about lens and board. Median over sets of the ratio of a set; both programs of a ratio run in
turn on the same data.
"""

import importlib
import time
from unittest import mock

import cv2
import numpy as np
from scipy.optimize import least_squares
from scipy.sparse import bmat, csr_matrix, identity, kron

from bench.honesty.disturbances import ROWS, session_of
from bench.honesty.generator import ARM_M, ARM_RAD, CORNER_PX, Lens, Session, chain
from bench.honesty.measure import problem_of
from bench.honesty.rigid import apply, inverse, moved, unit
from bench.record import Table
from eyebolt.calibration import solve
from eyebolt.calibration.estimation import leave_one_out
from eyebolt.calibration.estimation.initialization import closed_form_estimates
from eyebolt.calibration.estimation.maximum_likelihood import joint_estimate
from support.problems import observations_of

GENERIC_BAR, GROWTH_BAR, JOINT_BAR = 15.0, 10.0, 2.5
# Of the linear least squares of one step, relative; an ill-conditioned problem needs it small.
_LSMR_TOLERANCE = 1e-8
# Prior of the generic solver: board scale, focal lengths and centre (px), distortion.
_PRIOR = np.array([1e-3, 2.4, 2.4, 2.0, 2.0, 5e-3, 5e-3, 1e-3, 1e-3, 5e-3])
# The parts of a solve: label, module and function.
_PARTS = {
    "board poses of the usable pairs": ("solve", "_usable_pairs"),
    "change points, drift": ("robust.outliers", "_largest_segment"),
    "forward search": ("robust.outliers", "_forward_search"),
    "joint estimates, trials included": ("robust.outliers", "joint_estimate"),
    "errors of the print": ("robust.print_selection", "with_print_error"),
    "expected error": ("solve", "expected_error"),
    "pick error": ("solve", "pick_error"),
    "diagnosis": ("solve", "diagnose"),
}


class GenericSolver:
    """Unknowns in units of what one can expect: X, Y, nuisances, arm errors."""

    def __init__(self, session: Session, rng: np.random.Generator):
        cell, self.n = session.cell, session.pairs
        self.session = session
        # The error of a closed form.
        start = [np.concatenate([2e-3 * unit(rng), np.deg2rad(0.2) * unit(rng)]) for _ in range(2)]
        self.X, self.Y = moved(cell.X, start[0]), moved(cell.Y, start[1])
        self.units = np.concatenate([np.full(12, 1e-3), _PRIOR, np.tile(np.repeat([ARM_M, ARM_RAD], 3), self.n)])
        self.board = session.real_board
        corners = len(self.board)
        shared, n = 12 + len(_PRIOR), self.n
        self.pattern = bmat(
            [
                [csr_matrix(np.ones((2 * corners * n, shared))), kron(identity(n), np.ones((2 * corners, 6)))],
                [csr_matrix(np.eye(len(_PRIOR), shared, 12)), None],
                [None, identity(6 * n)],
            ],
            format="csr",
        )

    def residuals(self, unknowns: np.ndarray) -> np.ndarray:
        """Corners, nuisances and arm errors, each by its sigma."""
        u = unknowns * self.units
        session = self.session
        flanges = moved(session.flanges, u[22:].reshape(-1, 6))
        views = inverse(moved(self.X, u[:6])) @ chain(session.cell.mount, flanges) @ moved(self.Y, u[6:12])
        lens = Lens(session.stated_lens.parameters + u[13:22])
        corners = lens.project(apply(views, self.board * (1 + u[12])))
        return np.concatenate([((corners - session.corners_px) / CORNER_PX).ravel(), unknowns[12:]])

    def solve(self) -> np.ndarray:
        """X (4, 4)."""
        found = least_squares(
            self.residuals,
            np.zeros(len(self.units)),
            jac_sparsity=self.pattern,
            tr_options={"atol": _LSMR_TOLERANCE, "btol": _LSMR_TOLERANCE, "maxiter": 2000},
        )
        return moved(self.X, found.x[:6] * self.units[:6])


def run(bench) -> None:
    """Prints the section."""
    cv2.setNumThreads(1)
    sets = bench.seeds(5)
    table = Table(
        f"whole solve, processor time ms, median of {sets} sets",
        ("mount", 5),
        ("what", 48),
        ("ms", 8),
        ("other ms", 9),
        ("ratio", 7),
        ("bar", 14),
    )
    for mount in bench.mounts:
        generic, joint, growth, apart = [], [], [], []
        for seed in range(bench.first, bench.first + sets):
            session = session_of(ROWS["nothing-stated"], mount, 30, seed)
            problem, solver = problem_of(session), GenericSolver(session, np.random.default_rng(seed))
            whole, other = times_ms(lambda p=problem: solve(p), solver.solve)
            generic.append((whole, other))
            apart.append(1e3 * float(np.linalg.norm(solve(problem).X[:3, 3] - solver.solve()[:3, 3])))
            joint.append(times_ms(lambda p=problem: solve(p), joint_only(problem)))
            few, many = (problem_of(session_of(ROWS["nothing-stated"], mount, n, seed)) for n in (100, 1000))
            growth.append(times_ms(lambda p=few: solve(p), lambda p=many: solve(p)))
        _print(table, mount, "SciPy over whole solve, 30 pairs", generic, lambda a, b: b / a, GENERIC_BAR, ">=")
        _print(table, mount, "whole solve over joint estimate, 30 pairs", joint, lambda a, b: a / b, JOINT_BAR, "<=")
        _print(table, mount, "whole solve, 1000 over 100 pairs", growth, lambda a, b: b / a, GROWTH_BAR, "<=")
        parts = [
            parts_ms(problem_of(session_of(ROWS["nothing-stated"], mount, 30, seed)))
            for seed in range(bench.first, bench.first + sets)
        ]
        means = {label: float(np.mean([one[label] for one in parts])) for label in parts[0]}
        table.note(f"{mount}, ms: " + ", ".join(f"{label} {ms:.1f}" for label, ms in means.items()))
        table.note(f"{mount}: translations of X by SciPy and by solve() differ by {max(apart):.3f} mm at most")


def joint_only(problem):
    """The joint estimate with covariance and leave-one-out, from a closed form; views fitted beforehand."""
    observations = observations_of(problem)
    start = closed_form_estimates(observations.A, observations.pose_fits.camera_T_board)[0]

    def estimate():
        joint = joint_estimate(problem, observations, start.X, start.Y)
        return joint.covariance, leave_one_out(joint)

    return estimate


def times_ms(*ways, repeats: int = 3) -> tuple[float, ...]:
    """Median processor time of each, run in turn after a round that is not counted."""
    times = np.empty((repeats + 1, len(ways)))
    for turn in range(repeats + 1):
        for place, way in enumerate(ways):
            begin = time.process_time()
            way()
            times[turn, place] = 1e3 * (time.process_time() - begin)
    return tuple(map(float, np.median(times[1:], axis=0)))


def parts_ms(problem, repeats: int = 5) -> dict[str, float]:
    """Least processor time of each part of a solve, and of the whole, in ms."""
    times: dict[str, list[float]] = {}

    def timed(label, function):
        def run(*arguments, **named):
            begin = time.process_time()
            try:
                return function(*arguments, **named)
            finally:
                times[label][-1] += 1e3 * (time.process_time() - begin)

        return run

    whole = timed("whole", solve)
    patches = []
    for label, (module, name) in _PARTS.items():
        place = importlib.import_module(f"eyebolt.calibration.{module}")
        patches.append(mock.patch.object(place, name, timed(label, getattr(place, name))))
    for patch in patches:
        patch.start()
    for _ in range(repeats + 1):
        for label in (*_PARTS, "whole"):
            times.setdefault(label, []).append(0.0)
        whole(problem)
    for patch in patches:
        patch.stop()
    return {label: min(ms[1:]) for label, ms in times.items()}


def _print(table: Table, mount: str, what: str, pairs, ratio, limit: float, sign: str) -> None:
    of_sets = [ratio(*pair) for pair in pairs]
    value = float(np.median(of_sets))
    met = value >= limit if sign == ">=" else value <= limit
    a, b = np.median(np.array(pairs), axis=0)
    table.row(mount, what, float(a), float(b), value, f"{sign} {limit:g} {'met' if met else 'MISSED'}")
