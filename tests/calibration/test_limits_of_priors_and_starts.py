"""Checks of the priors, the closed forms, the pose formats and the noise: each limit from both sides."""

from dataclasses import replace
from importlib import import_module
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import f

from eyebolt.calibration.diagnosis import corner_numbering, misread_poses
from eyebolt.calibration.diagnosis.misread_poses import HypothesisFit, PoseFormatHypothesis, ranked_hypotheses
from eyebolt.calibration.estimation import initialization, joint_estimate
from eyebolt.calibration.estimation.initialization import InitialEstimate, _rotation_from_motions, consensus_start
from eyebolt.calibration.estimation.linearization import fit_linear
from eyebolt.calibration.estimation.robot_noise import (
    NoisePrior,
    _bfgs_update,
    _score,
    most_likely_noise,
    noise_posterior,
)
from eyebolt.calibration.nuisance_prior import ParameterGroup
from eyebolt.calibration.problem import PoseConvention, RobotNoise
from eyebolt.calibration.robust import arm_axes, pose_correlation, prior_check
from eyebolt.calibration.robust.prior_check import (
    PriorContradiction,
    _arm_covariance,
    _compare,
    _consistent_factor,
    _distance,
    _Evidence,
    _evidence,
    find_contradictions,
    is_wider_prior_preferred,
)
from eyebolt.geometry import se3
from eyebolt.geometry.pose_format import PoseFormat
from eyebolt.observations import Pair
from eyebolt_sim.problems import make_problem
from support.problems import convert, observations_of

solving = import_module("eyebolt.calibration.solve")
POSES = np.tile(np.eye(4), (12, 1, 1))


@pytest.fixture(scope="module")
def estimate():
    """An estimate of twelve pairs, its problem and its observations."""
    simulated = make_problem("fixed", 12, 7)
    problem = convert(simulated, False)
    observations = observations_of(problem)
    joint = joint_estimate(problem, observations, simulated.hand_eye_true, simulated.nuisance_true, posterior=False)
    return problem, observations, joint


def test_the_distance_of_an_estimate_is_that_of_its_score():
    """A score has the covariance L + b^2 L^2, L its information, and that of the arm's errors."""
    score, information = np.array([3.0, -40.0]), np.array([2.0, 500.0])
    root = np.array([[1.0, 0.0], [3.0, 2.0]])
    for b in (1.0, 3.0):
        covariance = np.diag(information + b**2 * information**2) + root @ root.T
        expected = score @ np.linalg.solve(covariance, score)
        assert _distance(score, information, (root @ root.T)[None], b) == pytest.approx([expected])


@pytest.mark.parametrize("size", [0.5, 3.0, 1e4])
def test_a_prior_is_widened_until_the_distance_is_its_expectation(size):
    """Two, the number of parameters (SciPy's root finder); a prior that holds is not narrowed."""
    information, added = np.array([2.0, 500.0]), np.zeros((1, 2, 2))
    score = size * np.sqrt(information + information**2)
    found = _consistent_factor(score, information, added)

    def excess(b):
        return (score**2 / (information + b**2 * information**2)).sum() - 2

    assert found == pytest.approx(1.0 if excess(1.0) <= 0 else brentq(excess, 1.0, 1e9), rel=1e-9)


