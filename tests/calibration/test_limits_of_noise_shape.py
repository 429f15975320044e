"""Structures of the arm's noise, and the forward search: formulas from their definition, limits from both sides."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import chi2

from eyebolt.calibration.diagnosis.pose_resolution import _units
from eyebolt.calibration.estimation import joint_estimate, noise_shape
from eyebolt.calibration.estimation.linearization import fit_linear
from eyebolt.calibration.estimation.noise_shape import (
    ViewGeometry,
    _normalised,
    _scores,
    _Structure,
    _structures,
    select_noise_shape,
    select_pose_excess,
    structured_evidence,
)
from eyebolt.calibration.estimation.robot_noise import most_likely_noise, variance_of
from eyebolt.calibration.problem import PoseConvention, RobotNoise
from eyebolt.calibration.robust import forward_search
from eyebolt.calibration.robust.forward_search import _LinearPairs, consistent_subset
from eyebolt.geometry import se3
from eyebolt.geometry.pose_format import PoseFormat
from eyebolt_sim.problems import make_problem

NOISE = RobotNoise(1e-4, 3e-4)


@pytest.fixture(scope="module")
def joint(cases):
    """An estimate of ten clean pairs."""
    simulated = make_problem("fixed", 10, 4)
    problem = cases.convert(simulated, False)
    return joint_estimate(
        problem, cases.observations_of(problem), simulated.hand_eye_true, simulated.nuisance_true, posterior=False
    )


@pytest.fixture(scope="module")
def views():
    """Poses and distances of ten pairs."""
    rng = np.random.default_rng(2)
    poses = se3.exp(rng.normal(size=(10, 6)) * [0.3, 0.3, 0.3, 1, 1, 1]) + 0.0
    poses[:, :3, 3] += [0.5, 0.1, 0.4]
    return ViewGeometry(poses, rng.uniform(0.4, 0.9, size=10))


def test_a_bounded_square_has_the_moments_of_its_distribution():
    """SciPy: chi-squared with one degree of freedom, bounded at its 1 % point."""
    bound = chi2.isf(0.01, 1)
    assert pytest.approx(bound, abs=1e-3) == noise_shape._BOUND
    mean = quad(lambda x: x * chi2.pdf(x, 1), 0, bound)[0] + 0.01 * bound
    square = quad(lambda x: x * x * chi2.pdf(x, 1), 0, bound)[0] + 0.01 * bound**2
    assert pytest.approx(mean, abs=1e-3) == noise_shape._BOUNDED_MEAN
    assert pytest.approx(square - mean**2, abs=1e-3) == noise_shape._BOUNDED_VARIANCE


def test_the_alternatives_are_axes_of_two_frames_and_two_lengths(views):
    """Translation, rotation or both along each axis of flange and base with 4, 9 or 25 times the variance; growth with
    the fourth power of distance and reach, relative to their mean over the pairs used."""
    rows = np.arange(10) < 8
    found = _structures(views, rows)
    assert len(found) == noise_shape._ALTERNATIVES == 20
    assert {one.parameters for one in found[:18]} == {(3.0, 8.0, 24.0)}
    axes = np.eye(3)
    for k, one in enumerate(found[:9]):
        wanted = [np.r_[axes[k // 3], 0, 0, 0], np.r_[0, 0, 0, axes[k // 3]]]
        assert one.directions[4] == pytest.approx(np.array([wanted[:1], wanted[1:], wanted][k % 3]))
        assert (one.coefficient == 1).all()
    # An axis of the base in flange coordinates: a row of the rotation.
    for k, one in enumerate(found[9:18]):
        axis = views.base_T_flange[4, :3, :3].T @ axes[k // 3]
        wanted = [np.r_[axis, 0, 0, 0], np.r_[0, 0, 0, axis]]
        assert one.directions[4] == pytest.approx(np.array([wanted[:1], wanted[1:], wanted][k % 3]))
    reach = np.linalg.norm(views.base_T_flange[:, :3, 3], axis=1)
    for one, length in zip(found[18:], (views.distance_m, reach), strict=True):
        assert one.coefficient == pytest.approx((length / length[rows].mean()) ** 4 - 1)
        assert one.directions.shape == (10, 6, 6) and one.parameters == (1.0,)


def test_a_structure_adds_variance_along_its_direction_or_in_proportion():
    shape = np.diag([1.0, 2, 3, 4, 5, 6])[None]
    direction = np.array([[[0.6, 0.8, 0, 0, 0, 0]]])
    along = _Structure(direction, np.array([2.0]), (1.0,)).applied(shape, 3.0)
    assert along == pytest.approx(shape + 6 * direction[0].T @ direction[0])
    grown = _Structure(np.eye(6)[None], np.array([2.0]), (1.0,)).applied(shape, 3.0)
    assert grown == pytest.approx(7 * shape)


def test_the_shape_has_a_mean_of_one_for_translation_and_for_rotation():
    rng = np.random.default_rng(1)
    roots = rng.normal(size=(5, 6, 6))
    shape, inliers = roots @ np.swapaxes(roots, 1, 2), np.arange(5) < 3
    found = _normalised(shape, inliers)
    diagonal = np.diagonal(found, axis1=1, axis2=2)[inliers]
    assert (diagonal[:, :3].mean(), diagonal[:, 3:].mean()) == pytest.approx((1.0, 1.0))
    assert found[4, 0, 4] / shape[4, 0, 4] == pytest.approx(
        np.sqrt(found[4, 1, 2] / shape[4, 1, 2] * found[4, 3, 5] / shape[4, 3, 5])
    )


def test_the_score_is_that_of_the_likelihood_where_no_term_is_bounded(joint, views, monkeypatch):
    """Its numerator is twice the derivative of the restricted likelihood by the parameter (central differences)."""
    sigma_px, noise = joint.corner_sigma_px, joint.noise.best
    fits = fit_linear(joint.model, sigma_px, variance_of(noise)[None])
    monkeypatch.setattr(noise_shape, "_BOUND", 1e9)
    monkeypatch.setattr(noise_shape, "_BOUNDED_MEAN", 1.0)
    monkeypatch.setattr(noise_shape, "_BOUNDED_VARIANCE", 2.0)
    structures = _structures(views, np.ones(10, dtype=bool))[:18]
    shape = np.broadcast_to(np.eye(6), (10, 6, 6))
    scores = _scores(fits, structures, noise)
    for structure, score in list(zip(structures, scores, strict=True))[::2]:
        likelihoods = [
            fit_linear(
                replace(joint.model, arm_shape=structure.applied(shape, step)), sigma_px, variance_of(noise)[None]
            ).log_likelihood[0]
            for step in (-1e-3, 1e-3)
        ]
        derivative = (likelihoods[1] - likelihoods[0]) / 2e-3
        # Expectation of each term: what the projector leaves of the direction.
        weight, weighted = fits.weight[0], fits.weighted_design[0]
        projector = weight - weighted @ fits.covariance[0] @ np.swapaxes(weighted, -1, -2)
        size = np.repeat([noise.translation_m, noise.rotation_rad], 3)
        scaled = projector * size * size[:, None]
        expected = np.einsum("ndi,nij,ndj->nd", structure.directions, scaled, structure.directions)
        spread = np.sqrt(2.0 * (expected**2).sum())
        assert score == pytest.approx(2 * derivative / spread, abs=2e-3)


def test_a_term_of_the_score_is_bounded(joint, views):
    """A pair far off counts no more than one at the 1 % point."""
    model = joint.model
    structure = _structures(views, np.ones(10, dtype=bool))[:1]
    far = []
    for size in (1e-2, 1e-1):
        offset = model.offset.copy()
        offset[3, 0] += size
        fits = fit_linear(replace(model, offset=offset), joint.corner_sigma_px, variance_of(joint.noise.best)[None])
        far += _scores(fits, structure, joint.noise.best)
    assert far[0] == pytest.approx(far[1], rel=0.2)


def selected(monkeypatch, joint, views, scores, gains):
    """The shape selected where the scores and the log likelihoods gained over no structure are given, one a trial."""
    start, left = float(joint.fits.log_likelihood[0]), list(gains)
    rounds = iter(scores)
    monkeypatch.setattr(noise_shape, "_scores", lambda *_: next(rounds))

    def most_likely(model, *_):
        return NOISE, SimpleNamespace(log_likelihood=np.array([start + left.pop(0)]))

    monkeypatch.setattr(noise_shape, "most_likely_noise", most_likely)
    found = select_noise_shape(
        joint.model, joint.corner_sigma_px, joint.noise.prior, NOISE, joint.fits, views, np.ones(10, dtype=bool)
    )
    return found, left


@pytest.mark.parametrize(("score", "margin", "is_found"), [(2.1, 0.01, True), (1.9, 0.01, False), (2.1, -0.01, False)])
def test_a_structure_pays_for_its_parameter(monkeypatch, joint, views, score, margin, is_found):
    """Twice the likelihood gained exceeds log(60 - 12) + 2 log 20: Schwarz, with 20 alternatives; the score is two
    standard deviations."""
    required = (np.log(60 - 12) + 2 * np.log(20)) / 2
    scores = [[0.0] * 7 + [score] + [0.0] * 12, [0.0] * 20]
    gains = [required - 1, required + margin, required - 2]
    found, left = selected(monkeypatch, joint, views, scores, gains)
    assert (found is not None) is is_found
    assert left == ([] if score > 2 else gains)
    if found is not None:
        # The likeliest of the three ratios of variance, 9: rotation along the third axis of the flange.
        diagonal = np.diagonal(found[0])
        assert diagonal == pytest.approx([1, 1, 1, 3 / 11, 3 / 11, 27 / 11])


def test_three_structures_at_most(monkeypatch, joint, views):
    scores = [[5.0] + [0.0] * 19] * 9
    gains = [20.0 * k for k in range(1, 10)] + [0.0] * 20
    _, left = selected(monkeypatch, joint, views, scores, gains)
    assert len(left) == len(gains) - 9
    # Each of them pays for itself.
    _, left = selected(monkeypatch, joint, views, scores, [20.0] * 6 + [0.0] * 20)
    assert len(left) == 20


@pytest.mark.parametrize(("scores", "fitted"), [((1.1, 0.9), 1), ((0.9, 0.9), 0)])
def test_the_evidence_is_the_average_over_all_structures(monkeypatch, joint, views, scores, fitted):
    """Half of the prior has none, the other half any of the twenty, each value of a parameter alike; one without a
    score of a standard deviation counts as none."""
    plain, gain = 100.0, 3.0
    calls = []

    def most_likely(model, *_):
        calls.append(model.arm_shape)
        gained = 0.0 if model.arm_shape is None else gain + len(calls)
        return NOISE, SimpleNamespace(log_likelihood=np.array([plain + gained]))

    monkeypatch.setattr(noise_shape, "most_likely_noise", most_likely)
    monkeypatch.setattr(noise_shape, "_scores", lambda *_: [*scores] + [0.0] * 18)
    rows = np.ones(10, dtype=bool)
    evidence, shape = structured_evidence(
        joint.model, joint.corner_sigma_px, joint.noise.prior, joint.noise.best, views, rows
    )
    gains = [gain + 2 + k for k in range(3 * fitted)]
    average = 0.5 + 0.5 / 20 * (np.exp(gains).sum() / 3 + 20 - fitted)
    assert evidence == pytest.approx(plain + np.log(average))
    # exp(7) / 60 is more than 1: the last value is the most probable one.
    assert (shape is not None) is bool(fitted)
    if shape is not None:
        assert shape[0, 0, 0] == pytest.approx(25 * 3 / 27)


@pytest.mark.parametrize(("margin", "is_found"), [(0.01, True), (-0.01, False)])
def test_an_excess_of_the_board_poses_pays_for_its_parameter(monkeypatch, joint, margin, is_found):
    """By log(48) + 2 log 14; from 1.4 to 32 in half octaves, the likeliest."""
    required = (np.log(60 - 12) + 2 * np.log(14)) / 2
    start = float(joint.fits.log_likelihood[0])
    tried = []

    def most_likely(model, *_):
        factor = float(model.camera_unit_covariance[0, 0, 0] / joint.model.camera_unit_covariance[0, 0, 0])
        tried.append(factor)
        gained = required + margin if factor == pytest.approx(4.0) else required - 0.02
        return NOISE, SimpleNamespace(log_likelihood=np.array([start + gained]))

    monkeypatch.setattr(noise_shape, "most_likely_noise", most_likely)
    found = select_pose_excess(joint.model, joint.corner_sigma_px, joint.noise.prior, NOISE, joint.fits)
    assert found == pytest.approx(4.0 if is_found else 1.0)
    assert tried == pytest.approx([2 ** (k / 2) for k in range(1, 11)])


@pytest.mark.parametrize(
    ("rotation", "angle", "rad"),
    [("quaternion-wxyz", "deg", 2.0), ("euler-ZYX", "deg", np.pi / 180), ("rotation-vector", "rad", 1.0)],
)
def test_a_step_of_a_quaternion_is_two_radians(rotation, angle, rad):
    """A component changes by half the angle."""
    assert _units(PoseConvention(PoseFormat("mm", rotation, angle))) == pytest.approx((1e-3, rad))


@pytest.fixture(scope="module")
def linear_pairs(joint):
    """The ten pairs of the forward search."""
    return _LinearPairs.of(joint.model, joint.corner_sigma_px, np.arange(10))


def test_subsets_are_fitted_by_least_squares(joint, linear_pairs):
    """All offsets of a subset, whitened, with the prior of board and lens that the images leave: NumPy's ``lstsq``."""
    variances = np.array([variance_of(NOISE), variance_of(RobotNoise(5e-4, 1e-3))])
    weight = np.linalg.inv(linear_pairs.covariance(variances))
    subsets = np.zeros((2, 10), dtype=bool)
    subsets[0, :6], subsets[1, 3:9] = True, True
    residual, squares = linear_pairs.fit_subsets(subsets, weight)
    mean, spread = joint.model.nuisances_from_images(joint.corner_sigma_px)
    offset = joint.model.offset - joint.model.nuisance_jacobian @ mean
    for m in range(2):
        C = joint.corner_sigma_px**2 * joint.model.camera_unit_covariance + np.diag(variances[m])
        white = np.linalg.inv(np.linalg.cholesky(C))
        left = (white @ joint.model.design)[subsets[m]].reshape(36, -1)
        root = np.linalg.inv(np.linalg.cholesky(spread))
        left = np.vstack([left, np.hstack([np.zeros((len(root), left.shape[1] - len(root))), root])])
        right = np.concatenate([(white @ offset[..., None])[subsets[m]].ravel(), np.zeros(len(root))])
        scale = np.linalg.norm(left, axis=0)
        z = np.linalg.lstsq(left / scale, right, rcond=1e-13)[0] / scale
        rest = offset - joint.model.design @ z
        assert residual[m] == pytest.approx(rest, abs=2e-7)
        assert squares[m] == pytest.approx(((white @ rest[..., None]) ** 2).sum(axis=(1, 2)), rel=1e-2, abs=1e-2)


