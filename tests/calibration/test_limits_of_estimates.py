"""Each limit of the search for inliers and of the estimates at both sides: what is just below it, and just above it."""

from dataclasses import replace
from importlib import import_module
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import f

from eyebolt.calibration.diagnosis.intrinsics import (
    INITIAL_NOISE,
    _smallest_explanation,
    findings_on_intrinsics,
)
from eyebolt.calibration.diagnosis.misread_poses import (
    HypothesisFit,
    PoseFormatHypothesis,
    _finding,
    _is_plausible_fit,
    _rotation_hypotheses,
    findings_on_pose_format,
)
from eyebolt.calibration.diagnosis.refit import IntrinsicsFit
from eyebolt.calibration.estimation import best_initial_estimate, initialization
from eyebolt.calibration.estimation.corner_noise import CornerNoise, _shared_shifts
from eyebolt.calibration.estimation.initialization import (
    InitialEstimate,
    _minimal_sets,
    _rotates,
    consensus_start,
    resolve_tilt_branches,
)
from eyebolt.calibration.estimation.robot_noise import _GRID_NODES
from eyebolt.calibration.nuisance_prior import ParameterGroup
from eyebolt.calibration.problem import RobotNoise
from eyebolt.calibration.robust import PriorContradiction
from eyebolt.calibration.robust.outliers import _is_plausible_by_chance, _outliers_by_fdr, robust_estimate
from eyebolt.calibration.solve import _wide_sigmas, solve_with_free_intrinsics
from eyebolt.geometry import se3
from eyebolt.geometry.pose_format import PoseFormat
from eyebolt_sim.lens import simple_lens
from eyebolt_sim.problems import DEFAULT_LENS, make_problem
from support.solutions import made_up_solution

# The package has a function of the same name.
solving = import_module("eyebolt.calibration.solve")


@pytest.mark.parametrize(
    ("p_values", "contaminated", "out"),
    [
        # Of ten pairs: 2e-4 is the limit of the smallest.
        ([1.9e-4], False, 1),
        ([2.1e-4], False, 0),
        ([2.1e-4], True, 1),
        # 3 % times the rank over their number.
        ([1e-6, 0.0059], False, 2),
        ([0.0061, 1e-6], False, 1),
        ([0.0029], True, 1),
        ([0.0031], True, 0),
        # A larger one that passes takes the smaller ones with it.
        ([0.0031, 0.0058], True, 2),
    ],
)
def test_the_false_discovery_rate(p_values, contaminated, out):
    whole = np.array([*[0.5] * (10 - len(p_values)), *p_values])
    found = _outliers_by_fdr(whole, contaminated)
    np.testing.assert_array_equal(found, np.arange(10) >= 10 - out)


@pytest.mark.parametrize("factor", [0.8, 1.25])
@pytest.mark.parametrize(("borderline", "certain", "limit"), [(1, 0, 5e-3), (2, 0, 5e-3), (1, 2, 15e-3), (3, 2, 60e-3)])
def test_a_group_of_borderline_pairs_is_plausible_by_chance(borderline, certain, limit, factor):
    """The p-value of the group times the number of such groups, above and below the limit (SciPy)."""
    count, nu = 12, 24.0
    joint = SimpleNamespace(noise=SimpleNamespace(dof=lambda pairs: nu), model=SimpleNamespace(offset=np.zeros((9, 6))))
    groups = {1: count - certain, 2: 66, 3: 120}[borderline]
    total = 6 * borderline * f.isf(factor * limit / groups, 6 * borderline, nu)
    is_borderline, is_certain = np.arange(count) < borderline, np.arange(count) >= count - certain
    residual_sq = np.where(is_borderline, total / borderline, 3.0)
    assert _is_plausible_by_chance(joint, residual_sq, is_borderline, is_certain) is (factor > 1)
    assert not _is_plausible_by_chance(joint, residual_sq, np.zeros(count, dtype=bool), is_certain)


def test_the_priors_of_a_lens_that_is_refined(cases):
    camera = cases.camera_of(simple_lens(2448, 2048, 2400.0, (-0.1, 0.05, 0, 0, 0)))
    assert _wide_sigmas(camera) == pytest.approx(
        {"fx": 120.0, "fy": 120.0, "cx": 73.44, "cy": 73.44, "k1": 0.3, "k2": 0.3, "p1": 0.01, "p2": 0.01, "k3": 0.3}
    )