def test_the_evidence_is_that_of_the_likelihood_without_the_prior_of_the_group(estimate):
    """Score and information with everything else eliminated (Schur complement), along its eigenvectors."""
    _, _, joint = estimate
    normal = joint.fits.normal[0]
    is_own = np.zeros(len(normal), dtype=bool)
    is_own[13:16] = True
    found = _evidence(joint, is_own)
    bare = normal - np.diag(is_own.astype(float))
    scale = np.sqrt(np.diagonal(normal))
    scaled, right = bare / scale / scale[:, None], (normal @ joint.fits.z[0]) / scale
    other = np.linalg.solve(scaled[np.ix_(~is_own, ~is_own)], scaled[np.ix_(~is_own, is_own)])
    information = scaled[np.ix_(is_own, is_own)] - scaled[np.ix_(is_own, ~is_own)] @ other
    information *= np.outer(scale[is_own], scale[is_own])
    score = (right[is_own] - other.T @ right[~is_own]) * scale[is_own]
    rebuilt = found.vectors @ np.diag(found.information) @ found.vectors.T
    assert rebuilt == pytest.approx(information, rel=1e-4, abs=1e-5 * np.trace(information))
    assert found.vectors @ found.score == pytest.approx(score, rel=1e-3, abs=1e-4 * np.abs(score).max())
    # A score is linear in the offsets.
    model = joint.model
    moved = replace(model, offset=model.offset + 1e-4)
    fits = fit_linear(moved, joint.corner_sigma_px, np.repeat(np.array([1e-4, 3e-4]) ** 2, 3)[None])
    here = fit_linear(model, joint.corner_sigma_px, np.repeat(np.array([1e-4, 3e-4]) ** 2, 3)[None])
    one, two = (_evidence(SimpleNamespace(fits=fit), is_own) for fit in (here, fits))
    assert two.score - one.score == pytest.approx((one.by_offset * 1e-4).sum(axis=(0, 1)), rel=1e-3, abs=1e-4)


def test_a_direction_with_a_millionth_of_the_information_is_left_out():
    """Relative to what there was before anything was eliminated."""
    for ratio, count in ((1.5e-6, 2), (0.7e-6, 1)):
        normal = np.diag([1.0, 1e6 + 1, ratio * 1e6 + 1])
        fits = SimpleNamespace(normal=normal[None], z=np.zeros((1, 3)), weighted_design=np.zeros((1, 2, 6, 3)))
        found = _evidence(SimpleNamespace(fits=fits), np.array([False, True, True]))
        assert len(found.information) == count


def compared(monkeypatch, score, *, group=ParameterGroup.BOARD, focal=0.0, added=None, weights=None):
    """The comparison for one parameter of information 4 with this ``score``; of a lens if ``focal`` is not 0."""
    evidence = _Evidence(np.array([score]), np.array([4.0]), np.zeros((2, 6, 1)), np.eye(1))
    monkeypatch.setattr(prior_check, "_evidence", lambda *_: evidence)
    none = np.zeros((1, 1, 1)), np.ones(1)
    monkeypatch.setattr(
        prior_check, "_arm_covariance", lambda *_: none if added is None else (np.array(added), np.array(weights))
    )
    prior = SimpleNamespace(columns_of=lambda _: np.array([True]), functional=lambda _: np.array([focal]))
    joint = SimpleNamespace(
        fits=SimpleNamespace(normal=np.zeros((1, 3, 3))),
        model=SimpleNamespace(observable_basis=np.zeros((12, 2)), offset=np.zeros((8, 6))),
        noise=SimpleNamespace(dof=lambda pairs: 20.0),
    )
    found = _compare(joint, prior, group, POSES)
    assert len(found) <= 1
    return next(iter(found), None)


@pytest.mark.parametrize("group", [ParameterGroup.BOARD, ParameterGroup.LENS])
@pytest.mark.parametrize(("share", "is_found"), [(0.95, True), (1.05, False)])
def test_a_prior_is_contradicted_once_in_a_hundred_sessions(monkeypatch, group, share, is_found):
    """Over three tests: the score of information 4 has the variance 4 + 16 (SciPy's F distribution)."""
    squares = 20 * f.isf(share * 0.01 / 3, 1, 20)
    found = compared(monkeypatch, np.sqrt(squares), group=group)
    assert (found is not None) is is_found
    if found is not None:
        assert (found.group, found.of_focal_length) == (group, False)
        assert found.p_value == pytest.approx(share * 0.01 / 3)
        # The distance over 4 + 16 b^2 is 1.
        assert found.factor == pytest.approx(np.sqrt((squares - 4) / 16))


