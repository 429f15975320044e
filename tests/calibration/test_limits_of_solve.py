"""What a solve does around the estimate: usable pairs, order of capture, deviations, the bow, and held-out errors."""

from dataclasses import replace
from importlib import import_module
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import chi2

from eyebolt.calibration.estimation import joint_estimate
from eyebolt.calibration.estimation.cross_validation import HeldOutError, PredictionResiduals, held_out_error
from eyebolt.calibration.estimation.observability import rotation_spread, weak_directions, weakest_direction
from eyebolt.geometry import se3
from eyebolt.observations import BOW_PARAMETERS, Pair
from eyebolt_sim.problems import make_problem
from support.problems import convert, observations_of

# The package has a function of the same name.
solving = import_module("eyebolt.calibration.solve")


@pytest.fixture(scope="module")
def estimate():
    """A problem of ten pairs and its estimate, with the posterior."""
    simulated = make_problem("fixed", 10, 8)
    problem = convert(simulated, False)
    return problem, joint_estimate(problem, observations_of(problem), simulated.hand_eye_true, simulated.nuisance_true)


def pair_of(corners, index=0, **changes):
    ids = np.arange(corners)
    return replace(Pair(index, np.eye(4), ids, np.stack([30.0 * ids, 20.0 * ids**2], axis=1)), **changes)


@pytest.mark.parametrize(
    ("pair", "is_usable"),
    [
        (pair_of(6), True),
        (pair_of(5), False),
        (pair_of(8, base_T_flange=np.diag([1.0, 1, np.inf, 1])), False),
        (pair_of(8, corners_px=np.full((8, 2), np.nan)), False),
    ],
)
def test_a_pair_needs_six_corners_and_finite_numbers(pair, is_usable):
    assert (solving._unusable_reason(pair) is None) is is_usable


def test_places_in_the_order_of_capture_count_the_checks_between():
    session = [SimpleNamespace(index=k) for k in (7, 2, 5, 11)]
    found = solving._capture_order([session[0], session[3], session[1]], session)
    assert found.tolist() == [2.0, 3.0, 0.0]


def test_a_deviation_is_the_sum_of_the_parameters_by_their_weights(estimate):
    problem, joint = estimate
    prior = problem.nuisance_prior
    both = solving._deviation(problem, joint, {"fx": 2.0, "fy": -3.0})
    root = 2 * prior.functional({"fx": 1.0}) - 3 * prior.functional({"fy": 1.0})
    assert both.deviation == pytest.approx(root @ joint.nuisances)
    assert both.sigma == pytest.approx(np.sqrt(root @ joint.covariance[12:, 12:] @ root))
    assert both.prior_sigma == pytest.approx(np.sqrt(root @ root))


def test_the_bow_of_the_board_is_what_the_pairs_show_of_it(estimate):
    """Heights of the highest over the lowest corner; the change of X by regression on it; chi-squared of being none."""
    problem, joint = estimate
    prior, corners = problem.nuisance_prior, problem.board_corners_m
    found = solving._board_bow(problem, joint)
    root = np.array([prior.functional({name: 1.0}) for name in BOW_PARAMETERS])
    bow, spread = root @ joint.nuisances, root @ joint.covariance[12:, 12:] @ root.T
    heights = prior.corner_field.basis(corners) @ bow
    assert found.flatness_mm == pytest.approx(1e3 * np.ptp(heights))
    basis = prior.corner_field.basis(corners)
    between = basis[heights.argmax()] - basis[heights.argmin()]
    assert found.flatness_sigma_mm == pytest.approx(1e3 * np.sqrt(between @ spread @ between))
    change = joint.covariance[:6, 12:] @ root.T @ np.linalg.inv(spread) @ bow
    assert found.effect_mm == pytest.approx(1e3 * np.sqrt(change @ problem.displacement_metric @ change), rel=1e-6)
    assert found.p_value == pytest.approx(chi2.sf(bow @ np.linalg.inv(spread) @ bow, 3))
    assert [found.x.deviation, found.xy.deviation, found.y.deviation] == pytest.approx(1e3 * bow)


def test_held_out_errors_are_displacements_of_the_board_in_millimetres():
    """Two pairs, one displaced by 1 mm along x, the other by 3 mm; squares of 12 and 24 over their expectation of 6."""
    offsets = np.zeros((2, 6))
    offsets[:, 0] = 1e-3, 3e-3
    corners = np.random.default_rng(1).uniform(0, 0.2, size=(8, 3))
    found = held_out_error(PredictionResiduals(offsets, np.array([12.0, 24.0])), corners)
    assert found == HeldOutError(2, pytest.approx(np.sqrt(5.0)), pytest.approx(3.0), pytest.approx(3.0))
    assert held_out_error(PredictionResiduals(offsets[:0], np.zeros(0)), corners) is None
    # A rotation about the first corner moves a corner by its distance from the axis.
    offsets[0] = [0, 0, 0, 0, 0, 1e-3]
    turned = held_out_error(PredictionResiduals(offsets[:1], np.ones(1)), corners)
    assert turned.rms_mm == pytest.approx(np.sqrt((corners[:, :2] ** 2).sum(axis=1).mean()), rel=1e-3)


def test_the_spread_of_rotations_is_their_rms_along_principal_axes():
    """About the axes of the base by 10 deg either way, by 20 deg, and not at all."""
    A = np.tile(np.eye(4), (4, 1, 1))
    A[:, :3, :3] = se3.exp_rotation(np.deg2rad(np.array([[10.0, 0, 0], [-10, 0, 0], [0, 20, 0], [0, -20, 0]])))
    assert np.rad2deg(rotation_spread(A)) == pytest.approx(np.array([20.0, 10.0, 0.0]) / np.sqrt(2), abs=1e-6)
    assert rotation_spread(A[:2])[1:] == pytest.approx([0.0, 0.0])


def test_the_weakest_direction_has_the_largest_deviation_at_the_working_distance(estimate):
    """A rotation counts by the displacement that it causes there."""
    problem, joint = estimate
    lever = problem.volume.middle_m
    assert lever == pytest.approx((problem.volume.near_m + problem.volume.far_m) / 2)
    rotation = 1 / lever
    by_rotation = np.array([1e-4, 1e-4, 1e-4, 1e-4 * rotation, 3e-4 * rotation, 1e-4 * rotation])
    by_translation = np.array([1e-4, 1e-4, 5e-4, *[1e-4 * rotation] * 3])
    for weak, sizes in ((4, by_rotation), (2, by_translation)):
        found = weakest_direction(problem, joint.X, np.diag(sizes) ** 2)
        assert found.sigma_m == pytest.approx(max(3e-4, max(sizes[:3])))
        expected = np.eye(6)[weak] * (rotation if weak > 2 else 1.0)
        assert np.abs(found.twist) == pytest.approx(expected, abs=1e-9)
    # The same by the information of an estimate: eigenvalues of the covariance of X at the best noise.
    units = np.array([1.0] * 3 + [lever] * 3)
    covariance = joint.fits.covariance[0][:6, :6] * units * units[:, None]
    expected = np.sqrt(np.linalg.eigvalsh(covariance))[::-1]
    assert [one.sigma_m for one in weak_directions(problem, joint)] == pytest.approx(expected, rel=1e-3)