@pytest.mark.parametrize(("deviation", "rounds"), [(0.04, 1), (0.06, 8)])
def test_a_lens_is_refined_until_a_twentieth_of_its_sigma(cases, monkeypatch, deviation, rounds):
    problem = cases.convert(make_problem("fixed", 4, 1))
    stated = problem.camera
    parameter = made_up_solution(0.1).focal_length
    seen = []

    def solved(problem, checks, placed):
        seen.append(problem.camera)
        lens = {name: replace(parameter, deviation=-2.0 * deviation, sigma=2.0) for name in problem.camera.sigma}
        return made_up_solution(0.1, lens=lens)

    monkeypatch.setattr(solving, "solve", solved)
    _, camera = solve_with_free_intrinsics(problem)
    assert len(seen) == rounds
    assert camera.matrix[0, 0] == pytest.approx(stated.matrix[0, 0] - 2.0 * deviation * rounds)
    assert set(camera.sigma.values()) == {2.0}


@pytest.mark.parametrize(("contradictions", "estimates"), [(0, 1), (1, 2), (2, 3), (9, 4)])
def test_priors_are_widened_three_times_at_most(cases, monkeypatch, contradictions, estimates):
    problem = cases.convert(make_problem("fixed", 6, 1))
    observations = cases.observations_of(problem)
    found = robust_estimate(problem, observations)
    count, left = [1], [contradictions]

    def contradiction(*_):
        left[0] -= 1
        found = PriorContradiction(ParameterGroup.LENS, False, 1e-9, 2.0)
        return (found,) if left[0] >= 0 else ()

    def estimate(*_):
        count[0] += 1
        return found

    monkeypatch.setattr(solving, "estimate_with_print_error", lambda *given: (*given, found))
    monkeypatch.setattr(solving, "robust_estimate", estimate)
    monkeypatch.setattr(solving, "find_contradictions", contradiction)
    monkeypatch.setattr(solving, "is_wider_prior_preferred", lambda *_: True)
    widened, _, _ = solving._estimate_with_consistent_priors(problem, observations)
    assert count[0] == estimates
    ratio = widened.nuisance_prior.functional({"fx": 1.0}) @ np.ones(len(problem.nuisance_prior.root.T))
    assert ratio == pytest.approx(2.0 ** (estimates - 1) * problem.nuisance_prior.functional({"fx": 1.0}).sum())


@pytest.mark.parametrize(
    ("p_values", "wanted"),
    [
        ({("focal",): 1.2e-4}, [("focal-length",)]),
        ({("focal",): 0.8e-4}, [("board-scale", "focal-length", "principal-point", "distortion")]),
        ({("focal",): 2e-4, ("scale",): 0.5}, [("board-scale",), ("focal-length",)]),
        ({("focal",): 0.5e-4, ("scale", "k1", "k2"): 0.5}, [("board-scale", "distortion")]),
    ],
)
def test_the_smallest_explanation_of_what_is_not_as_stated(p_values, wanted):
    total = SimpleNamespace(p_value=lambda names: p_values.get(tuple(names), 1e-6))
    assert _smallest_explanation(total) == wanted


def test_a_noise_that_is_known_starts_the_refit_of_the_lens(cases, monkeypatch):
    simulated = make_problem("arm", 8, 2, camera=simple_lens(2448, 2048, 2450.0))
    problem = replace(cases.convert(simulated, False), camera=cases.camera_of(DEFAULT_LENS))
    stated = IntrinsicsFit.as_stated(problem, cases.observations_of(problem))
    start, _ = best_initial_estimate(problem, stated.observations)
    started = []
    original = IntrinsicsFit.nuisances_at

    def nuisances_at(fit, X, Y, noise, **how):
        started.append(noise)
        return original(fit, X, Y, noise, **how)

    monkeypatch.setattr(IntrinsicsFit, "nuisances_at", nuisances_at)
    known = RobotNoise(2e-4, 4e-4)
    for noise in (known, None):
        started.clear()
        (finding,) = findings_on_intrinsics(problem, stated, stated, start, noise)
        assert finding.code == "focal-length"
        assert started[0] == (noise or INITIAL_NOISE)
    assert RobotNoise(1e-3, 3e-3) == INITIAL_NOISE


@pytest.mark.parametrize(("turn_deg", "rotates"), [(1.8, False), (2.2, True)])
def test_an_arm_that_turns_by_two_degrees_rotates(turn_deg, rotates):
    A = np.tile(np.eye(4), (4, 1, 1))
    A[2, :3, :3] = se3.exp_rotation(np.array([0, np.deg2rad(turn_deg), 0]))
    assert _rotates(A) is rotates


def test_sixty_minimal_sets_of_four_pairs_or_three():
    assert [len(rows) for rows in _minimal_sets(6)] == [4] * 60
    assert [len(rows) for rows in _minimal_sets(5)] == [3] * 60