def test_variances_by_moments_lose_two_pairs_to_the_transforms(linear_pairs):
    """Squares less the corner noise, summed over 5 of the pairs, over 5 - 2; at least (0.1 um)^2."""
    subsets = np.zeros((2, 10), dtype=bool)
    subsets[0, [0, 2, 4, 6, 8]] = subsets[1, :5] = True
    residual = np.full((2, 10, 6), np.array([1e-3] * 3 + [2e-3] * 3))
    residual[1] = 0.0
    found = linear_pairs.estimate_variances(subsets, residual)
    camera = np.diagonal(linear_pairs.camera_covariance, axis1=1, axis2=2)[[0, 2, 4, 6, 8]]
    expected = np.array([5e-6 - camera[:, :3].mean(axis=1).sum(), 20e-6 - camera[:, 3:].mean(axis=1).sum()]) / 3
    assert found[0] == pytest.approx(np.repeat(expected, 3))
    assert found[1] == pytest.approx(np.full(6, 1e-14))


def test_a_third_of_outliers_is_left_out_and_the_others_are_consistent(joint):
    """Outliers of many times the noise, of different directions."""
    rng = np.random.default_rng(5)
    offset = joint.model.offset.copy()
    offset[[2, 5, 7]] += rng.normal(size=(3, 6)) * np.repeat([5e-3, 2e-2], 3)
    found = consistent_subset(replace(joint.model, offset=offset), joint.corner_sigma_px, variance_of(NOISE))
    assert found.tolist() == [0, 1, 3, 4, 6, 8, 9]
    assert consistent_subset(joint.model, joint.corner_sigma_px, variance_of(NOISE)).tolist() == list(range(10))