def test_errors_of_the_arm_are_no_contradiction(monkeypatch):
    """The p-value is averaged over their size."""
    squares = 20 * f.isf(1e-4, 1, 20)
    added, weights = [[[5.0]], [[100.0]]], [0.3, 0.7]
    averaged = 0.3 * f.sf(squares / 25, 1, 20) + 0.7 * f.sf(squares / 120, 1, 20)
    assert averaged > 0.01 / 3
    assert compared(monkeypatch, np.sqrt(squares), added=added, weights=weights) is None
    found = compared(monkeypatch, 10 * np.sqrt(squares), added=added, weights=weights)
    assert found.p_value == pytest.approx(
        0.3 * f.sf(100 * squares / 25, 1, 20) + 0.7 * f.sf(100 * squares / 120, 1, 20)
    )
    assert found.factor == pytest.approx(np.sqrt((100 * squares - 4 - 0.3 * 5 - 0.7 * 100) / 16))


def test_the_focal_length_is_tested_by_itself(monkeypatch):
    """With two parameters, the other one as expected, it has the smaller p-value; its excess square widens its prior.

    The posterior mean of a parameter with score s and information L is s / (1 + L), of variance L (1 + L) / (1 + L)^2.
    """
    information = np.array([4.0, 9.0])
    squares = 20 * f.isf(1e-4, 1, 20)
    evidence = _Evidence(np.array([np.sqrt(squares), 0.0]), information, np.zeros((2, 6, 2)), np.eye(2))
    monkeypatch.setattr(prior_check, "_evidence", lambda *_: evidence)
    monkeypatch.setattr(prior_check, "_arm_covariance", lambda *_: (np.array([np.diag([10.0, 0.0])]), np.ones(1)))
    prior = SimpleNamespace(columns_of=lambda _: np.array([True, True]), functional=lambda _: np.array([3.0, 0.0]))
    joint = SimpleNamespace(
        fits=SimpleNamespace(normal=np.zeros((1, 4, 4))),
        model=SimpleNamespace(observable_basis=np.zeros((12, 2)), offset=np.zeros((8, 6))),
        noise=SimpleNamespace(dof=lambda pairs: 20.0),
    )
    alone, whole = _compare(joint, prior, ParameterGroup.LENS, POSES)
    assert (alone.of_focal_length, whole.of_focal_length) == (True, False)
    assert alone.p_value == whole.p_value == pytest.approx(f.sf(squares / 30, 1, 20))
    # s^2 less its expectation 4 + 16 + 10, over (L d)^2 = 16.
    assert alone.factor == pytest.approx(np.sqrt(1 + (squares - 30) / 16))
    # As a whole: the factor b at which s^2 is 4 + 16 b^2 + 10.
    assert whole.factor == pytest.approx(np.sqrt((squares - 14) / 16))
    # Another group has no focal length.
    (board,) = _compare(joint, prior, ParameterGroup.BOARD, POSES)
    assert not board.of_focal_length


def test_the_clearest_contradiction_comes_first(monkeypatch):
    by_group = {
        ParameterGroup.BOARD: (PriorContradiction(ParameterGroup.BOARD, False, 1e-4, 2.0),),
        ParameterGroup.LENS: (PriorContradiction(ParameterGroup.LENS, False, 1e-6, 2.0),),
    }
    monkeypatch.setattr(prior_check, "_compare", lambda joint, prior, group, poses: by_group[group])
    assert [found.group for found in find_contradictions(None, None, POSES)] == ["lens", "board"]
    by_group[ParameterGroup.LENS] = ()
    assert [found.group for found in find_contradictions(None, None, POSES)] == ["board"]


def test_the_focal_length_alone_is_widened_where_it_alone_is_contradicted():
    prior = SimpleNamespace(
        with_wider_focal_length=lambda camera, factor: ("focal", camera, factor),
        widened=lambda group, factor: (group, factor),
    )
    found = PriorContradiction(ParameterGroup.LENS, True, 1e-6, 2.0)
    assert found.widened(prior, "camera") == ("focal", "camera", 2.0)
    assert replace(found, of_focal_length=False).widened(prior, "camera") == (ParameterGroup.LENS, 2.0)