def searched_in(searched):
    """Minimal sets, of which there are none, noting that they were asked for."""

    def minimal_sets(count):
        searched.append(count)
        return []

    return minimal_sets


@pytest.mark.parametrize(
    ("residuals_mm", "out"),
    [
        # A pair of less than four medians, and a median of less than 5 mm: no search.
        ([1.0, 1.0, 1.0, 1.0, 3.8], []),
        # More than eight medians after the search.
        ([1.0, 1.0, 1.0, 1.0, 8.4], [4]),
        ([1.0, 1.0, 1.0, 1.0, 7.6], []),
        ([1.0, 1.0, 1.0, 8.4], []),
    ],
)
def test_outliers_of_the_start(cases, monkeypatch, residuals_mm, out):
    problem = cases.convert(make_problem("fixed", len(residuals_mm), 1))
    searched = []
    monkeypatch.setattr(initialization, "coarse_residuals_m", lambda *_: 1e-3 * np.array(residuals_mm))
    monkeypatch.setattr(initialization, "_minimal_sets", searched_in(searched))
    _, inliers = consensus_start(problem, cases.observations_of(problem))
    np.testing.assert_array_equal(np.flatnonzero(~inliers), out)
    assert bool(searched) == (len(residuals_mm) >= 5 and max(residuals_mm) > 4)


@pytest.mark.parametrize(("median_mm", "is_searched"), [(4.8, False), (5.2, True)])
def test_a_start_that_fits_poorly_calls_for_the_search(cases, monkeypatch, median_mm, is_searched):
    problem = cases.convert(make_problem("fixed", 5, 1))
    searched = []
    monkeypatch.setattr(initialization, "coarse_residuals_m", lambda *_: 1e-3 * np.full(5, median_mm))
    monkeypatch.setattr(initialization, "_minimal_sets", searched_in(searched))
    consensus_start(problem, cases.observations_of(problem))
    assert bool(searched) == is_searched


@pytest.mark.parametrize(("factor", "is_swapped"), [(3.8, True), (4.2, False)])
def test_a_tilt_branch_of_less_than_four_times_the_squares_is_considered(cases, factor, is_swapped):
    problem = cases.convert(make_problem("fixed", 6, 1))
    observations = cases.observations_of(problem)
    joint = robust_estimate(problem, observations).joint
    fits = observations.pose_fits
    # The wrong branch first in the last view, as if it fitted best.
    wrong = fits.camera_T_board @ se3.exp(np.array([0, 0, 0, 0.3, 0, 0]))
    last = (np.arange(6) == 5)[:, None, None]
    exchanged = replace(
        fits,
        camera_T_board=np.where(last, wrong, fits.camera_T_board),
        other_branch=np.where(last, fits.camera_T_board, wrong),
        other_rss_px2=factor * fits.rss_px2,
    )
    given = replace(observations, pose_fits=exchanged)
    found = resolve_tilt_branches(problem, given, InitialEstimate(joint.X, joint.Y, "estimate"))
    wanted = fits.camera_T_board if is_swapped else exchanged.camera_T_board
    np.testing.assert_array_equal(found.pose_fits.camera_T_board, wanted)


def test_the_grid_of_the_noise_has_29_nodes_within_2_7_sigma():
    assert _GRID_NODES.shape == (29, 2)
    assert np.hypot(*_GRID_NODES.T).max() == pytest.approx(2.7)
    assert np.diff(np.unique(_GRID_NODES[:, 0])) == pytest.approx([0.9] * 6)


def test_corners_that_leave_no_residual_have_the_default_noise_and_noiseless_ones_the_least():
    none = CornerNoise(np.ones(2), np.zeros(2), np.zeros(2), np.array([-2.0, 0.0]))
    assert none.sigma_px == 0.1
    assert replace(none, dof=np.array([10.0, 10.0])).sigma_px == 0.003
    assert replace(none, dof=np.array([10.0, 10.0]), squares_px2=np.array([0.4, 0.4])).sigma_px == pytest.approx(0.2)


@pytest.mark.parametrize("factor", [0.9, 1.1])
def test_a_shift_that_regions_share_is_significant(factor):
    """Ten views alike, whose F ratio has a p-value above and below 1 % (SciPy)."""
    dof, trace, trace_of_square, rss = (np.full(10, value) for value in (160.0, 120.0, 900.0, 1.6))
    between_dof = 120.0**2 / 900.0 * 10
    ratio = f.isf(0.01 * factor, between_dof, 1600.0)

    def p_ratio(squares):
        moment = (squares * 160.0 - 1.6 * 120.0) / (900.0 * 160.0 - 120.0**2)
        return squares / 120.0 / ((1.6 - max(moment, 0.0) * 120.0) / 160.0)

    low, high = 1.2, 12.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if p_ratio(middle) > ratio else (middle, high)
    found = _shared_shifts(rss, dof, np.full(10, low), trace, trace_of_square)
    assert bool(found.any()) == (factor < 1)
    # Residuals that are shared altogether leave a tenth to the corners.
    shared = _shared_shifts(rss, dof, np.full(10, 300.0), trace, trace_of_square)
    assert shared == pytest.approx(0.9 * rss / trace)


