"""Outliers are excluded, and nothing else."""

from dataclasses import replace

import numpy as np
import pytest

from eyebolt.calibration.problem import STATED_NOISE_DOF, RobotNoise
from eyebolt.calibration.robust import is_minority
from eyebolt.calibration.solution import Solution
from eyebolt.calibration.solve import solve
from eyebolt_sim.problems import make_problem
from eyebolt_sim.transforms import exp_se3
from support import long_forms

ROW = 6


def inject(cases, fault, simulated, problem):
    if fault == "stale-pose":
        return cases.with_stale_pose(problem, ROW)
    if fault == "neighbours-image":
        return cases.with_neighbours_image(problem, ROW)
    return cases.with_slipped_board(simulated, problem, ROW, slip_mm=2.0, slip_deg=1.0)


@long_forms.seeds(1, 2)
@long_forms.crossed_with_noise(
    {"fault": ["stale-pose", "slipped-board", "neighbours-image"], "mount": ["fixed", "arm"]}
)
def test_one_outlier_among_fifteen_is_excluded_and_nothing_else(cases, bound, mount, stated, fault, seeds):
    for seed in seeds:
        simulated = make_problem(mount, 15, seed)
        problem = cases.convert(simulated, stated, drift_sigma_m=None)
        solution = solve(inject(cases, fault, simulated, problem))
        assert isinstance(solution, Solution)
        assert [p.pair for p in solution.excluded] == [ROW], f"seed {seed}: {solution.excluded}"
        assert "disagree with the other pairs by" in solution.excluded[0].reason
        assert solution.pairs_used == 14
        points = bound.working_points(simulated)
        errors = bound.errors_mm(solution.X, simulated, points)
        assert errors.mean() < 2 * solution.expected_error_mm.p95


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_the_reason_states_the_distance_of_the_outlier(cases, mount):
    simulated = make_problem(mount, 15, 1)
    problem = cases.convert(simulated, drift_sigma_m=None)
    reason = solve(cases.with_slipped_board(simulated, problem, ROW, 5.0, 0.0)).excluded[0].reason
    millimetres = float(reason.split(" by ")[1].split(" mm")[0])
    assert millimetres == pytest.approx(5.0, abs=1.5)


@long_forms.seeds(1, 2)
@long_forms.first("mount", ["fixed", "arm"])
def test_three_outliers_of_different_kinds_among_fifteen(cases, mount, seeds):
    for seed in seeds:
        simulated = make_problem(mount, 15, seed)
        problem = cases.convert(simulated, include_robot_noise=False, drift_sigma_m=None)
        problem = cases.with_stale_pose(problem, 3)
        problem = cases.with_neighbours_image(problem, 8)
        problem = cases.with_slipped_board(simulated, problem, 12, 3.0, 2.0)
        solution = solve(problem)
        assert isinstance(solution, Solution)
        assert [p.pair for p in solution.excluded] == [3, 8, 12], f"seed {seed}: {solution.excluded}"


@long_forms.seeds(4, 8)
@long_forms.first("mount", ["arm", "fixed"])
def test_clean_sets_of_few_pairs_rarely_lose_one(cases, mount, seeds):
    """Nominally 2 sets in 1000; measured on 900 others: 3 in 1000 of noise stated, 7 of noise estimated."""
    losses = []
    for seed in seeds:
        for poses, stated in ((5, True), (8, False)):
            solution = solve(cases.convert(make_problem(mount, poses, seed), stated, drift_sigma_m=None))
            assert isinstance(solution, Solution)
            assert len(solution.excluded) <= 1
            losses.extend(solution.excluded)
    assert len(losses) <= len(seeds) // 8, losses


