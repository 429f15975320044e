"""The estimated noise of the arm: its posterior, and what of it reaches the stated error of a result."""

from dataclasses import replace

import numpy as np
import pytest

from eyebolt.calibration.estimation.robot_noise import (
    is_plausible_noise,
    noise_dof,
    noise_posterior,
    reml_noise,
    stated_noise,
    variance_of,
)
from eyebolt.calibration.problem import RobotNoise
from eyebolt.calibration.robust import robust_estimate
from eyebolt.calibration.solve import _usable_pairs
from eyebolt_sim.problems import make_problem


@pytest.fixture(scope="module")
def few_pairs(cases):
    """A problem of 6 pairs with the noise to be estimated, and its joint estimate."""
    problem = cases.convert(make_problem("fixed", 6, 2), False)
    return problem, robust_estimate(problem, _usable_pairs(problem, problem.pairs).observations).joint


def test_the_prior_is_flat_in_the_standard_deviations(few_pairs):
    _, joint = few_pairs
    best, fits = reml_noise(joint.model, joint.corner_sigma_px)
    posterior, found = noise_posterior(joint.model, joint.corner_sigma_px, best, fits)
    assert len(posterior.weights) == 29
    assert posterior.weights.sum() == pytest.approx(1.0)
    # The grid is even in the logarithms, so its nodes stand for intervals proportional to each sigma.
    density = np.exp(found.log_likelihood - found.log_likelihood.max()) * posterior.choices.prod(axis=1)
    np.testing.assert_allclose(posterior.weights, density / density.sum(), rtol=1e-6)
    # Few pairs: the mean is well above the most likely value, as the prior wants it.
    assert posterior.weights @ posterior.choices[:, 0] > 1.05 * best.translation_m


def test_the_estimate_is_the_maximum_of_the_restricted_likelihood(few_pairs):
    _, joint = few_pairs
    best, fits = reml_noise(joint.model, joint.corner_sigma_px)
    _, found = noise_posterior(joint.model, joint.corner_sigma_px, best, fits)
    assert found.log_likelihood.max() <= fits.log_likelihood[0] + 1e-6
    # The nodes reach 2.7 standard deviations, where a Gaussian has fallen by 3.6.
    assert found.log_likelihood.min() < fits.log_likelihood[0] - 1.5
    for start in (RobotNoise(2e-5, 1e-4), RobotNoise(3e-4, 1e-3)):
        again, _ = reml_noise(joint.model, joint.corner_sigma_px, start)
        assert again.translation_m == pytest.approx(best.translation_m, rel=1e-3)
        assert again.rotation_rad == pytest.approx(best.rotation_rad, rel=1e-3)


def test_a_stated_noise_is_one_choice():
    posterior = stated_noise(RobotNoise(2e-4, 3e-4))
    assert posterior.stated
    assert posterior.choices.tolist() == [[2e-4, 3e-4]]
    assert posterior.weights.tolist() == [1.0]
    np.testing.assert_allclose(variance_of(posterior.best), [4e-8] * 3 + [9e-8] * 3)


def test_degrees_of_freedom_of_the_noise():
    # Three numbers a pair, and half of the unknowns for each of the two variances.
    assert [noise_dof(pairs) for pairs in (1, 2, 3, 10)] == [1, 1, 3, 24]
    assert noise_dof(10, 11) == 25
    assert noise_dof(10, 18) == 21


@pytest.mark.parametrize(
    ("noise", "plausible"),
    [((0.0029, 0.017), True), ((0.0031, 0.001), False), ((0.0001, 0.018), False), ((0.003, 0.001), False)],
)
def test_which_noise_is_plausible(noise, plausible):
    assert is_plausible_noise(RobotNoise(*noise)) is plausible


def test_the_mixture_has_the_spread_of_its_components(few_pairs):
    _, joint = few_pairs
    two = replace(
        joint,
        weights=np.array([0.25, 0.75]),
        means=np.outer([3.0, -1.0], np.eye(12)[0]),
        covariances=np.stack([np.eye(12), 2 * np.eye(12)]),
    )
    # Within: 0.25 + 1.5; between: 0.25 * 9 + 0.75 * 1.
    np.testing.assert_allclose(two.covariance, 1.75 * np.eye(12) + 3.0 * np.outer(np.eye(12)[0], np.eye(12)[0]))
