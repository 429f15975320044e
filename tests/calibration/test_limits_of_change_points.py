"""The test for a change point: its closed form against least squares, and each of its limits from both sides."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import chi2, f

from eyebolt.calibration.estimation import Drift, MovedPart, joint_estimate, motion_columns, step_profile
from eyebolt.calibration.estimation.robot_noise import variance_of
from eyebolt.calibration.problem import RobotNoise
from eyebolt.calibration.robust import change_points
from eyebolt.calibration.robust.change_points import (
    ChangePoint,
    StepChange,
    _best_change,
    _Candidate,
    _least_squares,
    _p_value,
    _predictive_p_value,
    _sums_from_each_row,
    creeps_rather,
    find_step_change,
    is_error_of_arm,
)
from eyebolt_sim.problems import make_problem

NOISE = RobotNoise(1e-4, 3e-4)


@pytest.fixture(scope="module")
def joint(cases):
    """An estimate of eight clean pairs."""
    simulated = make_problem("fixed", 8, 3)
    problem = cases.convert(simulated, False)
    return joint_estimate(
        problem, cases.observations_of(problem), simulated.hand_eye_true, simulated.nuisance_true, posterior=False
    )


def offset_by(model, moved_part, at, change):
    """The model with a change of ``moved_part`` from row ``at`` on in its offsets."""
    moved = motion_columns(model, moved_part, step_profile(len(model.offset), at)) @ change
    return replace(model, offset=model.offset + moved)


def by_least_squares(model, sigma_px, variances, moved_part, at):
    """Sum of squares without and with the change as six free columns, the change, and the squares of each pair:
    stacked whitened equations and NumPy's ``lstsq``."""
    n = len(model.offset)
    covariance = sigma_px**2 * model.camera_unit_covariance + np.diag(variances)
    whitening = np.linalg.inv(np.linalg.cholesky(covariance))
    design = (whitening @ model.design).reshape(6 * n, -1)
    offset = (whitening @ model.offset[..., None]).ravel()
    moved = (whitening @ motion_columns(model, moved_part, step_profile(n, at))).reshape(6 * n, 6)
    # Prior and what the images show of the nuisance parameters.
    mean, spread = model.nuisances_from_images(sigma_px)
    root = np.linalg.inv(np.linalg.cholesky(spread))
    prior = np.hstack([np.zeros((len(mean), design.shape[1] - len(mean))), root])
    right = np.concatenate([offset, root @ mean])
    squares = []
    for columns in (np.zeros((6 * n, 0)), moved):
        left = np.vstack([np.hstack([design, columns]), np.hstack([prior, np.zeros((len(mean), columns.shape[1]))])])
        # Unit columns: metres and radians compare.
        scale = np.linalg.norm(left, axis=0)
        found = np.linalg.lstsq(left / scale, right, rcond=1e-13)[0] / scale
        rest = right - left @ found
        squares.append(float(rest @ rest))
    return squares[0] - squares[1], found[-6:], (rest[: 6 * n].reshape(n, 6) ** 2).sum(axis=1)


@pytest.mark.parametrize("moved_part", MovedPart)
@pytest.mark.parametrize("at", [2, 4, 6])
def test_the_best_change_is_that_of_least_squares(joint, moved_part, at):
    change = np.array([2e-3, -1e-3, 3e-3, 4e-3, 2e-3, -5e-3])
    model = offset_by(joint.model, moved_part, at, change)
    found = _best_change(model, joint.corner_sigma_px, variance_of(NOISE))
    assert (found.moved_part, found.at) == (moved_part, at)
    gain, best, squares = by_least_squares(model, joint.corner_sigma_px, variance_of(NOISE), moved_part, at)
    assert found.gain == pytest.approx(gain, rel=1e-5)
    assert found.change == pytest.approx(best, rel=1e-4, abs=1e-8)
    assert found.mahalanobis_sq == pytest.approx(squares, rel=1e-3, abs=1e-6)
    assert found.change == pytest.approx(change, abs=2e-3)


def test_a_change_has_two_pairs_on_either_side():
    """Sums of 5 rows from rows 2 and 3 on."""
    assert _sums_from_each_row(np.array([1.0, 10.0, 100.0, 1e3, 1e4])).tolist() == [11100.0, 11000.0]