@pytest.mark.parametrize(("margin", "is_preferred"), [(0.01, True), (-0.01, False)])
def test_a_wider_prior_needs_odds_of_49(monkeypatch, margin, is_preferred):
    """One in fifty boards or lenses deviates; against the evidence for an arm with pose-correlated errors."""
    variances = SimpleNamespace(log_evidence=lambda range_m: 2.0 if range_m == 7e-4 else None)
    monkeypatch.setattr(prior_check, "integrated_variances", lambda *_: variances)
    monkeypatch.setattr(prior_check, "arm_offsets", lambda *_: None)
    monkeypatch.setattr(prior_check, "ErrorContrasts", SimpleNamespace(of=lambda _: None))
    stated = SimpleNamespace(noise=SimpleNamespace(log_evidence=30.0), model=None)
    widened = SimpleNamespace(noise=SimpleNamespace(log_evidence=30.0 + 2.0 + np.log(49) + margin))
    assert bool(is_wider_prior_preferred(stated, widened, POSES, 7e-4)) is is_preferred


@pytest.mark.parametrize(("margin", "is_counted"), [(0.01, True), (-0.01, False)])
def test_errors_of_the_arm_count_where_the_pairs_show_them(estimate, monkeypatch, margin, is_counted):
    """By Schwarz's criterion for one parameter: a likelihood ratio statistic of the log of their contrasts."""
    problem, _, joint = estimate
    is_own = np.zeros(joint.fits.normal.shape[-1], dtype=bool)
    is_own[13:15] = True
    evidence = _evidence(joint, is_own)
    variances = SimpleNamespace(
        likelihood_ratio=np.log(72 - 12 - 2) + margin,
        values=np.array([[0, 0, 1e-8, 4e-8], [0, 0, 9e-8, 1e-8]]),
        weights=np.array([0.4, 0.6]),
    )
    monkeypatch.setattr(prior_check, "integrated_variances", lambda *_: variances)
    poses = problem.mount.chain(np.array([pair.base_T_flange for pair in problem.pairs]))
    added, weights = _arm_covariance(joint, is_own, evidence, poses)
    if not is_counted:
        assert (added == 0).all() and weights.tolist() == [1.0]
        return
    assert weights.tolist() == [0.4, 0.6]
    # Entry by entry: the covariance of two pairs is their correlation times the product of their axes.
    between, axes = pose_correlation(poses, poses), arm_axes(poses)
    expected = np.zeros((2, 2))
    for i in range(12):
        for j in range(12):
            block = between[i, j] * axes[i] @ axes[j].T
            for part, variance in ((slice(0, 3), 1e-8), (slice(3, 6), 4e-8)):
                expected += variance * evidence.by_offset[i, part].T @ block @ evidence.by_offset[j, part]
    assert added[0] == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(
    ("converged", "noise_m", "is_examined"), [(True, 2.9e-3, True), (True, 3.1e-3, False), (False, 1e-4, False)]
)
def test_an_estimate_with_another_fault_shows_nothing_about_board_and_lens(
    estimate, monkeypatch, converged, noise_m, is_examined
):
    problem, observations, _ = estimate
    asked = []

    def contradictions(joint, prior, reported):
        asked.append(reported)
        return ()

    monkeypatch.setattr(solving, "find_contradictions", contradictions)
    joint = SimpleNamespace(converged=converged, noise=SimpleNamespace(best=RobotNoise(noise_m, 1e-4)))
    used = np.arange(12) < 9
    found = solving._with_wider_prior(problem, observations, SimpleNamespace(joint=joint, used=used))
    assert found is None and bool(asked) is is_examined
    if asked:
        assert asked[0] == pytest.approx(problem.mount.chain(observations.A[used]))


def estimate_with(used, log_evidence=0.0):
    return SimpleNamespace(joint=SimpleNamespace(noise=SimpleNamespace(log_evidence=log_evidence)), used=used)


