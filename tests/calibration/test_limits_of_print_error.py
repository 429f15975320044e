"""Errors of the print, variances of views and the steps of the estimate: definitions, and limits from both sides."""

from dataclasses import fields, replace
from importlib import import_module
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import polygamma
from scipy.stats import norm

from eyebolt.calibration.estimation import print_error
from eyebolt.calibration.estimation.linearization import (
    LinearFits,
    _invert_by_eigenvalues,
    _invert_regular,
    fit_linear,
    invert_information,
    invert_pose_covariance,
    linearize,
)
from eyebolt.calibration.estimation.print_error import (
    CornerDisplacement,
    _correlation,
    _homography_fields,
    _pose_like,
    estimate_print_error,
    views_agree,
)
from eyebolt.calibration.estimation.statistics import _inverse_trigamma, shrunk_variances
from eyebolt.calibration.problem import RobotNoise
from eyebolt.geometry import se3
from eyebolt.observations import PRINT_PARAMETERS, CornerField, linearize_corners
from eyebolt_sim.problems import make_problem
from support.problems import convert, observations_of

likelihood = import_module("eyebolt.calibration.estimation.maximum_likelihood")


@pytest.fixture(scope="module")
def views():
    """A problem of six views, its observations, and the corners linearised at the pose fits."""
    simulated = make_problem("fixed", 6, 3)
    problem = convert(simulated, False)
    observations = observations_of(problem)
    corners = observations.corners
    fit = linearize_corners(problem.camera, corners, observations.pose_fits.camera_T_board)
    return problem, observations, corners, fit, simulated


def test_a_part_of_the_views_has_its_own_part_of_the_displacement():
    rng = np.random.default_rng(1)
    whole = CornerDisplacement(
        rng.normal(size=(4, 5, 2)),
        rng.normal(size=(4, 5, 2, 3)),
        rng.normal(size=(4, 3, 3)),
        rng.normal(size=(4, 3)),
        7.0,
    )
    part = whole[np.array([0, 2])]
    assert part.dof == 7.0
    for one in fields(CornerDisplacement):
        if one.name != "dof":
            np.testing.assert_array_equal(getattr(part, one.name), getattr(whole, one.name)[[0, 2]])


@pytest.mark.parametrize(("deviation", "is_found"), [(1.01, True), (0.99, False)])
def test_views_agree_at_one_in_a_thousand(views, monkeypatch, deviation, is_found):
    """The sum of the products of the views over its standard deviation when their signs are drawn (SciPy)."""
    problem, observations, corners, fit, _ = views
    wanted = deviation * norm.isf(1e-3)
    parallel = np.zeros((20, 20))
    parallel[:, 0] = 1.0

    def statistic(own):
        products = own @ own.T
        apart = products - np.diag(np.diagonal(products))
        return apart.sum() / np.sqrt(2 * (apart**2).sum())

    # Views all alike: n (n - 1) products of 1.
    assert statistic(parallel) == pytest.approx(np.sqrt(20 * 19 / 2))
    noise = np.random.default_rng(2).normal(size=(20, 20))
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if statistic(middle * parallel + noise) > wanted else (middle, high)
    found = high * parallel + noise
    assert statistic(found) == pytest.approx(wanted, rel=1e-6)
    common = SimpleNamespace(without_nuisances=lambda: (found, None))
    monkeypatch.setattr(print_error, "_CommonField", SimpleNamespace(of=lambda *_: common))
    field = CornerField.of(problem.board_corners_m)
    assert views_agree(problem.camera, field, corners, fit, observations.corner_noise) is is_found


def test_the_correlation_of_errors_of_the_print_is_exponential():
    points = np.array([[0.0, 0.0], [0.03, 0.04], [0.1, 0.0]])
    found = _correlation(points, 0.05)
    assert found[0] == pytest.approx(np.exp([0.0, -1.0, -2.0]), abs=1e-8)
    assert _correlation(points, 0.0) == pytest.approx(np.eye(3))


def test_the_pose_like_part_of_errors_of_the_print_is_that_of_a_fit():
    """Of homographies to drawn errors by least squares (NumPy), independent ones and correlated ones."""
    x, y = np.meshgrid(np.linspace(-0.1, 0.1, 7), np.linspace(-0.07, 0.07, 5))
    corners = np.stack([x.ravel(), y.ravel(), np.zeros(35)], axis=1)
    field = CornerField.of(corners)
    design = _homography_fields(field, corners[:, :2])
    assert design.shape == (70, 8)
    assert design[:, 0].reshape(-1, 2) == pytest.approx(np.tile([1.0, 0.0], (35, 1)))
    turned = design[:, 2].reshape(-1, 2)
    assert turned == pytest.approx(np.stack([-corners[:, 1], corners[:, 0]], axis=1))
    rng = np.random.default_rng(3)
    for length in (0.0, 0.05):
        root = np.kron(np.linalg.cholesky(_correlation(corners[:, :2], length)), np.eye(2))
        drawn = 1e-4 * root @ rng.normal(size=(70, 20000))
        fitted = np.linalg.lstsq(design, drawn)[0][3:]
        found = _pose_like(field, corners[:, :2], 1e-4, length)
        assert list(found) == list(PRINT_PARAMETERS)
        assert list(found.values()) == pytest.approx(fitted.std(axis=1), rel=0.03)


