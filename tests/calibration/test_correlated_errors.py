"""Pose-correlated errors: densities and integrals against SciPy, and the model's stated lengths and ranges."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import scipy
from scipy.stats import multivariate_normal

from eyebolt.calibration.estimation import joint_estimate
from eyebolt.calibration.problem import RobotNoise
from eyebolt.calibration.robust import correlated_errors
from eyebolt.calibration.robust.correlated_errors import (
    MAX_LOG_VARIANCE,
    MIN_LOG_VARIANCE,
    ArmVariances,
    ErrorContrasts,
    _quadratic_forms,
    arm_axes,
    arm_offsets,
    evenly_spaced_rows,
    integrated_variances,
    matching_pose_correlation,
    pose_correlation,
    reml_variances,
    to_axes,
    white_variances,
)
from eyebolt.geometry import se3
from eyebolt_sim.problems import make_problem


@pytest.fixture(scope="module")
def pairs(cases):
    """An estimate of twelve pairs, and its contrasts."""
    simulated = make_problem("fixed", 12, 5)
    problem = cases.convert(simulated, False)
    joint = joint_estimate(
        problem, cases.observations_of(problem), simulated.hand_eye_true, simulated.nuisance_true, posterior=False
    )
    offsets = arm_offsets(joint, joint.model, simulated.base_T_flange_reported, np.arange(12))
    return joint, offsets, ErrorContrasts.of(offsets)


def test_the_correlation_has_a_length_of_a_metre_and_of_a_chord_of_four():
    """exp(-1/2), at one length of either kind. The chord, 2 sin(angle / 2), is at most 2."""
    here, metre = np.eye(4), se3.exp(np.array([0.6, 0.0, 0.8, 0, 0, 0]))
    half_turn = se3.exp(np.array([0, 0, 0, 0, 0, np.pi]))
    others = np.stack([here, metre, half_turn])
    expected = [1.0, np.exp(-0.5), np.exp(-0.5 * (2.0 / 4) ** 2)]
    assert pose_correlation(here[None], others)[0] == pytest.approx(expected)
    assert matching_pose_correlation(here, others) == pytest.approx(expected)
    assert matching_pose_correlation(metre, half_turn) == pytest.approx(np.exp(-0.5 * (1 + 0.25)))


def test_the_axes_of_the_arm_are_those_of_its_first_joint():
    pose = se3.exp(np.array([0, 0, 0, 0.3, -0.4, 0.5]))
    pose[:3, 3] = [0.3, 0.4, 0.7]
    in_base = pose[:3, :3] @ arm_axes(pose[None])[0]
    assert in_base == pytest.approx(np.array([[0.6, -0.8, 0], [0.8, 0.6, 0], [0, 0, 1]]))
    pose[:2, 3] = 0
    assert pose[:3, :3] @ arm_axes(pose[None])[0] == pytest.approx(np.eye(3))


def test_translation_and_rotation_are_turned_into_the_axes_alike():
    axes = se3.exp(np.array([0, 0, 0, 0.3, -0.4, 0.5]))[:3, :3]
    vector = np.arange(1.0, 7.0)
    expected = np.concatenate([axes.T @ vector[:3], axes.T @ vector[3:]])
    assert to_axes(axes[None], vector[None])[0] == pytest.approx(expected)


@pytest.mark.parametrize(
    ("count", "at_most", "rows"),
    [(3, 40, [0, 1, 2]), (9, 3, [0, 4, 8]), (1, 5, [0]), (60, None, None), (40, None, list(range(40)))],
)
def test_rows_are_spread_over_all_pairs(count, at_most, rows):
    found = evenly_spaced_rows(count) if at_most is None else evenly_spaced_rows(count, at_most)
    if rows is None:
        assert (len(found), found[0], found[-1]) == (40, 0, 59)
    else:
        assert found.tolist() == rows


def covariance(offsets, variances):
    """(6 n, 6 n) of the offsets, entry by entry from the definition."""
    n = len(offsets.offset)
    out = np.zeros((n, 6, n, 6))
    for i in range(n):
        out[i, :, i, :] += offsets.camera_covariance[i]
        out[i, :, i, :] += np.diag(np.repeat(variances[:2], 3)) @ offsets.white_shape[i]
        for j in range(n):
            between = offsets.correlation[i, j] * offsets.axes[i] @ offsets.axes[j].T
            out[i, :3, j, :3] += variances[2] * between
            out[i, 3:, j, 3:] += variances[3] * between
    loading = offsets.nuisance_loading.reshape(6 * n, -1)
    return out.reshape(6 * n, 6 * n) + loading @ loading.T


def test_the_restricted_likelihood_is_the_integral_over_the_transforms(pairs):
    """-2 log L = log|C| + log|X' C^-1 X| + the squares about the generalised least squares fit (Harville 1974)."""
    _, offsets, contrasts = pairs
    values = []
    for variances in ([1e-8, 1e-7, 4e-8, 9e-8], [4e-8, 2e-7, 1e-9, 1e-6]):
        C = covariance(offsets, np.array(variances))
        design, y = offsets.design.reshape(72, -1), offsets.offset.ravel()
        scale = np.sqrt(np.diagonal(C))
        root = scipy.linalg.cholesky(C / scale / scale[:, None], lower=True)
        white, z = (scipy.linalg.solve_triangular(root, v, lower=True) for v in ((design.T / scale).T, y / scale))
        q, r = np.linalg.qr(white)
        log_determinants = 2 * np.log(np.diagonal(root)).sum() + 2 * np.log(scale).sum()
        log_determinants += 2 * np.log(np.abs(np.diagonal(r))).sum()
        rest = z - q @ (q.T @ z)
        values.append((-0.5 * (log_determinants + rest @ rest), contrasts.log_likelihood(np.log(variances))))
    (expected, found), (other, also) = values
    assert found == pytest.approx(expected, abs=1e-3)
    assert also == pytest.approx(other, abs=1e-3)
    assert abs(found - also) > 1