@pytest.mark.parametrize(("ratio", "is_known"), [(1.5e-9, True), (0.7e-9, False)])
def test_a_direction_with_a_billionth_of_the_information_is_unobservable(ratio, is_known):
    """Eigenvalues 1 - c and 1 + c of two numbers with the correlation c, whatever their units."""
    c = (1 - ratio) / (1 + ratio)
    units = np.array([1e3, 1.0])
    information = np.array([[1, -c], [-c, 1]]) * units[:, None] * units
    right = np.array([1.0, 1.0]) * units
    (found,) = _least_squares(information[None], right[None])
    # Along (1, 1) the information is 1 - c.
    expected = np.ones(2) / (1 - c) / units if is_known else np.zeros(2)
    np.testing.assert_allclose(found, expected, rtol=1e-6, atol=1e-9)


def test_a_change_of_which_nothing_is_known_is_none():
    np.testing.assert_array_equal(_least_squares(np.zeros((1, 6, 6)), np.zeros((1, 6))), np.zeros((1, 6)))


def test_the_f_statistic_of_a_change():
    """SciPy: gain of six numbers over the squares of what their 48 - 12 - 6 degrees of freedom leave."""
    model = SimpleNamespace(offset=np.zeros((8, 6)), observable_basis=np.zeros((12, 12)))
    best = _Candidate(MovedPart.BOARD, 3, np.zeros(6), 40.0, np.full(8, 5.0))
    assert _p_value(model, best, 17.0) == pytest.approx(f.sf(40.0 / 6 / (40.0 / 30), 6, 17.0))


def test_the_predictive_p_value_is_the_average_over_the_noise(monkeypatch, joint):
    """Chi-squared with six degrees of freedom at each value of the noise (SciPy)."""
    posterior = SimpleNamespace(weights=np.array([0.3, 0.7]))
    squares = SimpleNamespace(chi2_of_last=lambda count: np.array([10.0, 20.0]) if count == 6 else None)
    monkeypatch.setattr(change_points, "most_likely_noise", lambda *_: (NOISE, None))
    monkeypatch.setattr(change_points, "noise_posterior", lambda *_: (posterior, squares))
    best = _Candidate(MovedPart.BOARD, 3, np.zeros(6), 40.0, np.full(8, 5.0))
    assert _predictive_p_value(joint, best) == pytest.approx(0.3 * chi2.sf(10, 6) + 0.7 * chi2.sf(20, 6))


DOF = 30.0


def searched(monkeypatch, n, p_values, *, predictive=0.0, outlier_p=()):
    """What ``find_step_change`` makes of n pairs, the F test of the rounds having ``p_values``; and its rounds."""
    mahalanobis_sq = np.zeros(n)
    mahalanobis_sq[: len(outlier_p)] = 6 * f.isf(np.array(outlier_p), 6, DOF) if outlier_p else 0.0
    best = _Candidate(MovedPart.CAMERA, 4, np.arange(6.0), 1.0, mahalanobis_sq)
    model = SimpleNamespace(offset=np.zeros((n, 6)), observable_basis=np.zeros((12, 12)))
    asked = []

    def dof(pairs, unknowns):
        asked.append((pairs, unknowns))
        return DOF

    left = list(p_values)
    rounds = []
    noise = SimpleNamespace(best=NOISE, prior=None, dof=dof)
    monkeypatch.setattr(change_points, "_best_change", lambda *_: best)
    monkeypatch.setattr(change_points, "_p_value", lambda *_: left.pop(0) if len(left) > 1 else left[0])
    monkeypatch.setattr(change_points, "_with_change", lambda *_: model)
    monkeypatch.setattr(change_points, "_predictive_p_value", lambda *_: predictive)

    def most_likely_noise(*_):
        rounds.append(1)
        return NOISE, None

    monkeypatch.setattr(change_points, "most_likely_noise", most_likely_noise)
    found = find_step_change(SimpleNamespace(model=model, corner_sigma_px=0.1, noise=noise))
    assert asked in ([], [(n, 18)])
    return found, len(rounds)


@pytest.mark.parametrize(("n", "is_tested"), [(4, False), (5, True), (150, True), (151, False)])
def test_five_to_150_pairs_are_tested(monkeypatch, n, is_tested):
    found, _ = searched(monkeypatch, n, [1e-12])
    assert (found is not None) is is_tested