@pytest.mark.parametrize(("count", "core"), [(10, 7), (20, 13), (7, 5), (90, 39)])
def test_the_search_grows_from_65_per_cent_of_at_most_60_pairs(monkeypatch, count, core):
    """Fifty subsets of five, five concentration steps, of which two with all of them and the others with ten, and one
    more pair at a time until all are in."""
    fitted = []
    rng = np.random.default_rng(3)

    class Pairs:
        def covariance(self, variances):
            return np.broadcast_to(np.eye(6), (len(variances), min(count, 60), 6, 6))

        def fit_subsets(self, subsets, weight):
            fitted.append((len(subsets), int(subsets[0].sum())))
            assert (subsets.sum(axis=1) == subsets[0].sum()).all()
            # Every subset fits some other pairs best, and an outlier is beyond 20.
            squares = rng.uniform(0.0, 19.0, size=subsets.shape)
            return np.zeros((*subsets.shape, 6)), squares

        def estimate_variances(self, subsets, residual):
            return np.ones((len(subsets), 6))

    monkeypatch.setattr(forward_search, "_LinearPairs", SimpleNamespace(of=lambda *_: Pairs()))
    found = consistent_subset(SimpleNamespace(offset=np.zeros((count, 6))), 0.1, np.ones(6))
    n = min(count, 60)
    sizes = [5, core, core, core, core, core, *range(core + 1, n)]
    assert [size for _, size in fitted] == sizes[: len(fitted)] and len(fitted) == len(sizes)
    assert fitted[0][0] == 50
    if count >= 20:
        assert [subsets for subsets, _ in fitted[:3]] == [50, 50, 10]
    assert len(found) == n
    assert len(np.unique(found)) == n and found.max() < count