def test_the_contrasts_are_independent_of_the_transforms(pairs):
    _, offsets, contrasts = pairs
    moved = replace(offsets, offset=offsets.offset + offsets.design @ np.full(offsets.design.shape[-1], 0.01))
    assert ErrorContrasts.of(moved).offset == pytest.approx(contrasts.offset, abs=1e-12)
    assert len(contrasts.offset) == 72 - 12


def test_gradient_and_information_are_those_of_the_likelihood(pairs):
    """Central differences; the average information is half the squares of the working variates in the inverse (A. R.
    Gilmour, R. Thompson, B. R. Cullis, Biometrics 51(4), 1995; from memory)."""
    _, _, contrasts = pairs
    u = np.log([1e-8, 1e-7, 4e-8, 9e-8])
    value, gradient, information = contrasts.with_gradient(u)
    assert value == pytest.approx(contrasts.log_likelihood(u))
    steps = 1e-4 * np.eye(4)
    expected = [(contrasts.log_likelihood(u + s) - contrasts.log_likelihood(u - s)) / 2e-4 for s in steps]
    assert gradient == pytest.approx(expected, rel=1e-4, abs=1e-5)
    parts = contrasts.variance_components
    C = contrasts.measurement_covariance + np.tensordot(np.exp(u), parts, axes=1)
    inverse = np.linalg.inv(C)
    variates = [np.exp(one) * part @ inverse @ contrasts.offset for one, part in zip(u, parts, strict=True)]
    assert information == pytest.approx(
        0.5 * np.array([[a @ inverse @ b for b in variates] for a in variates]), rel=1e-6
    )


def disturbed(offsets, seed, correlated_m):
    """The offsets with drawn errors in place of their own, and their contrasts."""
    drawn = multivariate_normal(
        np.zeros(72), covariance(offsets, np.array([1e-8, 1e-7, correlated_m**2, (2 * correlated_m) ** 2]))
    ).rvs(random_state=seed)
    return ErrorContrasts.of(replace(offsets, offset=drawn.reshape(12, 6)))


