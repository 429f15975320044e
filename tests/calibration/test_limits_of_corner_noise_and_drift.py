"""Noise of the corners, the prior of a drift and the classes of the arm's variances, from their definitions."""

from dataclasses import replace
from importlib import import_module
from types import SimpleNamespace

import numpy as np
import pytest

from eyebolt.calibration.estimation import MovedPart, drift, joint_estimate
from eyebolt.calibration.estimation.corner_noise import CornerNoise, _regions, estimate_corner_noise
from eyebolt.calibration.estimation.drift import (
    DriftHypothesis,
    OrderedModel,
    _components_with_drift,
    _Hypotheses,
    _hypothesis,
    _largest_drift,
    _parts_that_may_creep,
    _scales_m,
    average_over_drift,
    is_drift_possible,
    most_probable_drift,
)
from eyebolt.calibration.estimation.linearization import Drift
from eyebolt.calibration.problem import RobotNoise, WorkingVolume
from eyebolt.calibration.uncertainty.contributions import ErrorContributions
from eyebolt.calibration.uncertainty.transform_error import TransformError, variance_classes
from eyebolt.observations import CornerObservations
from eyebolt_sim.problems import make_problem
from support.problems import convert, observations_of

NOISE = RobotNoise(1e-4, 3e-4)


@pytest.fixture(scope="module")
def estimate():
    """A problem of eight pairs that may creep, its observations and its estimate."""
    simulated = make_problem("fixed", 8, 5)
    problem = convert(simulated, False, drift_sigma_m=None)
    observations = observations_of(problem)
    joint = joint_estimate(problem, observations, simulated.hand_eye_true, simulated.nuisance_true, posterior=False)
    return problem, observations, joint


def corners_on_a_grid(views):
    """Corners of a board of 9 x 6 in ``views`` images, the first without its last row."""
    x, y = np.meshgrid(np.arange(9.0), np.arange(6.0))
    points = np.stack([x.ravel(), y.ravel(), np.zeros(54)], axis=1)
    weights = np.ones((views, 54))
    weights[0, 45:] = 0.0
    return CornerObservations(np.tile(points, (views, 1, 1)), np.zeros((views, 54, 2)), weights)


def test_regions_are_thirds_of_what_is_seen_along_each_axis():
    regions = _regions(corners_on_a_grid(2))
    x, y = np.meshgrid(np.arange(9.0), np.arange(6.0))
    for view, height in ((0, 4.0), (1, 5.0)):
        thirds = [np.minimum((part * 3 / size).astype(int), 2) for part, size in ((x, 8.0), (y, height))]
        expected = np.eye(9)[(3 * thirds[0] + thirds[1]).ravel()]
        seen = slice(0, 45) if view == 0 else slice(None)
        np.testing.assert_array_equal(regions[view, seen], expected[seen])


def noise_of(ratios, variances):
    n = len(ratios)
    return CornerNoise(np.array(variances), np.array(ratios), np.ones(n), np.full(n, 100.0))


@pytest.mark.parametrize("ratio", [0.0, 0.3])
def test_the_inverse_covariance_of_corners_that_share_shifts(ratio):
    """s^2 (1 + t^2 Z Z^T) for the corners of weight 1, inverted as a whole (NumPy); products with any columns too."""
    corners, noise = corners_on_a_grid(2), noise_of([ratio, 0.1 if ratio else 0.0], [1.5, 0.7])
    own, factor = noise.inverse_covariance(corners)
    columns = np.random.default_rng(1).normal(size=(2, 108, 3)) * np.repeat(corners.weights, 2, axis=1)[..., None]
    plain = np.swapaxes(columns, 1, 2) @ columns
    products = noise.weighted_products(corners, columns, plain)
    for view in range(2):
        seen = np.repeat(corners.weights[view] > 0, 2)
        Z = np.kron(_regions(corners)[view], np.eye(2))
        covariance = noise.relative_variance[view] * (np.eye(108) + noise.shift_ratio[view] * Z @ Z.T)
        inverse = np.linalg.inv(covariance[np.ix_(seen, seen)])
        found = np.diag(own[view]) - factor[view] @ factor[view].T
        assert found[np.ix_(seen, seen)] == pytest.approx(inverse, abs=1e-12)
        assert found[~seen] == pytest.approx(0.0)
        assert products[view] == pytest.approx(columns[view, seen].T @ inverse @ columns[view, seen])


def test_the_noise_of_the_session_is_pooled_by_degrees_of_freedom():
    noise = CornerNoise(np.array([1.0, 4.0]), np.zeros(2), np.array([1.0, 8.0]), np.array([50.0, 100.0]))
    assert noise.sigma_px == pytest.approx(np.sqrt((1.0 + 2.0) / 150))
    assert not noise.is_uniform and noise.uniform().is_uniform
    assert not noise_of([0.1, 0.0], [1.0, 1.0]).is_uniform
    assert noise[np.array([1])].squares_px2.tolist() == [8.0]