@pytest.mark.parametrize("sigma_m", [3e-5, 1.2e-4])
def test_the_size_of_errors_of_the_print_is_estimated(sigma_m):
    """Independent errors of every corner, seen alike in eight views."""
    made = make_problem("fixed", 8, 3)
    rng = np.random.default_rng(4)
    problem = convert(made, False)
    displaced = np.zeros_like(problem.board_corners_m)
    displaced[:, :2] = sigma_m * rng.normal(size=(len(displaced), 2))
    problem = replace(problem, board_corners_m=problem.board_corners_m + displaced)
    observations = observations_of(problem)
    fit = linearize_corners(problem.camera, observations.corners, observations.pose_fits.camera_T_board)
    field = CornerField.of(problem.board_corners_m)
    # Corner noise as it is, without the misfit.
    noise = replace(observations.corner_noise, shift_ratio=np.zeros(8))
    found = estimate_print_error(problem.camera, field, observations.corners, fit, noise)
    assert found.sigma_m == pytest.approx(sigma_m, rel=0.15)
    independent = estimate_print_error(problem.camera, field, observations.corners, fit, noise, [0.0])
    assert (independent.length_m, independent.sigma_m) == (0.0, pytest.approx(sigma_m, rel=0.1))
    assert views_agree(problem.camera, field, observations.corners, fit, noise)


def test_alike_variances_are_pooled_by_their_degrees_of_freedom():
    """A mean weighted by them; of one view its own."""
    variances, dof = np.array([1.0, 1.1, 0.9]), np.array([10.0, 20.0, 70.0])
    assert shrunk_variances(variances, dof) == pytest.approx(np.full(3, (10 + 22 + 63) / 100))
    assert shrunk_variances(variances[:1], dof[:1]) == pytest.approx([1.0])
    assert shrunk_variances(np.zeros(0), np.zeros(0)).shape == (0,)


def test_variances_that_differ_are_shrunk_to_the_common_one():
    """Smyth 2004, eq. for s~^2: (d0 s0^2 + d s^2) / (d0 + d), d0 and s0 drawn anew from 4000 views."""
    rng = np.random.default_rng(5)
    prior_dof, prior_variance = 8.0, 3.0
    true = prior_dof * prior_variance / rng.chisquare(prior_dof, size=4000)
    dof = rng.choice([12.0, 30.0], size=4000)
    variances = true * rng.chisquare(dof) / dof
    expected = (prior_dof * prior_variance + dof * variances) / (prior_dof + dof)
    assert shrunk_variances(variances, dof) == pytest.approx(expected, rel=0.12)


@pytest.mark.parametrize("value", [1e-3, 0.3, 2.0, 500.0])
def test_the_inverse_of_the_trigamma_function(value):
    assert polygamma(1, _inverse_trigamma(value)) == pytest.approx(value, rel=1e-9)


def steps_of(monkeypatch, views, z, negligible=1e-6):
    """The transforms at which the problem is linearised where every step of X and Y is ``z``; and the optimum."""
    problem, observations, _, _, simulated = views
    seen = []
    original = linearize

    def linearized(problem, board_poses, A, X, Y, shape=None):
        seen.append((X, Y))
        return original(problem, board_poses, A, simulated.hand_eye_true, simulated.nuisance_true, shape)

    def most_likely(model, sigma, prior, start):
        fits = fit_linear(model, sigma, np.repeat([1e-8, 1e-7], 3)[None])
        step = np.concatenate([z, np.zeros(fits.z.shape[1] - 12)])
        return RobotNoise(1e-4, 3e-4), replace(fits, z=step[None], normal=np.eye(len(step))[None])

    monkeypatch.setattr(likelihood, "linearize", linearized)
    monkeypatch.setattr(likelihood, "most_likely_noise", most_likely)
    found = likelihood._optimize(
        problem, observations, observations.board_poses, np.eye(4), np.eye(4), None, negligible
    )
    return seen, found