@pytest.mark.parametrize(("seed", "correlated_m"), [(1, 3e-4), (2, 1e-3), (3, 0.0)])
def test_the_variances_are_the_maximum_of_the_likelihood(pairs, seed, correlated_m):
    """SciPy's bounded minimiser from the same start finds no better."""
    joint, offsets, _ = pairs
    contrasts = disturbed(offsets, seed, correlated_m)
    found, ratio = reml_variances(joint, contrasts)
    bounds = [(MIN_LOG_VARIANCE, MAX_LOG_VARIANCE)] * 4
    best = scipy.optimize.minimize(lambda u: -contrasts.log_likelihood(u), np.clip(found, -30, -7), bounds=bounds)
    assert contrasts.log_likelihood(found) == pytest.approx(-best.fun, abs=0.02)
    # White noise alone, as the joint estimate has it.
    white = contrasts.log_likelihood(white_variances(joint.noise.best))
    assert ratio == pytest.approx(max(2 * (contrasts.log_likelihood(found) - white), 0.0))


def test_the_search_for_variances_has_bounds(pairs):
    """A standard deviation of 5 cm or rad, and of 0.1 um or urad: beyond either there is no arm."""
    joint, offsets, _ = pairs
    assert np.exp(np.array([MIN_LOG_VARIANCE, MAX_LOG_VARIANCE]) / 2) == pytest.approx([1e-7, 0.05])
    wild = ErrorContrasts.of(replace(offsets, offset=offsets.offset + np.random.default_rng(1).normal(size=(12, 6))))
    found, _ = reml_variances(joint, wild)
    assert found.max() == pytest.approx(MAX_LOG_VARIANCE)
    exact = ErrorContrasts.of(replace(offsets, offset=np.zeros((12, 6))))
    assert reml_variances(joint, exact)[0].min() == pytest.approx(MIN_LOG_VARIANCE)


def test_white_noise_has_no_correlated_part():
    found = white_variances(RobotNoise(2e-4, 5e-4))
    assert np.exp(found / 2) == pytest.approx([2e-4, 5e-4, 1e-7, 1e-7])
    assert np.exp(white_variances(RobotNoise(0.0, 0.0)) / 2) == pytest.approx([1e-7] * 4)


def test_determinants_and_squares_are_those_of_dense_matrices():
    rng = np.random.default_rng(2)
    roots = rng.normal(size=(3, 9, 9))
    matrices, vector, factors = roots @ np.swapaxes(roots, 1, 2), rng.normal(size=9), np.array([0.01, 1.0, 30.0])
    log_determinants, squares = _quadratic_forms(list(matrices), vector, factors)
    whole = np.eye(9) + factors[None, :, None, None] * matrices[:, None]
    assert log_determinants == pytest.approx(np.linalg.slogdet(whole)[1])
    assert squares == pytest.approx((np.linalg.solve(whole, vector[:, None])[..., 0] * vector).sum(axis=-1))


