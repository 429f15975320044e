"""The expected pick error: true for arms with white noise, wider for arms with pose-correlated errors."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.calibration.problem import RobotNoise
from eyebolt.calibration.robust.correlated_errors import pose_correlation
from eyebolt.calibration.solution import Solution
from eyebolt.calibration.solve import solve
from eyebolt.calibration.uncertainty.expected_error import pooled_summary
from eyebolt.geometry import se3 as se3
from eyebolt_sim.problems import make_problem
from support import long_forms


@long_forms.seeds(5, 10)
def test_white_arms_pick_within_the_stated_error(cases, seeds):
    """An independent walk through the same arm: SciPy rotations, plain matrices."""
    inside = []
    for seed in seeds:
        simulated = make_problem("fixed", 15, seed)
        outcome = solve(cases.convert(simulated, False))
        rng = np.random.default_rng(seed)
        tip = outcome.Y[:3, 3]
        errors = []
        for pose in simulated.base_T_flange_true:
            scatter = np.eye(4)
            scatter[:3, :3] = Rotation.from_rotvec(rng.normal(size=3) * np.deg2rad(0.02)).as_matrix()
            scatter[:3, 3] = rng.normal(size=3) * 1e-4
            command = pose[:3, :3] @ tip + pose[:3, 3]
            seen = np.linalg.inv(outcome.X) @ [*command, 1.0]
            thing = (simulated.hand_eye_true @ seen)[:3]
            stands = pose @ scatter
            errors.append(np.linalg.norm(stands[:3, :3] @ tip + stands[:3, 3] - thing) * 1e3)
        inside.append(np.mean(np.array(errors) <= outcome.expected_pick_error_mm.p95))
    assert 0.9 < np.mean(inside) <= 1.0


@long_forms.seeds(2, 8)
@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_picks_of_arms_with_wrong_geometry_are_covered_better_than_scatter_alone_would(bench, mount, seeds):
    """A few arms here; the bench has the figures for 200."""
    stated, alone = [], []
    for seed in seeds:
        cell = bench.session(mount, 12, seed, bench.KINEMATIC)
        outcome = solve(cell.problem)
        assert isinstance(outcome, Solution)
        errors = bench.pick_errors_mm(cell, outcome.X, outcome.Y)
        known = RobotNoise(outcome.robot_noise_mm / 1e3, float(np.deg2rad(outcome.robot_noise_deg)))
        white = solve(replace(cell.problem, robot_noise=known))
        stated.append(np.mean(errors <= outcome.expected_pick_error_mm.p95))
        alone.append(np.mean(errors <= white.expected_pick_error_mm.p95))
    print(f"{mount}: {np.mean(stated):.3f} within the stated p95, {np.mean(alone):.3f} with scatter alone")
    assert np.mean(stated) > 0.8
    assert np.mean(stated) > np.mean(alone)


def test_the_pick_is_never_stated_better_than_the_scatter_allows(cases):
    outcome = solve(cases.convert(make_problem("fixed", 40, 1)))
    # Three axes of 0.1 mm: 95 % lie within 2.8 sigma (chi distribution with three degrees of freedom).
    assert outcome.expected_pick_error_mm.p95 > 0.95 * 0.1 * 2.795


def test_correlation_is_one_at_home_and_a_covariance_anywhere():
    rng = np.random.default_rng(4)
    poses = se3.exp(rng.normal(size=(30, 6)) * [0.5, 0.5, 0.5, 2.0, 2.0, 2.0])
    kernel = pose_correlation(poses, poses)
    assert np.allclose(np.diagonal(kernel), 1.0)
    assert np.linalg.eigvalsh(kernel).min() > -1e-12


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_a_statement_of_the_scatter_that_the_pairs_contradict_does_not_make_the_pick_better(cases, mount):
    problem = cases.convert(make_problem(mount, 15, 2, 0.1, 1.0, 0.2), False)
    outcome = solve(replace(problem, robot_noise=RobotNoise(5e-5, float(np.deg2rad(0.01)))))
    assert isinstance(outcome, Solution)
    assert outcome.expected_pick_error_mm.p95 > outcome.expected_error_mm.p95


def test_the_worst_point_is_never_better_than_all_points_together():
    # Alike points, as the picks of a fixed camera are nearly: the quantile of one point's draws is a step lower.
    draws = np.linspace(0.001, 0.256, 256)
    summary = pooled_summary(np.tile(draws, (10, 1)))
    assert summary.p95 > 1e3 * float(np.quantile(draws, 0.95))
    assert summary.worst_p95 == summary.p95
