"""The error of X by a pose-correlated error of the arm."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad

from bench.honesty.disturbances import ROWS, session_of
from bench.honesty.generator import volume
from bench.honesty.measure import errors_mm, problem_of
from eyebolt.calibration.estimation import joint_estimate
from eyebolt.calibration.robust.correlated_errors import ArmVariances, ErrorContrasts, arm_offsets, integrated_variances
from eyebolt.calibration.solve import solve
from eyebolt.calibration.uncertainty.transform_error import TransformError
from eyebolt.geometry import se3
from eyebolt_sim.problems import make_problem


def estimated(cases, problem, X, Y):
    return joint_estimate(problem, cases.observations_of(problem), X, Y)


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_the_transform_of_an_arm_with_wrong_geometry_is_within_its_stated_error(mount):
    """Without the correlated part less than a quarter of the volume is."""
    within, white_only = [], []
    for seed in range(6):
        session = session_of(ROWS["geometry-puma-560"], mount, 15, seed)
        problem = problem_of(session)
        for shares, arm_range in ((within, problem.correlated_error_range_m), (white_only, 0.0)):
            outcome = solve(replace(problem, correlated_error_range_m=arm_range))
            errors = errors_mm(outcome.X, session.X_true, volume(session.cell.lens))
            shares.append((errors <= outcome.expected_error_mm.p95).mean())
    assert np.mean(within) > 0.85
    assert np.mean(white_only) < 0.4


def test_the_statement_of_an_arm_without_such_errors_is_hardly_wider(cases):
    wider = []
    for seed in range(5):
        problem = cases.convert(make_problem("fixed", 20, seed), False)
        white, default = (
            solve(replace(problem, correlated_error_range_m=arm_range)).expected_error_mm.p95
            for arm_range in (0.0, 1e-3)
        )
        wider.append(default / white)
    # Now and then white noise looks correlated.
    assert 1.0 < np.median(wider) < 1.1


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_the_gain_is_the_change_of_the_estimate_by_an_error_of_a_pose(cases, mount):
    """Against a second estimate from poses that are off by known errors."""
    simulated, rng = make_problem(mount, 9, 3), np.random.default_rng(4)
    problem = cases.convert(simulated)
    first = estimated(cases, problem, simulated.hand_eye_true, simulated.nuisance_true)
    reported = simulated.base_T_flange_reported
    X_error = TransformError.of(first, reported)
    errors = 1e-6 * rng.normal(size=(9, 6)) * [1, 1, 1, 3, 3, 3]
    moved = [replace(p, base_T_flange=p.base_T_flange @ se3.exp(e)) for p, e in zip(problem.pairs, errors, strict=True)]
    second = estimated(cases, replace(problem, pairs=moved), first.X, first.Y)
    found = se3.log(se3.inverse(first.X) @ second.X)
    # The sign of an error of the reported pose is opposite to that of the offset from what it predicts.
    expected = -np.einsum("ani,ni->a", X_error.gain, errors)
    np.testing.assert_allclose(found, expected, rtol=0, atol=0.02 * np.abs(expected).max())


def test_the_weight_of_a_correlated_part_is_the_integral_of_its_likelihood(cases):
    """Against SciPy's adaptive quadrature over the standard deviation, averaged over the levers."""
    simulated = make_problem("fixed", 12, 5)
    joint = estimated(cases, cases.convert(simulated), simulated.hand_eye_true, simulated.nuisance_true)
    contrasts = ErrorContrasts.of(arm_offsets(joint, joint.model, simulated.base_T_flange_reported, np.arange(12)))
    found = integrated_variances(joint, contrasts).log_integral_ratio
    noise = joint.noise.best
    white = 2 * np.log([noise.translation_m, noise.rotation_rad])

    def likelihood(sigma_m, lever_m):
        u = np.concatenate([white, 2 * np.log([sigma_m, sigma_m / lever_m])])
        return np.exp(contrasts.log_likelihood(u) - at_nothing)

    at_nothing = contrasts.log_likelihood(np.concatenate([white, 2 * np.log([1e-9, 1e-9])]))
    integrals = [
        quad(likelihood, 1e-9, 5e-3, args=(lever_m,), limit=200, points=[1e-5, 1e-4])[0] for lever_m in (0.2, 0.5, 1.2)
    ]
    assert np.exp(found) == pytest.approx(np.mean(integrals), rel=0.1)


@pytest.mark.parametrize(
    ("integral_m", "range_m", "expected"), [(1e-3, 1e-3, 1 / 2), (1e-2, 1e-3, 10 / 11), (1e-2, 0, 0)]
)
def test_the_probability_is_bayes_rule(integral_m, range_m, expected):
    """Even odds, times the likelihood averaged over the range by that without a correlated part."""
    variances = ArmVariances(np.ones((1, 4)), np.ones(1), 0.0, 0.0, 0.0, float(np.log(integral_m)))
    assert variances.correlated_probability(range_m) == pytest.approx(expected)