def fit_of(kind="euler-ZYX", *, residual_mm=1.0, noise_mm=1.0, log_likelihood=0.0, converged=True, x_m=0.1, **changes):
    joint = SimpleNamespace(
        converged=converged,
        noise=SimpleNamespace(best=RobotNoise(noise_mm * 1e-3, 1e-3)),
        fits=SimpleNamespace(log_likelihood=np.array([log_likelihood])),
        X=se3.exp(np.array([x_m, 0, 0, 0, 0, 0])),
    )
    return HypothesisFit(PoseFormatHypothesis(PoseFormat("mm", kind), **changes), residual_mm * 1e-3, joint)


@pytest.mark.parametrize(
    ("changes", "is_plausible"),
    [
        ({"residual_mm": 2.9}, True),
        ({"residual_mm": 3.1}, False),
        ({"noise_mm": 2.9}, True),
        ({"noise_mm": 3.1}, False),
        ({"converged": False}, False),
    ],
)
def test_a_pose_format_that_fits_like_a_usable_arm(changes, is_plausible):
    assert _is_plausible_fit(fit_of(**changes)) is is_plausible


@pytest.mark.parametrize(("gap", "is_ambiguous"), [(7.5, True), (8.5, False)])
def test_two_pose_formats_with_a_likelihood_ratio_of_3000(cases, gap, is_ambiguous):
    problem = cases.convert(make_problem("fixed", 4, 1))
    stated = fit_of("euler-ZYX", residual_mm=80.0, log_likelihood=-50.0)
    best, rival = fit_of("euler-XYZ", log_likelihood=100.0), fit_of("rotation-vector", log_likelihood=100.0 - gap)
    found = _finding(problem, stated.hypothesis, best, stated, [rival])
    assert ("two formats" in found.message) is is_ambiguous
    assert found.evidence == pytest.approx(
        {
            "residual_mm": 1.0,
            "residual_as_stated_mm": 80.0,
            "log_likelihood_gain": 150.0,
            "log_likelihood_over_runner_up": gap,
        }
    )


@pytest.mark.parametrize("mount", ["fixed", "arm"])
@pytest.mark.parametrize(("x_m", "is_near"), [(0.45, True), (0.55, False)])
def test_a_camera_half_a_metre_from_its_parent(cases, mount, x_m, is_near):
    """A camera on the arm is near the flange, a fixed one far from the base."""
    problem = cases.convert(make_problem(mount, 4, 1))
    stated = fit_of("euler-ZYX", residual_mm=80.0, log_likelihood=-50.0)
    found = _finding(problem, stated.hypothesis, fit_of("euler-ZYX", x_m=x_m, inverted=True), stated, [])
    assert (found.code, found.evidence["camera_distance_m"]) == ("mount", pytest.approx(x_m))
    likelier = "mount" if is_near == (mount == "fixed") else "pose"
    assert f"the {likelier} is the likelier fault" in found.message


def test_three_pairs_name_no_pose_format(cases):
    problem = cases.convert(make_problem("fixed", 3, 1))
    assert findings_on_pose_format(problem, cases.observations_of(problem), problem.pairs) == ()


def test_the_pose_formats_that_are_tried():
    def tried(count):
        found = list(_rotation_hypotheses(PoseFormat("mm", "euler-ZYX", "rad"), count))
        assert len(set(found)) == len(found)
        assert sum(one.inverted for one in found) * 2 == len(found)
        return [one for one in found if not one.inverted]

    assert [(one.pose_format.rotation, one.pose_format.angle) for one in tried(7)] == [
        ("quaternion-wxyz", "rad"),
        ("quaternion-xyzw", "rad"),
    ]
    assert [(one.pose_format.rotation, one.pose_format.angle) for one in tried(4)] == [
        ("angle-z", "deg"),
        ("angle-z", "rad"),
        ("angle-z", "1e-4deg"),
    ]
    # By angle: a vector, 24 Euler kinds or fewer names, and for those of three axes four further orders.
    six = tried(6)
    assert len([one for one in six if one.pose_format.angle == "deg"]) * 3 == len(six)
    permuted = {one.order for one in six if one.is_permuted}
    assert permuted == {(0, 2, 1), (1, 0, 2), (1, 2, 0), (2, 0, 1)}
