"""Draws, quantiles and geometry behind the expected errors: against SciPy and NumPy, and their stated numbers."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import chi, norm

from eyebolt.calibration.estimation import joint_estimate
from eyebolt.calibration.robust import pose_correlation
from eyebolt.calibration.uncertainty.expected_error import (
    XPosterior,
    _squared_displacements,
    _standard_draws,
    p95_upper_of_covariance,
    pooled_summary,
    root_of,
    root_quantile,
    standard_normal,
)
from eyebolt.calibration.uncertainty.pick_error import (
    _MODES,
    _ArmAt,
    _Components,
    _many_normals,
    _pick_geometry,
    _PickGeometry,
    _picks_of_one_result,
    _rotation_onto,
    _squared_errors,
    _tilt_rad,
)
from eyebolt.calibration.uncertainty.transform_error import TransformError
from eyebolt.geometry import FlangeRotation, PickPose, se3
from eyebolt_sim.problems import make_problem
from support.problems import convert, observations_of


@pytest.fixture(scope="module", params=["fixed", "arm"])
def estimate(request):
    """A problem of twelve pairs, its estimate, and the reported poses."""
    simulated = make_problem(request.param, 12, 2)
    problem = convert(simulated, False)
    joint = joint_estimate(
        problem, observations_of(problem), simulated.hand_eye_true, simulated.nuisance_true, posterior=False
    )
    return problem, joint, simulated.base_T_flange_reported


def test_quasi_random_points_are_multiples_of_the_golden_ratio():
    """In one dimension of the inverse of the golden ratio, in two of that of the plastic number 1.32472 (Roberts)."""
    n = np.arange(1, 6)
    golden = norm.ppf((0.5 + n * (np.sqrt(5) - 1) / 2) % 1)
    assert standard_normal(5, 1)[:, 0] == pytest.approx(golden)
    plastic = 1.324717957244746
    expected = norm.ppf((0.5 + n[:, None] * np.array([1 / plastic, 1 / plastic**2])) % 1)
    assert standard_normal(5, 2) == pytest.approx(expected)
    assert _standard_draws().shape == (512, 7)


def test_the_points_of_many_dimensions_are_multiples_of_roots_of_primes():
    """Six of X, three directions of 16 modes and a constant for translation and rotation, and the class: 109 primes."""
    points = _many_normals()
    assert points.shape == (512, 6 + 2 * 3 * 17 + 1)
    primes = [p for p in range(2, 600) if all(p % d for d in range(2, p))][:109]
    assert points[4] == pytest.approx(norm.ppf((0.5 + 5 * np.sqrt(primes)) % 1))


@pytest.mark.parametrize("share", [0.05, 0.5, 0.95])
def test_quantiles_of_roots_are_those_of_numpy(share):
    squares = np.random.default_rng(1).uniform(size=(3, 41)) ** 2
    expected = np.quantile(np.sqrt(squares), share, axis=-1)
    assert root_quantile(squares.copy(), share) == pytest.approx(expected)


def test_displacements_are_those_of_small_motions():
    rng = np.random.default_rng(2)
    draws, grid = rng.normal(size=(7, 6)), rng.normal(size=(5, 3))
    moved = draws[None, :, :3] + np.cross(draws[None, :, 3:], grid[:, None])
    assert _squared_displacements(draws, grid) == pytest.approx((moved**2).sum(axis=-1), rel=1e-5)


def test_the_columns_of_a_root_are_displacements_the_largest_first(estimate):
    problem, joint, _ = estimate
    covariance = joint.fits.covariance[0][:6, :6]
    root = root_of(problem, covariance)
    assert root @ root.T == pytest.approx(covariance, abs=1e-12 * np.trace(covariance))
    sizes = np.diagonal(root.T @ problem.displacement_metric @ root)
    assert (np.diff(sizes) < 0).all()


def test_the_bound_of_a_translation_alone_is_its_quantile(estimate):
    """An error along one axis displaces every point alike: 1.96 sigma."""
    problem, _, _ = estimate
    covariance = np.zeros((6, 6))
    covariance[0, 0] = 1e-8
    assert p95_upper_of_covariance(problem, covariance) == pytest.approx(0.1 * norm.isf(0.025), rel=0.01)


def test_a_summary_is_in_millimetres():
    squares = np.array([[1.0, 4.0, 9.0, 16.0, 25.0], [4.0, 16.0, 36.0, 64.0, 100.0]]) * 1e-6
    found = pooled_summary(squares.copy(), 0.0123)
    roots = np.sqrt(squares) * 1e3
    assert found.median == pytest.approx(np.median(roots))
    assert found.p95 == pytest.approx(np.quantile(roots, 0.95))
    assert found.worst_p95 == pytest.approx(np.quantile(roots[1], 0.95))
    assert found.p95_upper == pytest.approx(12.3)


def test_the_posterior_of_X_is_a_mixture_with_and_without_correlated_errors(estimate):
    """Their probability is that of the pairs; those with correlated errors share it and have the common mean."""
    problem, _, _ = estimate
    rng = np.random.default_rng(3)
    means, correlated = rng.normal(size=(2, 18)), np.stack([2 * np.eye(6), 3 * np.eye(6)])
    covariances = np.stack([np.eye(18), 4 * np.eye(18)])
    joint = SimpleNamespace(weights=np.array([0.25, 0.75]), means=means, covariances=covariances)
    asked = []

    def probability(range_m):
        asked.append(range_m)
        return 0.4

    X_error = SimpleNamespace(
        variances=SimpleNamespace(correlated_probability=probability), correlated_covariances=lambda metric: correlated
    )
    found = XPosterior.of(problem, joint, X_error)
    assert asked == [problem.correlated_error_range_m]
    assert found.weights == pytest.approx([0.15, 0.45, 0.2, 0.2])
    mean = 0.25 * means[0, :6] + 0.75 * means[1, :6]
    assert found.means == pytest.approx(np.stack([means[0, :6], means[1, :6], mean, mean]))
    assert found.covariances == pytest.approx(np.stack([np.eye(6), 4 * np.eye(6), 2 * np.eye(6), 3 * np.eye(6)]))
    # Moments of a mixture: the mean covariance and the covariance of the means.
    apart = means[:, :6] - mean
    spread = 0.15 * np.outer(apart[0], apart[0]) + 0.45 * np.outer(apart[1], apart[1])
    assert found.covariance == pytest.approx((0.15 + 0.45 * 4 + 0.2 * 2 + 0.2 * 3) * np.eye(6) + spread)


def test_draws_of_the_posterior_have_its_moments(estimate):
    """Two components far apart, by their weights."""
    problem, _, _ = estimate
    covariance = np.diag([1e-8, 2e-8, 3e-8, 1e-8, 2e-8, 3e-8])
    means = np.array([[0.0] * 6, [1.0] * 6])
    found = XPosterior(np.array([0.3, 0.7]), means, np.stack([covariance, 4 * covariance])).draws(problem)
    assert found.shape == (512, 6)
    far = found[:, 0] > 0.5
    assert far.mean() == pytest.approx(0.7, abs=0.01)
    assert np.std(found[far] - 1, axis=0) == pytest.approx(2 * np.sqrt(np.diagonal(covariance)), rel=0.15)
    assert np.std(found[~far], axis=0) == pytest.approx(np.sqrt(np.diagonal(covariance)), rel=0.2)


@pytest.mark.parametrize(
    ("start", "end"),
    [((0, 0, 1), (0, 1, 0)), ((0.6, 0, 0.8), (0, 0, -1)), ((0, 0, 1), (0, 0, -1)), ((0, 0, 1), (0, 0, 1)),
     ((0, 1, 0), (0, -1, 0))],
)  # fmt: skip
def test_the_smallest_rotation_of_one_axis_onto_another(start, end):
    start, end = np.array(start, dtype=float), np.array(end, dtype=float)
    rotation = _rotation_onto(start, end)
    assert rotation @ start == pytest.approx(end)
    assert se3.rotation_angle(rotation) == pytest.approx(np.arccos(start @ end), abs=1e-7)


def test_errors_have_the_covariances_of_their_classes():
    """Half of the draws of a pick in each of two classes; lengths against SciPy's chi distribution."""
    covariances = np.stack([np.tile(1e-8 * np.eye(3), (40, 1, 1)), np.tile(9e-8 * np.diag([1.0, 0, 0]), (40, 1, 1))])
    squares = _squared_errors(covariances)
    assert squares.shape == (40, 256)
    halves = squares[0, :128], squares[0, 128:]
    assert np.quantile(np.sqrt(halves[0]), 0.5) == pytest.approx(1e-4 * chi(3).median(), rel=0.1)
    assert np.quantile(np.sqrt(halves[1]), 0.5) == pytest.approx(3e-4 * chi(1).median(), rel=0.15)
    assert (squares == squares[0]).all()