@pytest.mark.parametrize(("rotation", "share"), [(0.4, 1.0), (2.0, 0.25), (-1.0, 0.5)])
def test_a_step_rotates_by_half_a_radian_at_most(monkeypatch, views, rotation, share):
    """All of it is shortened; thirty steps that go on are no convergence."""
    z = np.zeros(12)
    z[[0, 4, 7]] = 0.2, rotation / 2, rotation
    z[10], z[7] = rotation, 0.1
    seen, found = steps_of(monkeypatch, views, z)
    assert len(seen) == 30 and not found.converged
    assert seen[0][0] == pytest.approx(np.eye(4))
    assert seen[1][0] == pytest.approx(se3.exp(share * z[:6]))
    assert seen[1][1] == pytest.approx(se3.exp(share * z[6:]))


@pytest.mark.parametrize(("size", "negligible", "converged"), [(0.9e-3, 1e-6, True), (1.1e-3, 1e-6, False),
                                                             (0.9, 1.0, True), (1.1, 1.0, False)])  # fmt: skip
def test_a_step_of_a_thousandth_of_a_standard_deviation_is_negligible(monkeypatch, views, size, negligible, converged):
    """In a trial one of a whole standard deviation; the estimate is that before the step."""
    z = np.zeros(12)
    z[1] = size
    seen, found = steps_of(monkeypatch, views, z, negligible)
    assert (len(seen), found.converged) == ((1, True) if converged else (30, False))
    if converged:
        assert pytest.approx(np.eye(4)) == found.X


@pytest.mark.parametrize("posterior", [True, False])
def test_the_corners_are_linearised_anew_for_the_result_and_not_for_a_trial(monkeypatch, views, posterior):
    problem, observations, _, _, simulated = views
    tolerances = []
    original = likelihood._optimize

    def optimize(*given):
        tolerances.append(given[-1])
        return original(*given)

    monkeypatch.setattr(likelihood, "_optimize", optimize)
    likelihood.joint_estimate(
        problem, observations, simulated.hand_eye_true, simulated.nuisance_true, posterior=posterior
    )
    assert tolerances == ([1e-6, 1e-6] if posterior else [1.0])


def test_covariances_of_poses_are_inverted_as_numpy_does():
    rng = np.random.default_rng(6)
    roots = rng.normal(size=(5, 6, 6)) * np.repeat([1e-3, 1e-1], 3)[:, None]
    covariance = roots @ np.swapaxes(roots, 1, 2)
    inverse, log_determinant = invert_pose_covariance(covariance)
    assert inverse @ covariance == pytest.approx(np.broadcast_to(np.eye(6), (5, 6, 6)), abs=1e-6)
    assert log_determinant == pytest.approx(np.linalg.slogdet(covariance)[1])


@pytest.mark.parametrize(("ratio", "is_known"), [(3e-14, True), (0.3e-14, False)])
def test_a_direction_below_1e_14_of_the_information_is_unknown(ratio, is_known):
    """Rounding of double precision is 2e-16; the others are as if it were not there."""
    values = np.array([1.0, 0.5, ratio])
    inverse, log_determinant = _invert_by_eigenvalues(np.diag(values)[None])
    assert inverse[0, 2, 2] == pytest.approx(1 / ratio if is_known else 0.0)
    assert log_determinant[0] == pytest.approx(np.log(values[: 3 if is_known else 2]).sum())
    # The bound by the norms of the matrix and of its inverse is the ratio itself for a diagonal one.
    assert (_invert_regular(np.diag(values)[None]) is not None) is is_known


def test_an_information_is_inverted_in_any_units():
    rng = np.random.default_rng(7)
    root, units = rng.normal(size=(4, 9)), np.array([1e6, 1.0, 1e-4, 1e3])
    information = root @ root.T
    assert invert_information(information * np.outer(units, units)) * np.outer(units, units) == pytest.approx(
        np.linalg.inv(information)
    )
    # Nothing known about the second unknown.
    information[1], information[:, 1] = 0.0, 0.0
    found = invert_information(information)
    assert found[1] == pytest.approx(np.zeros(4))
    kept = np.ix_([0, 2, 3], [0, 2, 3])
    assert found[kept] == pytest.approx(np.linalg.inv(information[kept]))


def test_the_chi_squared_of_the_last_unknowns():
    rng = np.random.default_rng(8)
    root, z = rng.normal(size=(5, 5)), rng.normal(size=(1, 5))
    covariance = root @ root.T
    fits = SimpleNamespace(z=z, covariance=covariance[None])
    expected = z[0, -2:] @ np.linalg.solve(covariance[-2:, -2:], z[0, -2:])
    assert LinearFits.chi2_of_last(fits, 2) == pytest.approx([expected])