@pytest.mark.parametrize("seed", range(3))
def test_the_size_of_shared_shifts_is_estimated(seed):
    """Shifts of 0.05 px that each region of a view shares, corners of 0.1 px: a ratio of a quarter."""
    rng = np.random.default_rng(seed)
    corners = corners_on_a_grid(30)
    shifts = rng.normal(size=(30, 9, 2)) * 0.05
    residual = np.einsum("nkb,nbj->nkj", _regions(corners), shifts) + 0.1 * rng.normal(size=(30, 54, 2))
    residual *= corners.weights[..., None]
    # Nothing is fitted: derivatives of nothing, a pose without effect.
    linearized = SimpleNamespace(
        information=np.tile(np.eye(6), (30, 1, 1)), jacobian=np.zeros((30, 54, 2, 6)), residual_px=residual
    )
    dof = 2 * corners.weights.sum(axis=1)
    found = estimate_corner_noise(corners, linearized, residual.reshape(30, -1), dof)
    assert np.average(found.shift_ratio) == pytest.approx(0.25, rel=0.25)
    assert found.sigma_px == pytest.approx(0.1, rel=0.05)


def test_shared_shifts_are_found_by_chance_in_one_session_of_a_hundred():
    """Independent corners: at most 9 times in 300 draws (binomial, p below 1e-3)."""
    rng = np.random.default_rng(6)
    corners = corners_on_a_grid(6)
    linearized = SimpleNamespace(information=np.tile(np.eye(6), (6, 1, 1)), jacobian=np.zeros((6, 54, 2, 6)))
    dof = 2 * corners.weights.sum(axis=1)
    found = [estimate_corner_noise(corners, linearized, 0.1 * rng.normal(size=(6, 108)), dof) for _ in range(300)]
    assert sum(bool(one.shift_ratio.any()) for one in found) <= 9
    assert np.mean([one.sigma_px for one in found]) == pytest.approx(0.1, rel=0.01)


def test_a_view_without_degrees_of_freedom_has_the_noise_of_the_session():
    corners = corners_on_a_grid(3)
    rng = np.random.default_rng(4)
    linearized = SimpleNamespace(information=np.tile(np.eye(6), (3, 1, 1)), jacobian=np.zeros((3, 54, 2, 6)))
    residual = 0.1 * rng.normal(size=(3, 108))
    found = estimate_corner_noise(corners, linearized, residual, np.array([0.5, 100.0, 100.0]))
    assert found.relative_variance[0] == pytest.approx(1.0)
    none = estimate_corner_noise(corners, linearized, residual, np.array([-2.0, 0.0, 0.5]))
    assert none.relative_variance == pytest.approx(np.ones(3)) and not none.shift_ratio.any()


def test_the_scale_of_a_drift_is_half_cauchy_of_a_fifth_of_a_millimetre(estimate):
    """At 0.05, 0.15, 0.45 and 1.35 mm: nodes a factor of three apart, by density times width."""
    problem, observations, joint = estimate
    scales = _scales_m(problem)
    assert scales == pytest.approx(0.05e-3 * 3.0 ** np.arange(4))
    assert _scales_m(replace(problem, drift_sigma_m=7e-4)).tolist() == [7e-4]
    gains = {1.0: 0.4, 3.0: 0.3, 9.0: 0.2, 27.0: 0.1}
    fits = SimpleNamespace(
        log_gain=lambda ratio: np.array([gains[round(ratio)]]), drift=lambda ratio: (np.full((1, 6), ratio), None)
    )
    found = _components_with_drift(MovedPart.BOARD, scales, np.array([5.0]), fits)
    density = scales / (1 + (scales / 0.2e-3) ** 2)
    expected = 5.0 + np.log(density / density.sum()) + np.array([0.1, 0.2, 0.3, 0.4])
    assert [float(one.log_weights[0]) for one in found] == pytest.approx(expected)
    assert [one.scale_m for one in found] == pytest.approx(scales)
    assert [one.drift[0, 0] for one in found] == pytest.approx([27, 9, 3, 1])
    assert observations is not None and joint is not None


@pytest.mark.parametrize(("pairs", "sigma_m", "count"), [(4, None, 0), (5, None, 2), (8, 0.0, 0), (8, 1e-4, 2)])
def test_either_part_may_creep_in_five_pairs(estimate, pairs, sigma_m, count):
    problem, _, joint = estimate
    ordered = OrderedModel(joint.model, np.arange(float(pairs)))
    assert len(_parts_that_may_creep(replace(problem, drift_sigma_m=sigma_m), ordered)) == count


