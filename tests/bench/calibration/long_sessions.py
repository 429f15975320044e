"""Long sessions: replies with and without a solve for each pair of a settled session, and the final result.

Random sessions of 41 pairs and more, both mounts: without a fault, with stale poses, with a board that slipped and with
a camera that was knocked. The same requests are sent twice: once as the daemon serves them, once with a solve for each
pair. Bars: no reply differs, and no final result. Beside it how many replies waited for a solve.
"""

from dataclasses import dataclass, replace
from unittest.mock import patch

import numpy as np
from scipy.spatial.transform import Rotation

from bench.calibration.common import cases
from bench.record import Table
from eyebolt.boards.detection import Detection
from eyebolt.calibration.solution import Solution
from eyebolt.calibration.solve import solve
from eyebolt.geometry import Mount
from eyebolt.geometry.pose_format import PoseFormat
from eyebolt.observations.board_pose import fit_board_pose
from eyebolt.observations.view_quality import View
from eyebolt.planning.stopping import Goal, stopping_factor
from eyebolt.protocol import ToleranceOf
from eyebolt.session import messages as msg
from eyebolt.session import solve_report
from eyebolt_sim.problems import make_problem
from eyebolt_sim.transforms import matrix
from support.session_world import GOOD_LIGHT, World, config, solution

START, MORE = 41, 12
FAULTS = ("none", "stale poses", "board slipped", "camera knocked")
TEXT = PoseFormat("mm", "quaternion-wxyz", "deg")


def run(bench):
    """Prints the section."""
    seeds = bench.seeds(50)
    table = Table(
        f"long sessions: {seeds} a mount, {MORE} captures after {START} pairs",
        ("mount", 5),
        ("fault", 16),
        ("sessions", 8),
        ("replies", 8),
        ("differ", 8),
        ("results differ", 14),
        ("waited for a solve", 20),
        ("bar", 10),
    )
    for mount in bench.mounts:
        found = bench.each_seed(compare, seeds, mount)
        for fault in FAULTS:
            rows = [one for one in found if one.fault == fault]
            differ, results = sum(one.differ for one in rows), sum(one.result_differs for one in rows)
            waited = f"{sum(one.waited for one in rows)}, {sum(one.waited_each for one in rows)} with each"
            verdict = "none met" if not differ and not results else "MISSED"
            table.row(mount, fault, str(len(rows)), str(len(rows) * MORE), str(differ), str(results), waited, verdict)


@dataclass(frozen=True)
class Compared:
    """One session served in both ways."""

    fault: str
    replies: tuple[str, ...]
    differ: int
    result_differs: bool
    waited: int
    waited_each: int


def compare(seed, mount, more=MORE, ratio=None):
    """The session of a seed in both ways; ``ratio``: tolerance over the error at the start, random by default."""
    fault, problem, tolerance_mm = session(seed, mount, START, more, ratio)
    served, outcome, waited = play(problem, tolerance_mm, START)
    with patch.object(solve_report, "_is_settled", return_value=False):
        each, outcome_each, waited_each = play(problem, tolerance_mm, START)
    differ = sum(one != other for one, other in zip(served, each, strict=True))
    same = type(outcome) is type(outcome_each) and (
        not isinstance(outcome, Solution) or np.array_equal(outcome.X, outcome_each.X)
    )
    return Compared(fault, tuple(served), differ, not same, waited, waited_each)


def session(seed, mount, start, more, ratio):
    """The fault, the problem with it, and a tolerance somewhere about the error at the start."""
    rng = np.random.default_rng([seed, 29])
    problem = cases.convert(make_problem(mount, start + more, seed), include_robot_noise=False, drift_sigma_m=None)
    fault, pairs = FAULTS[seed % len(FAULTS)], list(problem.pairs)
    if fault == "stale poses":
        for row in rng.choice(np.arange(start, len(pairs)), 2, replace=False):
            shift = rng.normal(size=3)
            shift *= 10 ** rng.uniform(-0.5, 1.5) * 1e-3 / np.linalg.norm(shift)
            moved = pairs[row].base_T_flange @ matrix(Rotation.identity(), shift)
            pairs[row] = replace(pairs[row], base_T_flange=moved)
    elif fault != "none":
        # Seen from the pairs, the pose of the arm changes on the side of the part that moved.
        turn, shift = rng.normal(size=3) * np.deg2rad(0.1), rng.normal(size=3) * 10 ** rng.uniform(-1, 0.5) * 1e-3
        moved = matrix(Rotation.from_rotvec(turn), shift)
        on_flange = (fault == "board slipped") == (mount == "fixed")
        for row in range(start + more // 3, len(pairs)):
            pose = pairs[row].base_T_flange
            pairs[row] = replace(pairs[row], base_T_flange=pose @ moved if on_flange else moved @ pose)
    problem = replace(problem, pairs=pairs)
    first = solve(replace(problem, pairs=pairs[:start]))
    p95_upper_mm = first.expected_error_mm.p95_upper * stopping_factor(start, prior_dof=0.0)
    return fault, problem, float(p95_upper_mm * (ratio or rng.choice([0.98, 1.02, 1.06, 1.15, 1.5, 2.0])))


def play(problem, tolerance_mm, start):
    """Replies to the captures after ``start`` and to ``solve``, the last outcome, and how many captures waited."""
    world = SolvedWorld(problem, tolerance_mm, start)
    robot, replies, waited = world.connect(), [], 0
    for row, pair in enumerate(problem.pairs):
        world.pair = pair
        world.sees = Detection(pair.ids, pair.corners_px, GOOD_LIGHT, world.size_px, 0.6)
        numbers = TEXT.to_fields(pair.base_T_flange)
        line = f"capture {row + 1} {' '.join(f'{number:.7f}' for number in numbers)}"
        before = world.solved
        reply = world.say(robot, line)
        if row >= start:
            replies.append(reply)
            waited += world.solved > before
    return [*replies, world.say(robot, f"solve {len(problem.pairs) + 1}")], world.last, waited


class SolvedWorld(World):
    """A world whose pairs are solved in earnest from ``start`` pairs on."""

    def __init__(self, problem, tolerance_mm, start):
        self.size_px = (problem.camera.width_px, problem.camera.height_px)
        super().__init__(
            config(
                mount=Mount(problem.mount),
                lens_size_px=self.size_px,
                lens_focal_px=float(problem.camera.matrix[0, 0]),
                board_corner_count=len(problem.board_corners_m),
                goal=Goal(tolerance_mm, 8, 1000, ToleranceOf.TRANSFORM),
                has_tip=False,
            )
        )
        self.problem, self.start = problem, start
        self.pair = problem.pairs[0]
        self.last, self.solved = None, 0

    def carry_out(self, command):
        if isinstance(command, msg.Solve) and self.state.task is not None:
            self.solved += 1
        super().carry_out(command)

    def exposed(self, seen, index):
        return seen

    def _solve(self, command):
        if len(command.dataset.pairs) < self.start:
            return solution(1e3, len(command.dataset.pairs))
        self.last = solve(replace(self.problem, pairs=command.dataset.pairs))
        return self.last

    def _view(self):
        found = fit_board_pose(self.problem.camera, self.pair.ids, self.pair.corners_px, self.problem.board_corners_m)
        return View(residual_px=0.1), None if found is None else found[0]