def test_the_variances_of_a_pick_add_up():
    """With an exact X there remain the white errors of the arm, and the correlated ones, which X shares."""
    constant, by_variance = np.full((2, 3, 3), 5.0), np.arange(4.0)[:, None, None, None] * np.ones((4, 2, 3, 3))
    components = _Components(constant, by_variance, np.stack([np.full((2, 3, 3), 0.1), np.full((2, 3, 3), 0.2)]))
    assert components.at(np.array([[1.0, 2, 3, 4], [0, 0, 0, 1]]))[:, 0, 0, 0].tolist() == [5 + 2 + 6 + 12, 5 + 3]
    assert components.remaining_at(np.array([1.0, 2, 3, 4]))[0, 0, 0] == pytest.approx(0.1 + 0.4 + 6 + 12)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_arm_displaces_a_point_by_its_error(sign):
    """A small motion of the flange (central differences)."""
    pose = se3.exp(np.array([0.3, 0.1, 0.5, 0.4, -0.2, 0.7]))
    point = np.array([0.1, -0.05, 0.2])
    found = _ArmAt.of(pose[None], point[None], sign)
    for k, step in enumerate(1e-6 * np.eye(6)):
        ends = [(pose @ se3.exp(s) @ np.append(point, 1.0))[:3] for s in (step, -step)]
        assert found.jacobian[0, :, k] == pytest.approx(sign * (ends[0] - ends[1]) / 2e-6, abs=1e-8)
    part = slice(3, 6)
    assert found.in_axes(part)[0] == pytest.approx(found.jacobian[0][:, part] @ found.axes[0])
    assert found.square(part)[0] == pytest.approx(found.jacobian[0][:, part] @ found.jacobian[0][:, part].T)


