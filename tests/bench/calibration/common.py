"""Shared by the sections: noise levels, seeds spread over processes, numbers with standard errors, clean sets."""

from __future__ import annotations

import argparse
import functools
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from types import SimpleNamespace

import numpy as np
from scipy.spatial.transform import RigidTransform

from bench.record import Figure, add_option, recording
from eyebolt.calibration.solution import Solution
from eyebolt.calibration.solve import solve
from eyebolt_sim.problems import DEFAULT_LENS, make_problem
from eyebolt_sim.transforms import inverse, transform_points
from eyebolt_sim.views import ViewRange
from support import cramer_rao_bound as bound
from support import problems as cases

MOUNTS = ("fixed", "arm")
# Corner noise px, robot noise mm and deg per axis.
LEVELS = {"fine": (0.05, 0.02, 0.005), "usual": (0.1, 0.1, 0.02), "coarse": (0.3, 0.3, 0.05)}
NEAR_M, FAR_M = ViewRange().distance_m
_PROGRESS_S = 5.0


def make(mount, poses, seed, level, **more):
    """The simulator's problem at one of the noise levels; ``more`` as make_problem has it."""
    pixels, mm, deg = LEVELS[level]
    return make_problem(mount, poses, seed, corner_noise_px=pixels, robot_noise_mm=mm, robot_noise_deg=deg, **more)


@functools.cache
def working_points():
    """405 points (9 x 9 x 5) over the image and the depth, camera frame."""
    return bound.working_points(SimpleNamespace(lens=DEFAULT_LENS, near_m=NEAR_M, far_m=FAR_M))


def errors_mm(X, true):
    """(405,): how far each working point, carried by X, lands from where it is."""
    points = working_points()
    return 1e3 * np.linalg.norm(transform_points(X, points) - transform_points(true, points), axis=1)


# ---- figures and their standard errors


def mean(values):
    """Mean of one value a seed; NaN seeds are left out."""
    kept = np.asarray(values, dtype=float)
    kept = kept[np.isfinite(kept)]
    if not len(kept):
        return Figure(np.nan, np.nan)
    return Figure(float(kept.mean()), float(np.std(kept, ddof=1) / np.sqrt(len(kept))) if len(kept) > 1 else np.nan)


def share(happened):
    """Share of the seeds where something happened, bool a seed.

    The standard error is the binomial one with two successes and two failures added (A. Agresti, B. Coull, The American
    Statistician 52(2), 1998): it stays above 0 where everything or nothing happened.
    """
    yes = np.asarray(happened, dtype=bool)
    if not len(yes):
        return Figure(np.nan, np.nan)
    near = (yes.sum() + 2) / (len(yes) + 4)
    return Figure(float(yes.mean()), float(np.sqrt(near * (1 - near) / (len(yes) + 4))))


def rms(squared):
    """Root of the mean of one squared error a seed."""
    middle = mean(squared)
    root = np.sqrt(middle.value)
    return Figure(float(root), float(middle.error / (2 * root)))


def rms_ratio(squared, reference):
    """RMS over RMS on the same seeds, with its standard error by the delta method on the paired squares.

    What both share on a seed, its geometry and its noise, cancels. Seeds without either value are left out.
    """
    a, b = np.asarray(squared, dtype=float), np.asarray(reference, dtype=float)
    both = np.isfinite(a) & np.isfinite(b)
    a, b = a[both], b[both]
    if len(a) < 2:
        return Figure(np.nan, np.nan)
    square = a.mean() / b.mean()
    spread = np.std(a - square * b, ddof=1) / np.sqrt(len(a)) / b.mean()
    return Figure(float(np.sqrt(square)), float(spread / (2 * np.sqrt(square))))


def bar(figure, at_least=None, at_most=None):
    """The bar as text and whether the figure meets it; misses by less than two standard errors are marked."""
    asks = [f">= {at_least:g}" if at_least is not None else "", f"<= {at_most:g}" if at_most is not None else ""]
    below = 0.0 if at_least is None else at_least - figure.value
    above = 0.0 if at_most is None else figure.value - at_most
    missed_by = max(below, above)
    if np.isnan(figure.value):
        word = "no data"
    elif missed_by <= 0:
        word = "met"
    else:
        word = "missed within 2 s.e." if missed_by <= 2 * figure.error else "MISSED"
    return f"{' '.join(a for a in asks if a)} {word}"


# ---- seeds over processes