def test_of_two_ways_to_widen_the_one_that_keeps_more_pairs_or_explains_them_better_is_taken(estimate, monkeypatch):
    problem, observations, _ = estimate
    found = [PriorContradiction(ParameterGroup.LENS, is_focal, 1e-6, 2.0) for is_focal in (True, False)]
    joint = SimpleNamespace(converged=True, noise=SimpleNamespace(best=RobotNoise(1e-4, 1e-4)))
    monkeypatch.setattr(solving, "find_contradictions", lambda *_: found)
    monkeypatch.setattr(solving, "is_wider_prior_preferred", lambda *_: True)
    all_pairs, most = np.ones(12, dtype=bool), np.arange(12) < 11
    for first, second, expected in (
        ((most, 9.0), (all_pairs, 1.0), 1),
        ((all_pairs, 9.0), (all_pairs, 1.0), 0),
        ((all_pairs, 1.0), (all_pairs, 9.0), 1),
    ):
        estimates = [estimate_with(*first), estimate_with(*second)]
        remaining = iter(estimates)
        monkeypatch.setattr(solving, "robust_estimate", lambda *_, remaining=remaining: next(remaining))
        kept = solving._with_wider_prior(problem, observations, SimpleNamespace(joint=joint, used=most))
        assert kept is not None and kept[2] is estimates[expected]


@pytest.mark.parametrize(
    ("count", "preferred", "is_kept"), [(11, False, False), (11, True, True), (12, False, True), (10, True, False)]
)
def test_a_wider_prior_is_kept_where_it_explains_more_or_more_pairs(estimate, monkeypatch, count, preferred, is_kept):
    problem, observations, _ = estimate
    found = [PriorContradiction(ParameterGroup.BOARD, False, 1e-6, 2.0)]
    used = np.arange(12) < 11
    other = estimate_with(np.arange(12) < count)
    monkeypatch.setattr(solving, "find_contradictions", lambda *_: found)
    monkeypatch.setattr(solving, "robust_estimate", lambda *_: other)
    monkeypatch.setattr(solving, "is_wider_prior_preferred", lambda *_: preferred)
    joint = SimpleNamespace(converged=True, noise=SimpleNamespace(best=RobotNoise(1e-4, 1e-4)))
    result = solving._with_wider_prior(problem, observations, SimpleNamespace(joint=joint, used=used))
    assert (result is not None) is is_kept
    if result is not None:
        wider, _, kept = result
        assert kept is other
        scale = (np.linalg.norm(one.nuisance_prior.functional({"scale": 1.0})) for one in (wider, problem))
        assert next(scale) == pytest.approx(2 * next(scale))


def test_motions_beyond_170_degrees_are_left_out_while_two_others_remain():
    """The rotation vector of a half turn has no sign."""
    rng = np.random.default_rng(3)
    R_X = se3.exp_rotation(rng.normal(size=3))
    vectors = np.array([[0, 0, 0], [0.5, 0.1, 0], [-0.2, 0.6, 0.3], [0, 0, 0]])
    A = np.tile(np.eye(4), (4, 1, 1))
    A[:, :3, :3] = se3.exp_rotation(vectors)
    A[3, :3, :3] = se3.exp_rotation(np.deg2rad(175.0) * np.array([0.6, 0.8, 0]))
    P = np.tile(np.eye(4), (4, 1, 1))
    P[:, :3, :3] = R_X.T @ A[:, :3, :3] @ R_X
    assert _rotation_from_motions(A, P) == pytest.approx(R_X, abs=1e-9)
    # A wrong image of a pose beyond 170 deg from the others spoils nothing.
    for angle, is_spoiled in ((178.0, False), (160.0, True)):
        A[:3, :3, :3] = se3.exp_rotation(np.array([[0, 0, 0], [0.02, 0, 0], [0, 0.02, 0]]))
        A[3, :3, :3] = se3.exp_rotation(np.deg2rad(angle) * np.array([0, 0, 1.0]))
        P[:3, :3, :3] = R_X.T @ A[:3, :3, :3] @ R_X
        P[3, :3, :3] = R_X.T @ se3.exp_rotation(np.deg2rad(angle) * np.array([1.0, 0, 0])) @ R_X
        found = se3.rotation_angle(R_X.T @ _rotation_from_motions(A, P))
        assert (found > 0.1) is np.bool_(is_spoiled)