@pytest.mark.parametrize(("squares", "is_inlier"), [(19.9, True), (20.1, False)])
def test_a_pair_beyond_a_square_of_20_is_an_outlier_of_bounded_cost(monkeypatch, squares, is_inlier):
    """The 0.28 % point of chi-squared with six degrees of freedom."""
    assert chi2.sf(20.0, 6) == pytest.approx(1 / 360, rel=0.01)

    class Pairs:
        def covariance(self, variances):
            return np.broadcast_to(np.eye(6), (len(variances), 10, 6, 6))

        def fit_subsets(self, subsets, weight):
            out = np.ones(subsets.shape)
            out[:, 9] = squares
            return np.zeros((*subsets.shape, 6)), out

        def estimate_variances(self, subsets, residual):
            return np.ones((len(subsets), 6))

    monkeypatch.setattr(forward_search, "_LinearPairs", SimpleNamespace(of=lambda *_: Pairs()))
    found = consistent_subset(SimpleNamespace(offset=np.zeros((10, 6))), 0.1, np.ones(6))
    assert found.tolist() == list(range(10 if is_inlier else 9))


@pytest.mark.parametrize(("log_sigma", "kept"), [(0.55, 10), (0.45, 8)])
def test_the_cost_of_a_set_is_its_restricted_likelihood(monkeypatch, log_sigma, kept):
    """Two explanations of ten pairs: all fit with squares of 1 and some noise, or two are beyond 20 with less of it.

    The latter costs 2 * 20 - 2 more in the squares and gains (1 - 2 / 10) times the difference of the log determinants.
    """
    gap = 38 / 0.8 / 10
    rounds = []

    class Pairs:
        def covariance(self, variances):
            # Six equal variances v: a log determinant of 6 log v for each pair.
            return np.eye(6) * variances[:, None, :1, None] * np.ones((1, 10, 1, 1))

        def fit_subsets(self, subsets, weight):
            rounds.append(1)
            out = np.ones(subsets.shape)
            if len(rounds) > 1:
                out[:, 8:] = 30.0
            return np.zeros((*subsets.shape, 6)), out

        def estimate_variances(self, subsets, residual):
            return np.full((len(subsets), 6), np.exp(-gap / 6 * 2 * (1 - log_sigma)))

    monkeypatch.setattr(forward_search, "_LinearPairs", SimpleNamespace(of=lambda *_: Pairs()))
    found = consistent_subset(SimpleNamespace(offset=np.zeros((10, 6))), 0.1, np.ones(6))
    assert len(found) == kept


def test_a_likelihood_of_the_noise_is_that_of_the_model_that_is_given(joint):
    """The evidence without any structure is that of white noise."""
    noise, fits = most_likely_noise(joint.model, joint.corner_sigma_px, joint.noise.prior, NOISE)
    assert fits.log_likelihood[0] == pytest.approx(
        fit_linear(joint.model, joint.corner_sigma_px, variance_of(noise)[None]).log_likelihood[0]
    )