@dataclass
class Bench:
    """Options of the command line, and the processes; None where the section has its own default."""

    seeds_asked: int | None
    poses_asked: list[int] | None
    mounts: list[str]
    levels_asked: list[str] | None
    jobs: int
    first: int = 0
    _pool: ProcessPoolExecutor | None = field(default=None, repr=False)
    _clean: dict = field(default_factory=dict, repr=False)

    def seeds(self, default):
        """How many seeds, counted from ``first``."""
        return self.seeds_asked or default

    def poses(self, *default):
        """Pose counts."""
        return self.poses_asked or list(default)

    def levels(self, *default):
        """Names of noise levels."""
        return self.levels_asked or list(default)

    def each_seed(self, function, seeds, *cell):
        """``function(seed, *cell)`` for so many seeds, in order; ``function`` stands at the top of a module."""
        if self.jobs > 1 and self._pool is None:
            self._pool = ProcessPoolExecutor(self.jobs)
        work = functools.partial(_one, function, cell)
        chunk = max(1, min(8, seeds // (4 * self.jobs)))
        asked = range(self.first, self.first + seeds)
        results = self._pool.map(work, asked, chunksize=chunk) if self._pool else map(work, asked)
        out, said = [], time.monotonic()
        for result in results:
            out.append(result)
            if time.monotonic() - said > _PROGRESS_S:
                said = time.monotonic()
                name = " ".join(str(c) for c in cell)
                print(f"  ... {name}: {len(out)} of {seeds} seeds", file=sys.stderr, flush=True)
        return out

    def clean(self, mount, poses, level, seeds):
        """``CleanSet`` of every seed; solved once for all sections that look at it."""
        key = (mount, poses, level, seeds)
        if key not in self._clean:
            self._clean[key] = self.each_seed(solve_clean, seeds, mount, poses, level)
        return self._clean[key]

    def close(self):
        """Ends the processes."""
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)


def _one(function, cell, seed):
    try:
        return function(seed, *cell)
    except Exception as fault:
        fault.add_note(f"seed {seed} of {cell}")
        raise


# ---- sets without a fault


@dataclass(frozen=True)
class CleanSet:
    """One seed, solved with the arm's noise stated and estimated. NaN where the solver refused.

    ``bound_mm2``, ``stated_mm2``, ``estimated_mm2``: mean squared error over the working volume. Noise estimated:
    ``squared`` d^T C^-1 d, ``inside`` share of working points within the stated pooled p95. ``lost``: pairs left out,
    (stated, estimated).
    """

    bound_mm2: float
    stated_mm2: float
    estimated_mm2: float
    squared: float
    inside: float
    lost: tuple[int, int]


def solve_clean(seed, mount, poses, level):
    """The CleanSet of a seed."""
    simulated = make(mount, poses, seed, level)
    best = bound.rms_of_covariance_mm(bound.bound_covariance(simulated), working_points()) ** 2
    stated, estimated = (
        solve(cases.convert(simulated, include_robot_noise, drift_sigma_m=None))
        for include_robot_noise in (True, False)
    )
    squared = inside = np.nan
    if isinstance(estimated, Solution):
        d = twist_between(estimated.X, simulated.hand_eye_true)
        squared = float(d @ np.linalg.solve(estimated.covariance, d))
        inside = float((errors_mm(estimated.X, simulated.hand_eye_true) <= estimated.expected_error_mm.p95).mean())
    lost = (len(stated.excluded), len(estimated.excluded))
    of_both = [mean_square_mm2(outcome, simulated.hand_eye_true) for outcome in (stated, estimated)]
    return CleanSet(best, *of_both, squared, inside, lost)  # type: ignore[call-arg]


def mean_square_mm2(outcome, true):
    """Mean squared error over the working volume; NaN for a refusal."""
    return float((errors_mm(outcome.X, true) ** 2).mean()) if isinstance(outcome, Solution) else np.nan


def twist_between(estimated, true):
    """d (6,) with ``estimated * exp(d) = true``, order (translation m, rotation rad); computed by SciPy."""
    turn_first = RigidTransform.from_matrix(inverse(estimated) @ true).as_exp_coords()
    return np.roll(turn_first, 3)


def column(sets, name):
    """One attribute of all sets, as an array."""
    return np.array([getattr(s, name) for s in sets])


def run_sections(prog, text, sections, pose_counts=True):
    """Reads the command line of a bench and runs its sections, each by its ``run(bench)``."""
    parser = argparse.ArgumentParser(
        prog=prog,
        description=text.splitlines()[0],
        epilog="; ".join(f"{name}: {module.__doc__.splitlines()[0]}" for name, module in sections.items()),
    )
    parser.add_argument("sections", nargs="*", metavar="SECTION", help=", ".join(sections))
    parser.add_argument("--seeds", type=int, help="how many; each section has its own default")
    parser.add_argument("--first", type=int, default=0, help="the first seed (0): other sets than the usual ones")
    if pose_counts:
        parser.add_argument("--poses", type=int, nargs="+", help="pose counts; each section has its own default")
    parser.add_argument("--mounts", nargs="+", choices=MOUNTS, default=list(MOUNTS))
    parser.add_argument("--levels", nargs="+", choices=list(LEVELS), help="noise levels")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    add_option(parser)
    asked = parser.parse_args()
    unknown = [name for name in asked.sections if name not in sections]
    if unknown:
        parser.error(f"no section {', '.join(unknown)}; there are {', '.join(sections)}")
    poses = asked.poses if pose_counts else None
    bench = Bench(asked.seeds, poses, asked.mounts, asked.levels, asked.jobs, asked.first)
    try:
        for name in asked.sections or sections:
            with recording(f"{prog.rpartition('.')[2]}.{name}", asked.record):
                sections[name].run(bench)
    except KeyboardInterrupt:
        sys.exit(130)
    finally:
        bench.close()