def test_picks_at_ten_waypoints_and_twelve_points_of_each(estimate):
    """With the camera on the arm; a fixed one sees the tip, which is where the board is unless a tool is stated."""
    problem, joint, reported = estimate
    tool = (0.01, 0.02, 0.15)
    for stated, tip in ((None, joint.Y[:3, 3] if problem.mount == "fixed" else np.zeros(3)), (tool, tool)):
        pick = replace(problem.pick, pose=PickPose.WAYPOINTS, tool_m=stated)
        found = _pick_geometry(replace(problem, pick=pick), joint, reported)
        assert len(found.picks) == (10 if problem.mount == "fixed" else 120)
        assert found.tips == pytest.approx(np.broadcast_to(tip, found.tips.shape))
        objects = found.views @ joint.X if problem.mount == "arm" else np.broadcast_to(joint.X, found.views.shape)
        seen = se3.apply(objects, found.points[:, None])[:, 0]
        assert seen == pytest.approx(se3.apply(found.picks, found.tips[:, None])[:, 0])
        if problem.mount == "arm":
            assert found.picks[:, :3, :3] == pytest.approx(found.views[:, :3, :3])


def test_picks_straight_down_are_within_a_tenth_beyond_the_reach(estimate):
    """Of the farthest waypoint; each is turned by a golden angle, 137.5 deg, more than the one before."""
    problem, joint, reported = estimate
    down = replace(problem, pick=replace(problem.pick, pose=PickPose.DOWN, tool_m=None))
    found = _pick_geometry(down, joint, reported)
    limit = 1.1 * np.linalg.norm(reported[:, :3, 3], axis=1).max()
    reach = np.linalg.norm(found.picks[:, :3, 3], axis=1)
    assert (reach <= limit).all()
    assert problem.mount == "arm" or len(found.picks) <= 48
    turn = found.picks[1, :3, :3] @ found.picks[0, :3, :3].T
    assert np.rad2deg(se3.rotation_angle(turn)) == pytest.approx(137.50776, abs=1e-4)
    # Nothing within reach: all of them.
    near = reported.copy()
    near[:, :3, 3] *= 1e-3
    if problem.mount == "fixed":
        assert len(_pick_geometry(down, joint, near).picks) == 48