@pytest.mark.parametrize(("n", "places"), [(5, 2), (8, 5), (20, 17)])
@pytest.mark.parametrize(("share", "is_found"), [(0.95, True), (1.05, False)])
def test_one_false_alarm_in_a_thousand_sessions(monkeypatch, n, places, share, is_found):
    """Over two transforms and every place with two pairs on either side."""
    p_value = share * 1e-3 / (2 * places)
    found, _ = searched(monkeypatch, n, [p_value])
    assert (found is not None) is is_found
    if found is not None:
        assert (found.moved_part, found.at, found.outliers) == (MovedPart.CAMERA, 4, ())
        assert found.change.tolist() == [0, 1, 2, 3, 4, 5]
        assert found.p_value == pytest.approx(share * 1e-3)
    # The larger one of two p-values decides.
    found, _ = searched(monkeypatch, n, [1e-12], predictive=p_value)
    assert (found is not None) is is_found
    found, _ = searched(monkeypatch, n, [p_value], predictive=1e-12)
    assert (found is not None) is is_found


@pytest.mark.parametrize(("first", "rounds"), [(0.09, 2), (0.11, 0)])
def test_a_change_of_a_p_value_below_a_tenth_is_fitted_twice(monkeypatch, first, rounds):
    assert searched(monkeypatch, 8, [first, 1e-12])[1] == rounds


@pytest.mark.parametrize(
    ("outlier_p", "rows"),
    [([0.95e-4], (0,)), ([1.05e-4], ()), ([1e-6, 1e-6], (0, 1)), ([1e-6] * 3, None), ([1e-6] * 2 + [1.05e-4], (0, 1))],
)
def test_a_fifth_of_the_pairs_may_be_outliers_beside_a_change(monkeypatch, outlier_p, rows):
    """Of ten; a pair is one whose squares have a p-value below 1e-4 (SciPy)."""
    found, _ = searched(monkeypatch, 10, [1e-12], outlier_p=outlier_p)
    assert (found and found.outliers) == rows


@pytest.mark.parametrize("kept_before", [True, False])
def test_the_pairs_on_the_other_side_are_excluded(kept_before):
    point = ChangePoint(StepChange(MovedPart.BOARD, 2, np.zeros(6), 0.0), 3, kept_before)
    np.testing.assert_array_equal(point.excluded_rows(5), np.array([0, 0, 0, 1, 1]) == kept_before)


@pytest.mark.parametrize(("margin", "creeps"), [(0.05, True), (-0.05, False)])
def test_the_place_of_a_step_costs_its_likelihood(monkeypatch, joint, margin, creeps):
    """One of 8 - 3 places: a drift may be less likely by log 5."""
    likelihoods = iter([100.0 + margin, 100.0 + math.log(5)])
    monkeypatch.setattr(change_points, "_restricted_log_likelihood", lambda *_: next(likelihoods))
    step = StepChange(MovedPart.BOARD, 3, np.zeros(6), 1e-6)
    drift = Drift(MovedPart.CAMERA, 0.0, 7.0, np.ones(6))
    assert creeps_rather(joint, drift, np.arange(8.0), step) is creeps


@pytest.mark.parametrize(
    ("structured", "correlated", "is_arm"),
    [(0.05, -50.0, True), (-0.05, -50.0, False), (-50.0, 0.05, True), (-50.0, -0.05, False)],
)
def test_an_error_of_the_arm_is_weighed_against_a_step_at_any_place(monkeypatch, joint, structured, correlated, is_arm):
    """Either kind of error is the cause if it is likelier than the step less log 5."""
    step = StepChange(MovedPart.BOARD, 3, np.array([3e-3, 0, 0, 0, 0, 6e-3]), 1e-6)
    evidence = iter([structured, math.log(5)])
    models = []

    def structured_evidence(model, *_):
        models.append(model)
        return next(evidence), None

    of = iter([correlated, math.log(5)])
    monkeypatch.setattr(change_points, "structured_evidence", structured_evidence)
    monkeypatch.setattr(change_points, "most_likely_noise", lambda *_: (NOISE, None))
    monkeypatch.setattr(change_points, "arm_offsets", lambda *_: next(of))
    monkeypatch.setattr(change_points, "reml_variances", lambda *_: (None,))
    monkeypatch.setattr(
        change_points,
        "ErrorContrasts",
        SimpleNamespace(of=lambda value: SimpleNamespace(log_likelihood=lambda variances: value)),
    )
    views = SimpleNamespace(base_T_flange=None)
    assert is_error_of_arm(joint, views, step) is is_arm
    # The prior of the step has its own size, as a root mean square over the axes.
    plain, with_step = models
    added = with_step.nuisance_jacobian[..., plain.nuisance_jacobian.shape[-1] :]
    columns = motion_columns(plain, MovedPart.BOARD, step_profile(8, 3))
    np.testing.assert_allclose(added, columns * (np.repeat([3e-3, 6e-3], 3) / math.sqrt(3)))