@long_forms.first("mount", ["fixed", "arm"])
def test_a_wrong_stated_noise_excludes_no_pair_and_widens_the_error(cases, bound, mount):
    """Robot noise stated five times too small: no pair is an outlier, and the expected error still covers."""
    covered, wider = [], []
    for seed in range(4):
        simulated = make_problem(mount, 15, seed, robot_noise_mm=0.5, robot_noise_deg=0.1)
        problem = cases.convert(simulated, drift_sigma_m=None)
        stated = RobotNoise(1e-4, float(np.deg2rad(0.02)))
        wrong = solve(replace(problem, robot_noise=stated, robot_noise_dof=STATED_NOISE_DOF))
        right = solve(problem)
        assert isinstance(wrong, Solution)
        assert wrong.excluded == (), f"seed {seed}: {wrong.excluded}"
        assert wrong.robot_noise_mm > 0.4
        errors = bound.errors_mm(wrong.X, simulated, bound.working_points(simulated))
        covered.append(np.mean(errors < wrong.expected_error_mm.p95))
        wider.append(wrong.expected_error_mm.p95 / right.expected_error_mm.p95)
    print(f"{mount}: {np.mean(covered):.2f} inside; p95 against the one of the true statement: {np.round(wider, 2)}")
    assert np.mean(covered) > 0.8
    assert all(0.5 < w < 2.0 for w in wider)


@long_forms.first("mount", ["arm", "fixed"])
def test_the_error_follows_the_stated_noise_without_a_step(cases, mount):
    """A statement a little larger never makes the error smaller, nor larger by more than itself."""
    problem = cases.convert(make_problem(mount, 12, 4), drift_sigma_m=None)
    factors = np.geomspace(0.1, 10, 15)
    p95_mm = []
    for factor in factors:
        stated = RobotNoise(1e-4 * factor, float(np.deg2rad(0.02)) * factor)
        solution = solve(replace(problem, robot_noise=stated, robot_noise_dof=STATED_NOISE_DOF))
        assert solution.excluded == ()
        assert solution.robot_noise_stated
        p95_mm.append(solution.expected_error_mm.p95)
    growth = np.diff(np.log(p95_mm)) / np.diff(np.log(factors))
    assert (growth > -0.02).all(), growth
    assert (growth < 1.0).all(), growth
    # Three degrees of freedom against 30 of the pairs: five times too small a statement changes the error by a tenth.
    assert p95_mm[3] / p95_mm[7] == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize(("mount", "seed"), [("fixed", 1), ("fixed", 2), ("arm", 1)])
def test_two_outliers_that_mask_each_other_are_found_among_seven(cases, mount, seed):
    """One at a time neither stands out: each inflates the noise by which the other is judged."""
    simulated, rng = make_problem(mount, 7, seed), np.random.default_rng(seed)
    reported = simulated.base_T_flange_reported.copy()
    for row in (2, 5):
        xi = rng.normal(size=6) * np.repeat([1e-3, np.deg2rad(0.2)], 3)
        reported[row] = reported[row] @ exp_se3(xi[:3], xi[3:])
    solution = solve(cases.convert(replace(simulated, base_T_flange_reported=reported), False))
    assert [p.pair for p in solution.excluded] == [2, 5]


@pytest.mark.parametrize(
    ("mount", "pairs", "rows", "seed"), [("fixed", 12, (6, 7, 8), 0), ("arm", 20, (2, 5, 6, 14, 17), 9)]
)
def test_a_quarter_of_slipped_pairs_is_found(cases, mount, pairs, rows, seed):
    """Alike slips inflate the noise: the residuals of all pairs are no more dispersed than those of clean pairs."""
    simulated = make_problem(mount, pairs, seed)
    problem = cases.convert(simulated, include_robot_noise=False, drift_sigma_m=None)
    for row in rows:
        problem = cases.with_slipped_board(simulated, problem, row, slip_mm=1.5, slip_deg=0.0)
    assert [p.pair for p in solve(problem).excluded] == list(rows)


@pytest.mark.parametrize(("inliers", "pairs", "expected"), [(4, 8, False), (3, 8, True), (4, 9, True), (5, 9, False)])
def test_half_of_the_pairs_are_no_minority(inliers, pairs, expected):
    assert is_minority(inliers, pairs) is expected