def test_an_arm_with_a_vertical_axis_picks_as_it_is_upright(estimate):
    problem, joint, reported = estimate
    upright = replace(
        problem,
        flange_rotation=FlangeRotation.VERTICAL,
        pick=replace(problem.pick, pose=PickPose.DOWN, axis=(1.0, 0.0, 0.0)),
    )
    found = _pick_geometry(upright, joint, reported)
    assert found.picks[0, :3, :3] == pytest.approx(reported[0, :3, :3])


def test_picks_that_are_spread_are_48_at_most():
    q = 130
    geometry = _PickGeometry(np.arange(q), np.arange(q), np.arange(q), np.arange(q))
    found = geometry.spread()
    assert (len(found.tips), found.tips[0], found.tips[-1]) == (48, 0, 129)
    assert (found.views == found.tips).all() and (found.picks == found.tips).all()


def test_the_tilt_is_the_smallest_rotation_to_a_waypoint_that_a_typical_pick_needs():
    """The median over three picks, of which each has the nearer one of two waypoints."""
    axis = (0.0, 0.0, 1.0)
    tilted = [se3.exp(np.array([0, 0, 0, np.deg2rad(angle), 0, 0])) for angle in (0, 10, 25, 45, 30)]
    geometry = SimpleNamespace(picks=np.stack(tilted[1:4]))
    problem = SimpleNamespace(pick=SimpleNamespace(axis=axis))
    found = _tilt_rad(problem, geometry, np.stack([tilted[0], tilted[4]]))
    # 10, 5 and 15 deg.
    assert np.rad2deg(found) == pytest.approx(10.0)


def test_the_bound_is_that_of_512_results_of_four_picks_each(estimate):
    """Of white errors alone: three axes of 0.2 mm at every pick (SciPy)."""
    problem, joint, reported = estimate
    X_error = TransformError.of(joint, reported)
    exact = replace(X_error, constant=np.zeros((6, 6)), by_white=np.zeros((2, 6, 6)))
    pick = replace(problem.pick, pose=PickPose.DOWN, tool_m=None)
    geometry = _pick_geometry(replace(problem, pick=pick), joint, reported).spread()
    together = _picks_of_one_result(joint, exact, geometry, problem.mount)
    squares = together.squared_errors(problem, np.array([[4e-8, 0.0, 0.0, 0.0]]))
    assert squares.shape == (512, 4 * len(geometry.tips))
    # With the camera on the arm it errs at the image as well.
    sigma_m = 2e-4 if problem.mount == "fixed" else 2e-4 * np.sqrt(2)
    assert np.sqrt(np.quantile(squares, 0.95)) == pytest.approx(sigma_m * chi(3).isf(0.05), rel=0.05)
    # Correlated ones alone, constant in the flange frame: half the size is a quarter of the variance.
    squares = together.squared_errors(problem, np.array([[0.0, 0.0, 4e-8, 0.0]]))
    expected = (np.concatenate(together.correlated, axis=1)[:, : together.correlated[0].shape[1]] ** 2).sum() * 4e-8
    assert squares.mean() == pytest.approx(expected / len(geometry.tips), rel=0.05)


def test_the_modes_of_the_correlated_error_are_996_thousandths_of_it(estimate):
    """Poses of pairs, images and picks of a session."""
    problem, joint, reported = estimate
    geometry = _pick_geometry(replace(problem, pick=replace(problem.pick, pose=PickPose.DOWN)), joint, reported)
    poses = np.concatenate([reported, geometry.spread().picks])
    values = np.linalg.eigvalsh(pose_correlation(poses, poses))[::-1]
    assert values[:_MODES].sum() / values.sum() > 0.996
