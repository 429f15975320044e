"""The estimated noise of the arm: its posterior, and what of it reaches the stated error of a result."""

from dataclasses import replace

import numpy as np
import pytest

from eyebolt.calibration.estimation.robot_noise import (
    NoisePrior,
    is_plausible_noise,
    known_noise,
    most_likely_noise,
    noise_dof,
    noise_posterior,
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


NO_PRIOR = NoisePrior.of(None)


def test_the_prior_is_flat_in_the_standard_deviations(few_pairs):
    _, joint = few_pairs
    best, fits = most_likely_noise(joint.model, joint.corner_sigma_px, NO_PRIOR)
    posterior, found = noise_posterior(joint.model, joint.corner_sigma_px, NO_PRIOR, best, fits)
    assert len(posterior.weights) == 29
    assert posterior.weights.sum() == pytest.approx(1.0)
    # The grid is even in the logarithms, so its nodes stand for intervals proportional to each sigma. Half-Cauchy: flat
    # far below its scale of 1 mm and 0.2 deg.
    density = np.exp(found.log_likelihood - found.log_likelihood.max()) * posterior.choices.prod(axis=1)
    density /= (1 + (posterior.choices / [1e-3, np.deg2rad(0.2)]) ** 2).prod(axis=1)
    np.testing.assert_allclose(posterior.weights, density / density.sum(), rtol=1e-6)
    # Few pairs: the mean is well above the most likely value, as the prior wants it.
    assert posterior.weights @ posterior.choices[:, 0] > 1.05 * best.translation_m


@pytest.mark.parametrize("prior", [NO_PRIOR, NoisePrior.of(RobotNoise(2e-4, 1e-3))], ids=["none", "stated"])
def test_gradient_and_information_of_the_prior_are_those_of_its_density(prior):
    u, step = 2 * np.log(np.array([1.3e-4, 4e-3])), 1e-4
    for k, unit in enumerate(np.eye(2)):
        ahead, here, behind = (prior.log_density(u + sign * step * unit) for sign in (1, 0, -1))
        assert prior.gradient(u)[k] == pytest.approx((ahead - behind) / (2 * step), abs=1e-6)
        assert prior.information(u)[k, k] == pytest.approx(-(ahead - 2 * here + behind) / step**2, rel=1e-3, abs=1e-6)


def test_the_estimate_is_the_maximum_of_the_posterior(few_pairs):
    _, joint = few_pairs
    for prior in (NO_PRIOR, NoisePrior.of(RobotNoise(3e-4, 1e-4))):
        best, fits = most_likely_noise(joint.model, joint.corner_sigma_px, prior)
        posterior, _ = noise_posterior(joint.model, joint.corner_sigma_px, prior, best, fits)
        central = 29 // 2
        np.testing.assert_allclose(posterior.choices[central], [best.translation_m, best.rotation_rad])
        assert posterior.weights.argmax() == central
        # The nodes reach 2.7 standard deviations, where a Gaussian has fallen by 3.6.
        assert posterior.weights.min() < np.exp(-1.5) * posterior.weights.max()
        for start in (RobotNoise(2e-5, 1e-4), RobotNoise(3e-4, 1e-3)):
            again, _ = most_likely_noise(joint.model, joint.corner_sigma_px, prior, start)
            assert again.translation_m == pytest.approx(best.translation_m, rel=1e-3)
            assert again.rotation_rad == pytest.approx(best.rotation_rad, rel=1e-3)


def test_a_stated_noise_counts_as_three_degrees_of_freedom(few_pairs):
    """The estimate is the mean of statement and pairs, weighted by their degrees of freedom, in the variance."""
    _, joint = few_pairs
    pairs, _ = most_likely_noise(joint.model, 1e-3, NO_PRIOR)
    nu = noise_dof(len(joint.model.offset))
    for factor in (0.2, 1.0, 3.0):
        stated = RobotNoise(factor * pairs.translation_m, factor * pairs.rotation_rad)
        best, _ = most_likely_noise(joint.model, 1e-3, NoisePrior.of(stated))
        expected = ((nu - 1) + 3 * factor**2) / (nu + 3)
        assert (best.translation_m / pairs.translation_m) ** 2 == pytest.approx(expected, rel=0.2)
        assert (best.rotation_rad / pairs.rotation_rad) ** 2 == pytest.approx(expected, rel=0.2)


def test_pairs_that_determine_no_noise_leave_a_wide_posterior(few_pairs):
    """Corner noise that explains all residuals: the likelihood is flat below the residuals, and so is the posterior."""
    _, joint = few_pairs
    blurred = 20 * joint.corner_sigma_px
    best, fits = most_likely_noise(joint.model, blurred, NO_PRIOR)
    posterior, _ = noise_posterior(joint.model, blurred, NO_PRIOR, best, fits)
    assert best.translation_m > 2e-5
    assert posterior.choices[:, 0].max() / posterior.choices[:, 0].min() > 10


def test_a_known_noise_is_one_choice():
    posterior = known_noise(RobotNoise(2e-4, 3e-4), NoisePrior.of(RobotNoise(1e-4, 1e-4)))
    assert posterior.stated
    assert posterior.choices.tolist() == [[2e-4, 3e-4]]
    assert posterior.weights.tolist() == [1.0]
    np.testing.assert_allclose(variance_of(posterior.best), [4e-8] * 3 + [9e-8] * 3)
    assert posterior.dof(10) == noise_dof(10) + 3
    assert known_noise(RobotNoise(2e-4, 3e-4), NO_PRIOR).dof(10, 11) == noise_dof(10, 11)


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
