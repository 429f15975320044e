"""Solves whose every number is on record, so that a changed line of the solver shows even where no test looks at it.

``python -m support.golden_solves`` writes ``tests/calibration/golden/solves.json``; do so only after a change that is
meant to change results, and state which and why in the commit. What is right is for the other tests to tell: they
compare with the truth, with bounds and with chance; these numbers only say that nothing else has changed.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import fields, is_dataclass, replace
from enum import Enum
from pathlib import Path
from typing import Any

import numpy as np

from eyebolt.calibration.problem import PoseConvention, Problem, RobotNoise
from eyebolt.calibration.solution import Refusal, Solution
from eyebolt.calibration.solve import solve
from eyebolt.geometry import PoseFormat, se3
from eyebolt.observations import Pair, PlacedBoard
from eyebolt_sim.problems import make_problem
from eyebolt_sim.transforms import transform_points
from support import problems, touched_board

FILE = Path(__file__).resolve().parents[1] / "calibration" / "golden" / "solves.json"
Given = tuple[Problem, Sequence[Pair], Sequence[PlacedBoard]]


def _free(mount: str, pairs: int, seed: int, stated: bool = False) -> Problem:
    return problems.convert(make_problem(mount, pairs, seed), stated, drift_sigma_m=None)


def _with_checks() -> Given:
    problem = _free("fixed", 12, 21)
    return replace(problem, pairs=problem.pairs[:10]), problem.pairs[10:], ()


def _with_lens_sigmas() -> Given:
    problem = _free("arm", 12, 22, stated=True)
    sigma = {"fx": 2.0, "fy": 2.0, "cx": 1.5, "cy": 1.5}
    return replace(problem, camera=replace(problem.camera, sigma=sigma)), (), ()


def _understated_noise() -> Given:
    problem = _free("fixed", 12, 2, stated=True)
    return replace(problem, robot_noise=RobotNoise(1e-4 / 3, float(np.deg2rad(0.02)) / 3), robot_noise_dof=3.0), (), ()


def _board_scale() -> Given:
    problem = _free("fixed", 9, 23)
    return replace(problem, board_corners_m=problem.board_corners_m * 1.01), (), ()


def _focal_length() -> Given:
    problem = _free("arm", 9, 24)
    matrix = problem.camera.matrix * np.array([[1.012], [1.012], [1.0]])
    return replace(problem, camera=replace(problem.camera, matrix=matrix)), (), ()


def _moved_board() -> Given:
    simulated = make_problem("fixed", 12, 25)
    problem = problems.convert(simulated, False, drift_sigma_m=None)
    for row in range(7, 12):
        problem = problems.with_slipped_board(simulated, problem, row, 2.0, 0.5)
    return problem, (), ()


def _slipped_pair() -> Given:
    simulated = make_problem("arm", 11, 26)
    return (
        problems.with_slipped_board(simulated, problems.convert(simulated, False, drift_sigma_m=None), 5, 1.5, 0.4),
        (),
        (),
    )


def _shifted() -> Given:
    problem = _free("fixed", 8, 27)
    pairs = [
        replace(pair, ids=before.ids, corners_px=before.corners_px)
        for before, pair in zip(problem.pairs, problem.pairs[1:], strict=False)
    ]
    return replace(problem, pairs=pairs), (), ()


def _swapped_mount() -> Given:
    problem = _free("arm", 6, 28)
    return replace(problem, mount=type(problem.mount)("fixed")), (), ()


def _coarse_poses() -> Given:
    problem = _free("fixed", 12, 29)
    pairs = []
    for pair in problem.pairs:
        pose = pair.base_T_flange.copy()
        pose[:3, 3] = np.round(pose[:3, 3], 3)
        pairs.append(replace(pair, base_T_flange=pose))
    return replace(problem, pairs=pairs), (), ()


def _outlier_corners() -> Given:
    simulated = make_problem("fixed", 9, 30)
    problem = problems.convert(simulated, False, drift_sigma_m=None)
    for row in (2, 5):
        corners = problem.pairs[row].corners_px.copy()
        corners[:6] += 4.0
        problem = problems.with_pair(problem, row, corners_px=corners)
    return problem, (), ()


def _focus_change() -> Given:
    simulated = make_problem("arm", 12, 31)
    problem = problems.convert(simulated, False, drift_sigma_m=None)
    lens = simulated.lens
    other = replace(lens, matrix=lens.matrix * np.array([[1.01], [1.01], [1.0]]))
    for row in range(6, 12):
        corners = simulated.board_corners_m[simulated.corner_ids[row]]
        noise = simulated.corners_px[row] - simulated.corners_px_true[row]
        seen = other.project(transform_points(simulated.camera_T_board_true[row], corners)) + noise
        problem = problems.with_pair(problem, row, corners_px=seen)
    return problem, (), ()


def _vertical(mount: str, seed: int, height_m: float | None, touches: int, stated: bool = False) -> Given:
    simulated = make_problem(mount, 9, seed, turns="vertical")
    problem = replace(
        problems.convert(simulated, stated, drift_sigma_m=None),
        height_m=height_m,
        tip=touched_board.tip_of(simulated, 0.2),
    )
    return problem, (), [touched_board.lay_board(simulated, seed, touches, 0.2)] if touches else ()


def _touched(mount: str, seed: int) -> Given:
    simulated = make_problem(mount, 9, seed)
    problem = replace(problems.convert(simulated, True, drift_sigma_m=None), tip=touched_board.tip_of(simulated, 0.2))
    return problem, (), [touched_board.lay_board(simulated, seed, 4, 0.2)]


def _insignificant_slip() -> Given:
    """Its p-value is between once and four times the limit for six pairs: no pair is excluded."""
    simulated = make_problem("fixed", 6, 40)
    problem = problems.convert(simulated, False, drift_sigma_m=None)
    return problems.with_slipped_board(simulated, problem, 2, 2.0, 0.0), (), ()


def _many_slipped_pairs() -> Given:
    """More than the largest fraction of outliers: no pair is to blame."""
    simulated = make_problem("fixed", 12, 41)
    problem = problems.convert(simulated, False, drift_sigma_m=None)
    rng = np.random.default_rng(41)
    for row in (1, 3, 4, 6, 9):
        slip_mm, slip_deg = float(rng.uniform(2, 6)), float(rng.uniform(0, 2))
        problem = problems.with_slipped_board(simulated, problem, row, slip_mm, slip_deg)
    return problem, (), ()


def _misprinted_board() -> Given:
    problem = _free("fixed", 12, 39)
    corners = problem.board_corners_m.copy()
    corners[np.linalg.norm(corners - corners[30], axis=1) < 0.045, 0] -= 1e-4
    return replace(problem, board_corners_m=corners), (), ()


def _creeping_board() -> Given:
    """Steadily, by 1 mm and 0.1 deg from the first pair to the last."""
    simulated = make_problem("fixed", 12, 42)
    problem = problems.convert(simulated, False, drift_sigma_m=None)
    for row in range(12):
        share = 1 - row / 11
        problem = problems.with_slipped_board(simulated, problem, row, 1.0 * share, 0.1 * share)
    return problem, (), ()


def _bent_arm() -> Given:
    """An error of two millimetres that varies smoothly with the position of the flange."""
    problem = _free("arm", 16, 43)
    pairs = []
    for pair in problem.pairs:
        x, y, z = pair.base_T_flange[:3, 3]
        error = 2e-3 * np.array(
            [np.sin(3 * y), np.cos(2 * x), np.sin(4 * z), np.cos(3 * z), np.sin(2 * x), np.cos(4 * y)]
        )
        pairs.append(replace(pair, base_T_flange=pair.base_T_flange @ se3.exp(error)))
    return replace(problem, pairs=pairs), (), ()


def _weak_axis() -> Given:
    """Six times the noise along one axis of the flange."""
    problem = _free("fixed", 20, 44)
    errors = 6e-4 * np.random.default_rng(44).normal(size=20)
    pairs = [
        replace(pair, base_T_flange=pair.base_T_flange @ se3.exp(np.array([0, 0, error, 0, 0, 0])))
        for pair, error in zip(problem.pairs, errors, strict=True)
    ]
    return replace(problem, pairs=pairs), (), ()


def _slips_on_a_bent_arm() -> Given:
    problem, _, _ = _bent_arm()
    simulated = make_problem("arm", 16, 43)
    slipped = problems.with_slipped_board(simulated, problem, 4, 12.0, 1.0)
    return problems.with_slipped_board(simulated, slipped, 11, 5.0, 0.2), (), ()


def _tool_changed(at: int, pairs: int) -> Given:
    problem = _free("fixed", pairs, 46)
    tool = se3.exp(np.array([0.09, 0.0, 0.08, 0.3, 0.2, 0.4]))
    return (
        replace(
            problem,
            pairs=[
                replace(pair, base_T_flange=pair.base_T_flange @ tool) if pair.index >= at else pair
                for pair in problem.pairs
            ],
        ),
        (),
        (),
    )


def _swapped(pairs: int) -> Given:
    problem = _free("arm", pairs, 47)
    first, second = problem.pairs[1], problem.pairs[4]
    problem = problems.with_pair(problem, 1, ids=second.ids, corners_px=second.corners_px)
    return problems.with_pair(problem, 4, ids=first.ids, corners_px=first.corners_px), (), ()


def _half_turned() -> Given:
    problem = _free("fixed", 8, 48)
    for row in (2, 5):
        ids = len(problem.board_corners_m) - 1 - problem.pairs[row].ids
        problem = problems.with_pair(problem, row, ids=ids)
    return problem, (), ()


def _other_pose_format() -> Given:
    problem = _free("fixed", 7, 49)
    sent, stated = PoseFormat("mm", "euler-XYZ"), PoseFormat("mm", "euler-ZYX")
    pairs = []
    for pair in problem.pairs:
        numbers = sent.to_fields(pair.base_T_flange)
        pairs.append(replace(pair, base_T_flange=stated.to_matrix(list(numbers)), fields=tuple(numbers)))
    return replace(problem, pairs=pairs, pose_convention=PoseConvention(stated)), (), ()


def _other_lens(change: dict[str, float]) -> Given:
    problem = _free("arm", 10, 50)
    camera = replace(problem.camera, distortion=np.zeros(5))
    return replace(problem, camera=camera.perturbed(change)), (), ()


def _focus_creeping() -> Given:
    simulated = make_problem("arm", 12, 51)
    problem = problems.convert(simulated, False, drift_sigma_m=None)
    for row in range(12):
        matrix = simulated.lens.matrix.copy()
        matrix[:2, :2] *= 1 - 0.006 * row / 11
        lens = replace(simulated.lens, matrix=matrix)
        corners = simulated.board_corners_m[simulated.corner_ids[row]]
        noise = simulated.corners_px[row] - simulated.corners_px_true[row]
        seen = lens.project(transform_points(simulated.camera_T_board_true[row], corners)) + noise
        problem = problems.with_pair(problem, row, corners_px=seen)
    return problem, (), ()


def _long_session() -> Given:
    """More pairs than searches and covariances use, two of them slipped."""
    simulated = make_problem("arm", 62, 45)
    problem = problems.convert(simulated, False, drift_sigma_m=None)
    for row, slip_mm in ((9, 1.0), (40, 4.0)):
        problem = problems.with_slipped_board(simulated, problem, row, slip_mm, 0.1)
    return problem, (), ()


CASES: dict[str, Callable[[], Given]] = {
    "checks": _with_checks,
    "few pairs": lambda: (_free("arm", 4, 20), (), ()),
    "lens sigmas": _with_lens_sigmas,
    "understated noise": _understated_noise,
    "stale pose": lambda: (problems.with_stale_pose(_free("fixed", 10, 32), 4), (), ()),
    "stale image": lambda: (problems.with_neighbours_image(_free("arm", 10, 33), 4), (), ()),
    "slipped pair": _slipped_pair,
    "insignificant slip": _insignificant_slip,
    "many slipped pairs": _many_slipped_pairs,
    "moved board": _moved_board,
    "creeping board": _creeping_board,
    "bent arm": _bent_arm,
    "weak axis": _weak_axis,
    "slips on a bent arm": _slips_on_a_bent_arm,
    "long session": _long_session,
    "tool changed": lambda: _tool_changed(5, 9),
    "tool changed among few pairs": lambda: _tool_changed(3, 6),
    "swapped images": lambda: _swapped(10),
    "swapped images of few pairs": lambda: _swapped(6),
    "half-turned images": _half_turned,
    "other pose format": _other_pose_format,
    "already undistorted": lambda: _other_lens({"k1": 0.03}),
    "other principal point": lambda: _other_lens({"cx": 25.0, "cy": -12.0}),
    "focus creeping": _focus_creeping,
    "board scale": _board_scale,
    "focal length": _focal_length,
    "focus change": _focus_change,
    "outlier corners": _outlier_corners,
    "misprinted board": _misprinted_board,
    "shifted pairs": _shifted,
    "other mount": _swapped_mount,
    "coarse poses": _coarse_poses,
    "too little rotation": lambda: (problems.rotating_only_about("arm", (0.3, 0.1, 1.0), 25.0, 6, 3)[0], (), ()),
    "vertical, height open": lambda: _vertical("arm", 34, None, 0),
    "vertical, height stated": lambda: _vertical("fixed", 35, 0.2, 4),
    "vertical, height touched": lambda: _vertical("arm", 36, None, 4, stated=True),
    "touched, fixed": lambda: _touched("fixed", 37),
    "touched, arm": lambda: _touched("arm", 38),
}


def figures(outcome: Solution | Refusal) -> dict[str, Any]:
    """Everything in an outcome but its sentences, as plain JSON values."""
    found: dict[str, Any] = {"kind": type(outcome).__name__}
    for field in fields(outcome):
        if field.name in ("message", "remedy"):
            continue
        value = getattr(outcome, field.name)
        if field.name == "findings":
            found["findings"] = [[str(f.code), str(f.severity), _plain(f.evidence)] for f in value]
        elif field.name == "unobservable":
            found["unobservable"] = len(value)
        elif field.name == "excluded":
            found["excluded"] = [pair.pair for pair in value]
        elif field.name == "error_map":
            found["error_map"] = _plain(value.p95_mm[::2, ::4, ::4])
        elif field.name == "covariance":
            found["covariance"] = _plain(value)
        else:
            found[field.name] = _plain(value)
    return found


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, dict):
        return {str(name): _plain(one) for name, one in value.items()}
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, Enum):
        return str(value.value)
    if isinstance(value, bool) or value is None or isinstance(value, str):
        return value
    # Eight digits: far more than the comparison uses.
    return float(f"{float(value):.8g}")


def solved(name: str) -> dict[str, Any]:
    """The figures of a case, solved now."""
    return figures(solve(*CASES[name]()))


if __name__ == "__main__":
    FILE.parent.mkdir(exist_ok=True)
    lines = [f"{json.dumps(name)}: {json.dumps(solved(name))}" for name in CASES]
    FILE.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")