def test_a_rotation_by_drift_counts_by_the_middle_of_the_working_distance(estimate):
    problem, _, _ = estimate
    stated = replace(problem, drift_sigma_m=3e-4, volume=WorkingVolume(0.5, 1.0))
    found = _largest_drift(stated, np.array([2.0, 3.0, 9.0]), MovedPart.CAMERA)
    assert (found.first, found.last, found.moved_part) == (2.0, 9.0, MovedPart.CAMERA)
    assert found.sigma == pytest.approx(np.repeat([3e-4, 4e-4], 3))


@pytest.mark.parametrize(("p_value", "is_possible"), [(0.19, True), (0.21, False)])
def test_a_drift_is_examined_at_a_p_value_of_a_fifth(estimate, monkeypatch, p_value, is_possible):
    problem, observations, joint = estimate
    pairs = OrderedModel(joint.model, observations.capture_order)
    left = [0.9, p_value]
    monkeypatch.setattr(drift, "_screening_p_value", lambda *_: left.pop(0))
    assert is_drift_possible(problem, pairs, None, joint.corner_sigma_px, joint.noise.best) is is_possible
    # The same in the average: only such a drift has a noise of its own.
    fitted = []
    original = drift._fits

    def fits(problem, model, sigma, start):
        fitted.append(model.nuisance_jacobian.shape[-1])
        return original(problem, model, sigma, start)

    monkeypatch.setattr(drift, "_fits", fits)
    monkeypatch.setattr(drift, "_screening_p_value", lambda *_: p_value)
    found = average_over_drift(problem, pairs, None, joint.corner_sigma_px, joint.noise.best)
    r = joint.model.nuisance_jacobian.shape[-1]
    assert fitted == ([r, r + 6, r + 6] if is_possible else [r])
    assert found.weights.sum() == pytest.approx(1.0) and (found.weights > 0.9e-4).all()
    if not is_possible:
        # Either part is tested.
        assert [one.p_value for one in found.drifts] == pytest.approx([2 * p_value] * 2)


@pytest.mark.parametrize(
    ("probabilities", "at_least", "is_found"),
    [((0.45, 0.08), 0.0, False), ((0.5, 0.1), 0.0, True), ((0.48, 0.05), 0.0, True), ((0.89, 0.1), 0.9, False),
     ((0.91, 0.01), 0.9, True), ((), 0.0, False)],
)  # fmt: skip
def test_the_most_probable_drift_is_more_probable_than_none(probabilities, at_least, is_found):
    drifts = tuple(SimpleNamespace(probability=one, drift=f"drift of {one}") for one in probabilities)
    found = most_probable_drift(drifts, at_least)
    assert (found is not None) is is_found
    assert found is None or found == f"drift of {probabilities[0]}"


def test_the_posterior_of_a_drift_is_the_mixture_over_its_scales():
    """Moments of a mixture of two scales; the drift at the more probable one."""
    sigma = np.repeat([2e-3, 1e-3], 3)
    largest = Drift(MovedPart.BOARD, 0.0, 9.0, sigma)
    means = np.array([[1.0, 0, 0, 0, 0, 0], [3.0, 0, 0, 0, 0, 0]])
    parts = [
        SimpleNamespace(drift=means[:1], drift_covariance=np.eye(6)[None], scale_m=5e-4),
        SimpleNamespace(drift=means[1:], drift_covariance=4 * np.eye(6)[None], scale_m=2e-3),
    ]
    found = _hypothesis(largest, 0.01, [(np.array([0.3]), parts[0]), (np.array([0.1]), parts[1])])
    assert isinstance(found, DriftHypothesis)
    assert (found.probability, found.p_value) == (pytest.approx(0.4), 0.01)
    assert found.change[0] == pytest.approx((0.75 * 1 + 0.25 * 3) * 2e-3)
    variance = (0.75 * 1 + 0.25 * 4 + 0.75 * 0.5**2 + 0.25 * 1.5**2) * 4e-6
    assert found.covariance[0, 0] == pytest.approx(variance)
    assert found.covariance[5, 5] == pytest.approx((0.75 + 1) * 1e-6)
    assert found.drift.sigma == pytest.approx(sigma / 4)


def test_the_hypotheses_of_a_stated_noise_have_the_probabilities_of_the_pairs_alone():
    def of(log_weights, p_value):
        parts = [SimpleNamespace(log_weights=np.array(one)) for one in log_weights]
        return parts, {MovedPart.BOARD: (None, p_value)}

    own, p_own = of([[0.0, 1.0], [2.0]], 0.5)
    other, p_other = of([[3.0], [1.0, 1.0]], 0.01)
    make = drift._Components
    own = [make(None, 0.0, one.log_weights, None, None, None) for one in own]
    other = [make(None, 0.0, one.log_weights, None, None, None) for one in other]
    found = _Hypotheses(own, {}, p_own).weighted_as(_Hypotheses(other, {}, p_other))
    totals = [np.log(np.exp(one.log_weights).sum()) for one in found.components]
    assert totals == pytest.approx([3.0, 1.0 + np.log(2)])
    assert np.diff(found.components[0].log_weights) == pytest.approx([1.0])
    assert found.at_largest == p_other


