"""The expected pick error: true for arms with white noise, wider for arms with pose-correlated errors."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.calibration.estimation import joint_estimate
from eyebolt.calibration.problem import RobotNoise
from eyebolt.calibration.robust.correlated_errors import (
    arm_axes,
    pose_correlation,
)
from eyebolt.calibration.solution import Solution
from eyebolt.calibration.solve import solve
from eyebolt.calibration.uncertainty.expected_error import p95_upper_m, pooled_summary
from eyebolt.calibration.uncertainty.pick_error import (
    _components,
    _pick_geometry,
    _picks_of_one_result,
)
from eyebolt.calibration.uncertainty.transform_error import TransformError
from eyebolt.geometry import PickPose, PickPosture
from eyebolt.geometry import se3 as se3
from eyebolt_sim.problems import make_problem
from support import long_forms


@long_forms.seeds(5, 10)
def test_white_arms_pick_within_the_stated_error(cases, seeds):
    """An independent walk through the same arm: SciPy rotations, plain matrices."""
    inside = []
    for seed in seeds:
        simulated = make_problem("fixed", 15, seed)
        outcome = solve(replace(cases.convert(simulated, False), pick=PickPosture(PickPose.WAYPOINTS)))
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


@long_forms.seeds(3, 12)
@long_forms.crossed({"mount": ["fixed", "arm"], "pose": list(PickPose)})
def test_picks_of_arms_with_wrong_geometry_are_within_the_stated_error(bench, mount, pose, seeds):
    """A few arms here; the bench has the figures for 200."""
    inside, transform = [], []
    for seed in seeds:
        cell = bench.session(mount, 12, seed, bench.KINEMATIC, pick=PickPosture(pose))
        outcome = solve(cell.problem)
        assert isinstance(outcome, Solution)
        down = pose is PickPose.DOWN
        errors = (
            bench.errors_of_picks_down_mm(cell, outcome.X) if down else bench.pick_errors_mm(cell, outcome.X, outcome.Y)
        )
        inside.append(np.mean(errors <= outcome.expected_pick_error_mm.p95))
        transform.append(np.mean(errors <= outcome.expected_error_mm.p95))
    print(
        f"{mount} {pose}: {np.mean(inside):.3f} within the stated p95, {np.mean(transform):.3f} within the transform's"
    )
    assert np.mean(inside) > 0.8
    assert np.mean(inside) > np.mean(transform)


def test_more_pairs_reduce_the_error_of_a_pick_to_what_the_arm_leaves(cases):
    few, many = (solve(cases.convert(make_problem("fixed", pairs, 3), False)) for pairs in (8, 40))
    for outcome in (few, many):
        assert outcome.remaining_pick_error_mm < outcome.expected_pick_error_mm.p95
    assert many.expected_pick_error_mm.p95 < few.expected_pick_error_mm.p95
    # Three axes of 0.1 mm remain: 95 % lie within 2.795 sigma (chi distribution with three degrees of freedom).
    assert many.remaining_pick_error_mm == pytest.approx(0.1 * 2.795, rel=0.2)


def test_a_longer_tool_makes_a_pick_worse(cases):
    problem = cases.convert(make_problem("fixed", 15, 2), False)
    p95_mm = [
        solve(replace(problem, pick=PickPosture(tool_m=tool_m))).expected_pick_error_mm.p95
        for tool_m in (None, (0.0, 0.0, 0.1), (0.0, 0.0, 0.5))
    ]
    assert p95_mm == sorted(p95_mm)
    assert p95_mm[2] > 1.2 * p95_mm[0]


@pytest.mark.parametrize("axis", [(0.0, 0.0, 1.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0)])
@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_the_tool_points_straight_down_and_its_tip_is_at_the_object(cases, mount, axis):
    simulated = make_problem(mount, 8, 1)
    problem = replace(cases.convert(simulated, False), pick=PickPosture(axis=axis, tool_m=(0.01, 0.02, 0.15)))
    observations = cases.observations_of(problem)
    joint = joint_estimate(problem, observations, simulated.hand_eye_true, simulated.nuisance_true)
    geometry = _pick_geometry(problem, joint, simulated.base_T_flange_reported)
    assert np.allclose(geometry.picks[:, :3, :3] @ axis, [0, 0, -1])
    tips = (geometry.picks[:, :3, :3] @ geometry.tips[..., None])[..., 0] + geometry.picks[:, :3, 3]
    camera = simulated.hand_eye_true if mount == "fixed" else geometry.views @ simulated.hand_eye_true
    objects = (np.broadcast_to(camera, geometry.picks.shape)[:, :3, :3] @ geometry.points[..., None])[..., 0]
    objects = objects + np.broadcast_to(camera, geometry.picks.shape)[:, :3, 3]
    assert np.allclose(tips, objects, atol=2e-3)
    headings = geometry.picks[:, :3, :3] @ np.roll(axis, 1)
    assert np.linalg.norm(headings.mean(axis=0)) < 0.3


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


def test_the_axes_of_the_arm_rotate_with_its_first_joint():
    rng = np.random.default_rng(4)
    poses = se3.exp(rng.normal(size=(5, 6)))
    turned = poses.copy()
    turn = se3.exp_rotation([0, 0, 0.8])
    turned[:, :3, :3], turned[:, :3, 3] = turn @ poses[:, :3, :3], poses[:, :3, 3] @ turn.T
    assert np.allclose(arm_axes(turned), arm_axes(poses))
    in_base = poses[:, :3, :3] @ arm_axes(poses)
    assert np.allclose(in_base @ np.swapaxes(in_base, -1, -2), np.eye(3))
    assert np.allclose(np.cross(in_base[:, :, 0], poses[:, :3, 3])[:, 2], 0)
    above_the_base = np.eye(4)
    assert np.isfinite(arm_axes(above_the_base[None])).all()


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_a_statement_of_the_scatter_that_the_pairs_contradict_does_not_make_the_pick_better(cases, mount):
    problem = cases.convert(make_problem(mount, 15, 2, 0.1, 1.0, 0.2), False)
    outcome = solve(replace(problem, robot_noise=RobotNoise(5e-5, float(np.deg2rad(0.01)))))
    assert isinstance(outcome, Solution)
    assert outcome.expected_pick_error_mm.p95 > outcome.expected_error_mm.p95


def test_the_worst_point_is_never_better_than_all_points_together():
    # Alike points, as the picks of a fixed camera are nearly: the quantile of one point's draws is a step lower.
    draws = np.linspace(0.001, 0.256, 256)
    summary = pooled_summary(np.tile(draws**2, (10, 1)), 0.0)
    assert summary.p95 > 1e3 * float(np.quantile(draws, 0.95))
    assert summary.worst_p95 == summary.p95 == summary.p95_upper


def test_the_bound_of_the_p95_is_that_of_the_results_and_not_of_single_points():
    """All points of a result err alike but for a fixed profile: quantiles of results and of points multiply."""
    rng = np.random.default_rng(1)
    results, profile = np.abs(rng.normal(size=4000)), rng.uniform(0.5, 1.5, size=200)
    errors = results[:, None] * profile
    expected = np.quantile(results, 0.95) * np.quantile(profile, 0.95)
    assert p95_upper_m(errors**2) == pytest.approx(expected, rel=1e-9)
    assert p95_upper_m(errors**2) > 1.1 * np.quantile(errors, 0.95)


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_the_picks_of_one_result_have_the_covariance_of_single_picks(cases, mount):
    simulated = make_problem(mount, 12, 1)
    problem = cases.convert(simulated, False)
    joint = joint_estimate(
        problem, cases.observations_of(problem), simulated.hand_eye_true, simulated.nuisance_true
    ).without_drift()
    reported = simulated.base_T_flange_reported
    X_error = TransformError.of(joint, reported)
    geometry = _pick_geometry(problem, joint, reported).spread()
    single = _components(joint, X_error, geometry, problem.mount)
    together = _picks_of_one_result(joint, X_error, geometry, problem.mount)
    variances = np.array([1e-4, 3e-4, 2e-4, 4e-4]) ** 2
    of_X = X_error.constant + np.tensordot(variances[:2], X_error.by_white, axes=1)
    found = together.by_X @ of_X @ np.swapaxes(together.by_X, -1, -2)
    found = found + np.tensordot(variances[:2], together.of_arm, axes=1)
    for root, variance in zip(together.correlated, variances[2:], strict=True):
        blocks = root.reshape(len(found), 3, -1)
        found = found + variance * blocks @ np.swapaxes(blocks, -1, -2)
    expected = single.constant + np.tensordot(variances, single.by_variance, axes=1)
    # The modes of the correlated part are not all of it.
    assert np.allclose(found, expected, rtol=0, atol=0.01 * np.trace(expected, axis1=1, axis2=2).mean())


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_the_bound_does_not_depend_on_rounding(cases, mount):
    problem = cases.convert(make_problem(mount, 10, 3), False)
    rounded = [replace(pair, corners_px=np.nextafter(pair.corners_px, np.inf)) for pair in problem.pairs]
    one, other = solve(problem), solve(replace(problem, pairs=tuple(rounded)))
    assert other.expected_pick_error_mm.p95_upper == pytest.approx(one.expected_pick_error_mm.p95_upper, rel=1e-6)
    assert other.remaining_pick_error_mm == pytest.approx(one.remaining_pick_error_mm, rel=1e-6)