def test_long_sessions_use_two_thousand_motions(monkeypatch):
    counts = []
    original = se3.log_rotation

    def log_rotation(rotations):
        counts.append(len(rotations))
        return original(rotations)

    monkeypatch.setattr(se3, "log_rotation", log_rotation)
    rng = np.random.default_rng(1)
    for pairs, motions in ((60, 60 * 59 // 2), (70, 2000)):
        counts.clear()
        A = se3.exp(rng.normal(size=(pairs, 6)))
        assert _rotation_from_motions(A, A) == pytest.approx(np.eye(3), abs=1e-9)
        assert counts == [motions, motions]


@pytest.mark.parametrize(("share", "is_taken"), [(0.49, True), (0.51, False)])
def test_a_minimal_set_is_taken_if_it_halves_the_median(estimate, monkeypatch, share, is_taken):
    problem, observations, _ = estimate
    starts = iter([[InitialEstimate(np.eye(4), np.eye(4), "all")], [InitialEstimate(np.eye(4), np.eye(4), "four")]])
    monkeypatch.setattr(initialization, "initial_estimates", lambda *_: next(starts))
    monkeypatch.setattr(initialization, "_minimal_sets", lambda count: iter([np.arange(4)]))
    residuals = {"all": np.full(12, 0.02), "four": np.full(12, 0.02 * share)}
    monkeypatch.setattr(initialization, "coarse_residuals_m", lambda p, o, start: residuals[start.method])
    start, inliers = consensus_start(problem, observations)
    assert start.method == ("four" if is_taken else "all")
    assert inliers.all()


def test_residuals_that_are_no_numbers_leave_all_pairs(estimate, monkeypatch):
    problem, observations, _ = estimate
    monkeypatch.setattr(initialization, "_minimal_sets", lambda count: iter([]))
    monkeypatch.setattr(initialization, "coarse_residuals_m", lambda *_: np.full(12, np.nan))
    _, inliers = consensus_start(problem, observations)
    assert inliers.all()


def test_an_image_without_a_homography_has_an_infinite_residual(monkeypatch):
    """A found one that maps a corner to infinity too; otherwise the root mean square distance, pixels."""
    ids = np.array([0, 1, 2, 11, 12, 13, 22, 23, 24])
    pixels = np.stack([40.0 * (ids % 11), 40.0 * (ids // 11)], axis=1)
    pair = Pair(0, np.eye(4), ids, pixels)
    homography = np.diag([40.0, 40.0, 1.0])
    for found, expected in (
        (None, np.inf),
        (homography, 0.0),
        (homography + np.array([[0, 0, 3.0], [0, 0, 4.0], [0, 0, 0]]), 5.0),
        (np.zeros((3, 3)), np.inf),
    ):
        monkeypatch.setattr(cv2, "findHomography", lambda *_, one=found: (one, None))
        assert corner_numbering._image_residual_px(pair, 11) == pytest.approx(expected, abs=1e-9)
    two = [Pair(k, np.eye(4), ids, pixels + shift) for k, shift in ((0, 0.0), (1, 1.0), (2, 9.0))]
    monkeypatch.setattr(cv2, "findHomography", lambda *_: (homography, None))
    assert corner_numbering._homography_residual_px(two, 11) == pytest.approx(np.sqrt(2))


@pytest.mark.parametrize("ids", [[0, 1, 2, 3, 4, 5, 6, 7, 8], [0, 11, 22, 33, 44, 55, 66, 77, 88]])
def test_corners_of_one_row_or_column_have_no_homography(ids):
    pair = Pair(0, np.eye(4), np.array(ids), np.random.default_rng(0).uniform(0, 900, size=(9, 2)))
    assert corner_numbering._image_residual_px(pair, 11) == np.inf


def ranked(monkeypatch, n, rotation_residuals, coarse_residuals):
    """The ranking where the residuals of the hypotheses are given, in their order; and the calls."""
    convention = PoseConvention(PoseFormat("mm", "euler-ZYX", "deg"))
    hypotheses = [PoseFormatHypothesis(PoseFormat("mm", "rotation-vector", "deg"), order=(0, 1, 2))]
    kinds = ("euler-XYZ", "euler-ZYX", "euler-ZXZ", "euler-XZX", "euler-YXY", "euler-YZY", "euler-ZYZ", "euler-XYX")
    hypotheses = [
        PoseFormatHypothesis(PoseFormat("mm", kind, angle), inverted)
        for kind in kinds
        for angle in ("deg", "rad")
        for inverted in (False, True)
    ][: len(rotation_residuals)]
    screened, tried, estimated = [], [], []

    def rotation_residual(problem, A, P):
        screened.append(len(A))
        return rotation_residuals[len(screened) - 1]

    def coarse(problem, observations, convention, fields, hypothesis):
        tried.append(hypothesis)
        return HypothesisFit(hypothesis, coarse_residuals(len(tried) - 1), None)

    def with_estimate(problem, observations, convention, fields, found):
        estimated.append(found)
        return replace(
            found,
            joint=SimpleNamespace(
                converged=True, fits=SimpleNamespace(log_likelihood=np.array([float(len(estimated))]))
            ),
        )

    monkeypatch.setattr(misread_poses, "_rotation_hypotheses", lambda *_: iter(hypotheses))
    monkeypatch.setattr(misread_poses, "_rotation_residual_rad", rotation_residual)
    monkeypatch.setattr(misread_poses, "_coarse_fit", coarse)
    monkeypatch.setattr(misread_poses, "_with_estimate", with_estimate)
    problem = SimpleNamespace(mount=SimpleNamespace(chain=lambda poses: poses))
    observations = SimpleNamespace(pose_fits=SimpleNamespace(camera_T_board=np.tile(np.eye(4), (n, 1, 1))))
    fields = np.random.default_rng(1).uniform(0.1, 0.2, size=(n, 6))
    found = ranked_hypotheses(problem, observations, convention, fields)
    return found, screened, tried, estimated


@pytest.mark.parametrize(("n", "sampled"), [(6, 6), (10, 10), (30, 10)])
def test_pose_formats_are_screened_on_ten_pairs(monkeypatch, n, sampled):
    _, screened, tried, estimated = ranked(monkeypatch, n, [1.0 + k for k in range(20)], lambda k: float(k))
    assert screened == [sampled] * 20
    # Eight, each with three units of length, and the stated one, which may be among them.
    assert len(tried) in (24, 25)
    assert len(estimated) == 4


@pytest.mark.parametrize(("residual", "kept"), [(1.49, 10), (1.51, 8)])
def test_formats_that_rotate_as_well_as_the_best_are_kept(monkeypatch, residual, kept):
    """Within half of its residual."""
    residuals = [1.0] + [1.2] * 7 + [residual] * 2 + [9.0] * 5
    _, _, tried, _ = ranked(monkeypatch, 6, residuals, lambda k: float(k))
    assert len({(h.pose_format.rotation, h.pose_format.angle, h.inverted) for h in tried}) in (kept, kept + 1)


def test_four_formats_and_the_stated_one_are_estimated_and_the_most_likely_comes_first(monkeypatch):
    """The stated one is tried first, and here it fits worst."""
    found, _, tried, estimated = ranked(monkeypatch, 6, [1.0 + k for k in range(10)], lambda k: 99.0 if k == 0 else k)
    assert [one.coarse_residual_m for one in estimated] == [1, 2, 3, 4, 99.0]
    assert estimated[-1].hypothesis == tried[0] == PoseFormatHypothesis(PoseFormat("mm", "euler-ZYX", "deg"))
    assert found[0] == replace(estimated[-1], joint=found[0].joint)
    assert [one.log_likelihood for one in found] == [5, 4, 3, 2, 1]


def test_an_estimate_that_failed_has_no_likelihood():
    hypothesis = PoseFormatHypothesis(PoseFormat())
    assert HypothesisFit(hypothesis, 0.1, None).log_likelihood == -np.inf
    joint = SimpleNamespace(converged=False, fits=SimpleNamespace(log_likelihood=np.array([3.0])))
    assert HypothesisFit(hypothesis, 0.1, joint).log_likelihood == -np.inf


@pytest.mark.parametrize(("dof", "scale"), [(0.0, (1e-3, 3.5e-3)), (3.0, (1e-4, 3e-4))])
def test_the_evidence_is_the_integral_over_the_noise(estimate, dof, scale):
    """The likelihood times the prior over both log variances, summed on a finer grid, per cell (0.9^2)."""
    _, _, joint = estimate
    prior = NoisePrior(np.array(scale), dof)
    best, fits = most_likely_noise(joint.model, joint.corner_sigma_px, prior)
    found, _ = noise_posterior(joint.model, joint.corner_sigma_px, prior, best, fits)
    at_best = 2 * np.log([best.translation_m, best.rotation_rad])
    largest = float(fits.log_likelihood[0] + prior.log_density(at_best))

    def density(v, u):
        here = at_best + np.array([u, v])
        fit = fit_linear(joint.model, joint.corner_sigma_px, np.repeat(np.exp(here), 3)[None])
        return np.exp(float(fit.log_likelihood[0] + prior.log_density(here)) - largest)

    grid = np.linspace(-1.6, 1.6, 17)
    whole = sum(density(v, u) for u in grid for v in grid) * 0.2**2
    assert found.log_evidence == pytest.approx(largest + np.log(whole / 0.9**2), abs=0.1)


def test_an_update_of_the_information_explains_the_drop_of_the_gradient():
    """The secant condition of BFGS; a curvature of a thousandth of the expected one is not trusted."""
    information, change = np.array([[4.0, 1.0], [1.0, 3.0]]), np.array([0.2, -0.1])
    drop = np.array([0.5, -0.3])
    updated = _bfgs_update(information, change, drop)
    assert updated @ change == pytest.approx(drop)
    assert updated == pytest.approx(updated.T)
    expected = float(change @ information @ change)
    for factor, is_updated in ((1.1e-3, True), (0.9e-3, False), (-1.0, False)):
        drop = factor * expected * change / (change @ change)
        assert (_bfgs_update(information, change, drop) is not information) is is_updated


def test_a_direction_that_nothing_bounds_has_nodes_a_factor_e_apart(estimate, monkeypatch):
    """Of the standard deviation, or less if the information says so."""
    _, _, joint = estimate
    module = import_module("eyebolt.calibration.estimation.robot_noise")
    prior = NoisePrior.of(None)
    best, fits = most_likely_noise(joint.model, joint.corner_sigma_px, prior)
    for information, spread in ((np.diag([1e-12, 25.0]), (2.0, 0.2)), (np.diag([0.3, 16.0]), (0.3**-0.5, 0.25))):
        monkeypatch.setattr(module, "_score", lambda *_, one=information: (None, one))
        choices = noise_posterior(joint.model, joint.corner_sigma_px, prior, best, fits)[0].choices
        logs = 2 * np.log(choices / [best.translation_m, best.rotation_rad])
        steps = [np.diff(np.unique(np.round(logs[:, k], 6))).min() for k in range(2)]
        assert steps == pytest.approx([0.9 * one for one in spread], rel=1e-3)


@pytest.mark.parametrize("dof", [0.0, 3.0])
def test_the_score_of_the_noise_is_the_gradient_of_the_posterior(estimate, dof):
    """Central differences of likelihood and prior; the information is positive definite."""
    _, _, joint = estimate
    prior = NoisePrior(np.array([2e-4, 5e-4]), dof)

    def log_density(u):
        fit = fit_linear(joint.model, joint.corner_sigma_px, np.repeat(np.exp(u), 3)[None])
        return float(fit.log_likelihood[0] + prior.log_density(u))

    u = 2 * np.log([1.5e-4, 4e-4])
    fits = fit_linear(joint.model, joint.corner_sigma_px, np.repeat(np.exp(u), 3)[None])
    gradient, information = _score(fits, u, prior)
    steps = 1e-4 * np.eye(2)
    assert gradient == pytest.approx([(log_density(u + s) - log_density(u - s)) / 2e-4 for s in steps], rel=1e-4)
    assert (np.linalg.eigvalsh(information) > 0).all()