def test_variances_are_in_sixteen_classes_of_equal_probability():
    """In ascending order of the error; a node that is half in a class counts half there."""
    values = np.arange(32.0)[:, None] * np.array([1.0, 2, 0, 0]) + [0, 0, 5, 7]
    rng = np.random.default_rng(1)
    order = rng.permutation(32)
    variances = SimpleNamespace(values=values[order], weights=np.full(32, 1 / 32))
    found = variance_classes(variances, np.array([1.0, 0, 0, 0]))
    assert found[:, 0] == pytest.approx(0.5 + 2 * np.arange(16))
    assert found[:, 2:] == pytest.approx(np.tile([5.0, 7.0], (16, 1)))
    # Of three nodes, the middle one in parts of three classes.
    heavy = SimpleNamespace(values=np.diag([1.0, 2.0, 3.0, 0])[:3], weights=np.array([3, 2, 11]) / 32)
    one = variance_classes(SimpleNamespace(values=heavy.values, weights=heavy.weights * 2), np.array([1.0, 1, 1, 1]))
    assert one[0] == pytest.approx([1.0, 0, 0, 0])
    assert one[3] == pytest.approx([0, 2.0, 0, 0])
    assert one[15] == pytest.approx([0, 0, 3.0, 0])


def test_the_error_of_X_adds_up_to_that_of_the_fit(estimate):
    """Under white noise its sources are those of the covariance of X; correlated errors entry by entry."""
    problem, observations, joint = estimate
    reported = np.array([pair.base_T_flange for pair in problem.pairs])
    found = TransformError.of(joint, reported)
    noise = joint.noise.best
    whole = found.constant + noise.translation_m**2 * found.by_white[0] + noise.rotation_rad**2 * found.by_white[1]
    expected = joint.fits.covariance[0][:6, :6]
    size = np.sqrt(np.diagonal(expected))
    assert whole / size / size[:, None] == pytest.approx(expected / size / size[:, None], abs=0.02)
    for part, correlated in zip((slice(0, 3), slice(3, 6)), found.by_correlated, strict=True):
        total = np.zeros((6, 6))
        for i in range(8):
            for j in range(8):
                between = found.pairs.correlation[i, j] * found.pairs.axes[i] @ found.pairs.axes[j].T
                total += found.gain[:, i, part] @ (between + 0.25 * np.eye(3)) @ found.gain[:, j, part].T
        assert correlated == pytest.approx(total)
    classes = variance_classes(
        found.variances,
        (problem.displacement_metric * np.concatenate([found.by_white, found.by_correlated])).sum(axis=(1, 2)),
    )
    covariances = found.correlated_covariances(problem.displacement_metric)
    assert covariances.shape == (16, 6, 6)
    expected = found.constant + sum(
        size * one for size, one in zip(classes[3], [*found.by_white, *found.by_correlated], strict=True)
    )
    assert covariances[3] == pytest.approx(expected)
    assert observations is not None


def test_contributions_add_up_by_their_squares():
    found = ErrorContributions(0.3, 0.4, 1.2, 0.0, 0.0)
    assert found.total == pytest.approx(1.3)
    assert "touch" not in found.description and "board" in found.description
    assert "touch" in replace(found, touch=0.1).description


@pytest.mark.parametrize(("pairs", "shown_by"), [(40, 40), (41, 40)])
def test_the_variances_of_the_arm_are_shown_by_forty_pairs(estimate, monkeypatch, pairs, shown_by):
    """More cost far more, and the error of X has all of them."""
    problem, _, joint = estimate
    counts = []
    module = import_module("eyebolt.calibration.uncertainty.transform_error")
    rows = np.resize(np.arange(8), pairs)
    many = replace(joint, model=joint.model.of_rows(rows))
    reported = np.array([pair.base_T_flange for pair in problem.pairs])[rows]
    original = module.ErrorContrasts.of

    def contrasts(offsets):
        counts.append(offsets.count)
        return original(offsets)

    monkeypatch.setattr(module, "ErrorContrasts", SimpleNamespace(of=contrasts))
    monkeypatch.setattr(module, "integrated_variances", lambda *_: None)
    found = TransformError.of(many, reported)
    assert counts == [shown_by]
    assert found.gain.shape == (6, pairs, 6)