@pytest.mark.parametrize("stated", [False, True])
def test_the_integral_over_the_variances(pairs, stated):
    """Every node against the restricted likelihood itself, with a flat prior in the standard deviations.

    Levers of 0.2, 0.5 and 1.2 m; the correlated part from 1 um to 4.1 mm in half octaves; the white part, with
    that of the images, within a factor of 2.8 of its estimate in quarter octaves.
    """
    joint, offsets, _ = pairs
    contrasts = disturbed(offsets, 4, 3e-4)
    noise = SimpleNamespace(best=RobotNoise(1e-4, 3e-4), stated=stated)
    joint = SimpleNamespace(noise=noise)
    found = integrated_variances(joint, contrasts)
    white = np.array([1e-8, 9e-8]) if stated else np.exp(reml_variances(joint, contrasts)[0][:2])
    factors = np.ones(1) if stated else 2.0 ** (np.arange(-6, 7) / 4)
    sizes = 1e-6 * 2.0 ** (np.arange(25) / 2)
    nodes, logs = [], []
    for lever in (0.2, 0.5, 1.2):
        for w in factors:
            scaled = replace(contrasts, measurement_covariance=w**2 * contrasts.measurement_covariance)
            for s in sizes:
                nodes.append([w**2 * white[0], w**2 * white[1], s**2, (s / lever) ** 2])
                logs.append((scaled.log_likelihood(np.log(nodes[-1])), np.log(w) + np.log(s)))
    likelihood, width = np.array(logs).T
    whole = likelihood + width
    weights = np.exp(whole - whole.max())
    assert found.values == pytest.approx(np.array(nodes))
    assert found.weights == pytest.approx(weights / weights.sum(), abs=1e-6)
    # Integral over s by the trapezium in log s, over the likelihood at the first node, averaged over the others.
    grid = np.exp(whole - whole.max()).reshape(3, len(factors), 25)
    ratio = grid.sum() * np.log(2) / 2 / (grid[..., 0].sum() / 1e-6)
    assert found.log_integral_ratio == pytest.approx(np.log(ratio), abs=1e-3)
    if stated:
        by_lever = likelihood.reshape(3, 1, 25)
        lever, _, size = np.unravel_index(by_lever.argmax(), by_lever.shape)
        gain = 2 * (by_lever.max() - by_lever[lever, 0, 0])
        assert found.likelihood_ratio == pytest.approx(gain, abs=1e-4)
        correlated = sizes[size], sizes[size] / (0.2, 0.5, 1.2)[lever]
        assert (found.correlated_m, found.correlated_rad) == pytest.approx(correlated)
    else:
        estimate, gain = reml_variances(joint, contrasts)
        assert (found.correlated_m, found.correlated_rad) == pytest.approx(np.exp(estimate[2:] / 2))
        assert found.likelihood_ratio == pytest.approx(gain)


@pytest.mark.parametrize(
    ("integral_m", "range_m", "probability", "evidence"),
    [
        (1e-3, 1e-3, 0.5, 1.0),
        (3e-3, 1e-3, 0.75, 2.0),
        (1e-3, 0.0, 0.0, 1.0),
        (1e-3, 4e-3, 0.2, 0.625),
    ],
)
def test_the_probability_of_a_correlated_part_is_even_before_the_pairs(integral_m, range_m, probability, evidence):
    """Bayes' factor is the mean of the likelihood over the range, over that without it."""
    found = ArmVariances(np.ones((1, 4)), np.ones(1), 0.0, 0.0, 0.0, np.log(integral_m))
    assert found.correlated_probability(range_m) == pytest.approx(probability)
    assert np.exp(found.log_evidence(range_m)) == pytest.approx(evidence)


def test_a_constant_error_of_the_flange_has_a_quarter_of_the_variance():
    assert correlated_errors.CONSTANT_SHARE == 0.25


def test_the_offsets_of_the_arm_are_those_under_board_and_lens_of_the_images(pairs):
    joint, offsets, _ = pairs
    mean, spread = joint.model.nuisances_from_images(joint.corner_sigma_px)
    assert offsets.offset == pytest.approx(joint.model.offset - joint.model.nuisance_jacobian @ mean)
    loading = offsets.nuisance_loading
    expected = joint.model.nuisance_jacobian @ spread @ np.swapaxes(joint.model.nuisance_jacobian, -1, -2)
    assert loading @ np.swapaxes(loading, -1, -2) == pytest.approx(expected, rel=1e-6, abs=1e-16)
    assert offsets.camera_covariance == pytest.approx(joint.corner_sigma_px**2 * joint.model.camera_unit_covariance)
    assert offsets.count == 12
    shape = np.tile(np.diag([1.0, 2, 3, 4, 5, 6]), (12, 1, 1))
    some = arm_offsets(joint, replace(joint.model, arm_shape=shape), offsets.poses, np.array([3, 7]))
    assert some.white_shape == pytest.approx(shape[:2])
    assert some.poses == pytest.approx(offsets.poses[[3, 7]])
