"""The prior of board and lens: what is stated, what is a default, and what happens where the pairs contradict it."""

from dataclasses import replace

import numpy as np
import pytest

from bench.honesty.disturbances import ROWS, session_of
from bench.honesty.generator import volume
from bench.honesty.measure import errors_mm, problem_of
from eyebolt.calibration.acceptance import AcceptanceCause, assess_result
from eyebolt.calibration.estimation import fit_linear, variance_of
from eyebolt.calibration.nuisance_prior import ParameterGroup, PriorSource, stated_prior
from eyebolt.calibration.robust import find_contradictions, robust_estimate
from eyebolt.calibration.solve import _usable_pairs, solve
from eyebolt.geometry import CameraModel
from eyebolt.observations import BOW_PARAMETERS
from eyebolt.protocol import ToleranceOf
from eyebolt_sim.problems import DEFAULT_BOARD, DEFAULT_LENS, make_problem
from support import long_forms

MATRIX = np.array([[2000.0, 0, 640], [0, 2010.0, 480], [0, 0, 1]])


def camera(sigma=None, correlation=None, count=5):
    return CameraModel(1280, 960, MATRIX, np.zeros(count), sigma or {}, correlation)


def sigmas(prior):
    return dict(zip(prior.names, np.sqrt(np.diagonal(prior.covariance)), strict=True))


def test_what_nobody_states_has_the_default():
    prior = stated_prior(camera(count=0), DEFAULT_BOARD.corners_m, None, None)
    # 0.2 mm over the 200 mm between the outermost corners, and a bow of a thousandth of them.
    bow = {"bow_x": 2e-4, "bow_xy": 2e-4, "bow_y": 2e-4}
    lens = {"fx": 2.0, "fy": 2.01, "cx": 2.0, "cy": 2.0, "k1": 0.005, "k2": 0.02, "p1": 3e-4, "p2": 3e-4, "k3": 0.05}
    assert sigmas(prior) == pytest.approx({"scale": 1e-3, **bow, **lens})
    assert set(prior.sources) == {PriorSource.DEFAULT}
    correlation = prior.covariance / np.sqrt(np.outer(*[np.diagonal(prior.covariance)] * 2))
    expected = np.eye(13)
    expected[4, 5] = expected[5, 4] = 1.0
    np.testing.assert_allclose(correlation, expected, atol=1e-12)


def test_what_is_stated_replaces_the_default_and_leaves_the_others():
    prior = stated_prior(camera({"cx": 0.5, "fx": 3.0, "k2": 0.01}), DEFAULT_BOARD.corners_m, 2e-4, 1e-5)
    wanted = {
        "scale": 2e-4,
        **dict.fromkeys(BOW_PARAMETERS, 1e-5),
        "fx": 3.0,
        "fy": 2.01,
        "cx": 0.5,
        "cy": 2.0,
        "k1": 0.005,
        "k2": 0.01,
    }
    assert sigmas(prior) == pytest.approx(wanted)
    stated = {name for name, source in zip(prior.names, prior.sources, strict=True) if source is PriorSource.STATED}
    assert stated == {"scale", *BOW_PARAMETERS, "fx", "cx", "k2"}


def test_a_stated_correlation_is_that_of_the_prior():
    correlation = np.array([[1.0, 0.9, 0.2], [0.9, 1.0, 0.1], [0.2, 0.1, 1.0]])
    prior = stated_prior(camera({"fx": 1.0, "fy": 2.0, "k1": 0.01}, correlation), DEFAULT_BOARD.corners_m, None, None)
    rows = [prior.names.index(name) for name in ("fx", "fy", "k1")]
    sigma = np.array([1.0, 2.0, 0.01])
    np.testing.assert_allclose(prior.covariance[np.ix_(rows, rows)], np.outer(sigma, sigma) * correlation, atol=1e-12)


def test_a_singular_correlation_needs_a_parameter_less():
    prior = stated_prior(camera({"fx": 1.0, "fy": 1.0}, np.ones((2, 2))), DEFAULT_BOARD.corners_m, None, None)
    # scale; three of the bow; fx with fy; cx; cy; k1
    assert prior.root.shape == (9, 8)


def test_a_group_is_widened_alone():
    prior = stated_prior(camera({"cx": 0.5}), DEFAULT_BOARD.corners_m, None, None)
    wider = prior.widened(ParameterGroup.LENS, 3.0)
    ratio = {name: wide / sigmas(prior)[name] for name, wide in sigmas(wider).items()}
    board = dict.fromkeys(("scale", *BOW_PARAMETERS), 1.0)
    assert ratio == pytest.approx({**board, "fx": 3.0, "fy": 3.0, "cx": 3.0, "cy": 3.0, "k1": 3.0})
    assert wider.sources == (*[PriorSource.DEFAULT] * 4, *[PriorSource.WIDENED] * 5)


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_board_and_lens_by_the_images_alone_and_the_offsets_are_the_joint_fit(cases, mount):
    """Generalised least squares of X and Y alone, with what the images leave open of board and lens as noise."""
    problem, _ = cases.with_drawn_board_and_lens(cases.convert(make_problem(mount, 9, 1)), 1)
    joint = robust_estimate(problem, cases.observations_of(problem)).joint
    model, sigma_px = joint.model, joint.corner_sigma_px
    mean, covariance = model.nuisances_from_images(sigma_px)
    n = len(model.offset)
    variances = variance_of(joint.noise.best)[None]
    whole = np.zeros((n, 6, n, 6))
    whole[np.arange(n), :, np.arange(n), :] = model.covariance(sigma_px, variances)[0]
    loading = model.nuisance_jacobian.reshape(6 * n, -1)
    whole = whole.reshape(6 * n, 6 * n) + loading @ covariance @ loading.T
    design = model.observable_jacobian.reshape(6 * n, -1)
    weighted = np.linalg.solve(whole, design)
    offset = model.offset.ravel() - loading @ mean
    expected_covariance = np.linalg.inv(design.T @ weighted)
    found, p = fit_linear(model, sigma_px, variances), design.shape[1]
    scale = np.sqrt(np.diagonal(expected_covariance))
    np.testing.assert_allclose(
        found.covariance[0, :p, :p] / np.outer(scale, scale), expected_covariance / np.outer(scale, scale), atol=1e-6
    )
    np.testing.assert_allclose(found.z[0, :p] / scale, expected_covariance @ weighted.T @ offset / scale, atol=1e-6)


def test_a_lens_that_is_a_little_off_is_no_corner_noise(cases):
    problem = cases.convert(make_problem("fixed", 12, 3))
    off = problem.camera.perturbed({"k1": 0.015, "cx": 6.0, "cy": -6.0})
    trusted, uncertain = (
        cases.observations_of(replace(problem, camera=replace(off, sigma=sigma)))
        for sigma in (problem.camera.sigma, {})
    )
    assert uncertain.corner_sigma_px == pytest.approx(0.1, rel=0.05)
    assert trusted.corner_sigma_px > 1.1 * uncertain.corner_sigma_px


@long_forms.seeds(3, 10)
@long_forms.crossed_with_noise({"mount": ["fixed", "arm"]})
def test_a_board_beyond_its_stated_size_costs_little_and_is_named(cases, bound, mount, stated, seeds):
    """0.25 % off with a stated sigma of 0.02 %: below the stop of 0.3 %."""
    inside = []
    for seed in seeds:
        simulated = make_problem(mount, 15, seed)
        problem = cases.convert(simulated, stated)
        problem = replace(problem, board_corners_m=problem.board_corners_m / 1.0025, board_scale_sigma=2e-4)
        outcome = solve(problem)
        finding = next(f for f in outcome.findings if f.code == "board-deviates")
        assert finding.severity == "warn"
        assert finding.evidence["scale"] == pytest.approx(0.0025, abs=4 * finding.evidence["scale_sigma"])
        assert outcome.board_scale.prior_source == "widened"
        assert not any(f.code == "lens-deviates" for f in outcome.findings)
        errors = bound.errors_mm(outcome.X, simulated, bound.working_points(simulated))
        inside.append(np.mean(errors <= outcome.expected_error_mm.p95))
        # The error includes the doubt, so the warning alone rejects nothing.
        accepted = assess_result(outcome, outcome.expected_error_mm.p95_upper, ToleranceOf.TRANSFORM)
        assert accepted.cause is AcceptanceCause.ERROR_WITHIN_TOLERANCE
    assert np.mean(inside) > 0.7


@long_forms.first("mount", ["fixed", "arm"])
def test_a_refocused_lens_costs_little_and_is_named(cases, bound, mount):
    simulated = make_problem(mount, 15, 4)
    problem = cases.convert(simulated)
    stated = problem.camera.perturbed({"fx": -6.0, "fy": -6.0})
    outcome = solve(replace(problem, camera=replace(stated, sigma={"fx": 0.5, "fy": 0.5, "cx": 0.5, "cy": 0.5})))
    finding = next(f for f in outcome.findings if f.code == "lens-deviates")
    assert finding.evidence["focal"] == pytest.approx(0.0025, abs=4 * finding.evidence["focal_sigma"])
    errors = bound.errors_mm(outcome.X, simulated, bound.working_points(simulated))
    assert np.mean(errors <= outcome.expected_error_mm.p95) > 0.5


def contradiction(problem, joint):
    """The clearest that ``find_contradictions`` finds in an estimate that uses all pairs; None if there is none."""
    reported = np.array([pair.base_T_flange for pair in problem.pairs])
    return next(iter(find_contradictions(joint, problem.nuisance_prior, reported)), None)


@long_forms.seeds(10, 60)
@long_forms.crossed_with_noise({"mount": ["fixed", "arm"]})
def test_priors_that_hold_are_rarely_contradicted(cases, mount, stated, seeds):
    """1 in 100 by the test's level."""
    contradicted = 0
    for seed in seeds:
        problem, _ = cases.with_drawn_board_and_lens(cases.convert(make_problem(mount, 10, 100 + seed), stated), seed)
        joint = robust_estimate(problem, cases.observations_of(problem)).joint
        contradicted += contradiction(problem, joint) is not None
    assert contradicted <= 1 + len(seeds) // 25


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_a_refocused_lens_stands_out_among_the_uncertain_parameters(cases, mount):
    """Five standard deviations of one parameter among nine: by itself the focal length contradicts its prior."""
    for seed in range(3):
        problem = cases.convert(make_problem(mount, 12, 40 + seed), False)
        refocused = cases.camera_of(DEFAULT_LENS, {}).perturbed({"fx": -12.0, "fy": -12.0})
        solution = solve(replace(problem, camera=refocused))
        finding = next(f for f in solution.findings if f.code == "lens-deviates")
        assert finding.evidence["focal"] == pytest.approx(0.005, abs=4 * finding.evidence["focal_sigma"])


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_a_parameter_stated_to_be_exact_is_tested_as_well(cases, mount):
    """Sigmas of a millionth: the posterior does not move, but the score of the likelihood shows the contradiction."""
    problem = cases.convert(make_problem(mount, 15, 6))
    exact = robust_estimate(problem, cases.observations_of(problem)).joint
    assert contradiction(problem, exact) is None
    off = replace(problem, camera=replace(cases.camera_of(DEFAULT_LENS).perturbed({"fx": 12.0, "fy": 12.0})))
    found = contradiction(off, robust_estimate(off, cases.observations_of(off)).joint)
    assert found.group is ParameterGroup.LENS
    assert found.p_value < 1e-6
    # Widened from 1e-6 px to about the deviation of 12 px, spread over the four parameters of the group.
    assert 1e6 < found.factor < 1e8


@pytest.mark.parametrize(("mount", "seed"), [("fixed", 2), ("arm", 7)])
def test_an_arm_with_wrong_geometry_is_not_a_wrong_board(bench, mount, seed):
    """By white noise alone the stated size of the board would be contradicted in both sessions."""
    outcome = solve(bench.session(mount, 12, seed, bench.KINEMATIC, picks=0).problem)

    assert outcome.excluded == ()
    assert "board-deviates" not in [finding.code for finding in outcome.findings]


def test_a_wider_focal_length_leaves_the_other_parameters_alone():
    lens = camera({"fx": 2.0, "fy": 2.0, "cx": 0.5, "k1": 0.01})
    prior = stated_prior(lens, DEFAULT_BOARD.corners_m, 2e-4, 1e-5)
    wider = prior.with_wider_focal_length(lens, 7.0)
    both = {"fx": 1.0, "fy": 1.0}
    assert np.linalg.norm(wider.functional(both)) == pytest.approx(7 * np.linalg.norm(prior.functional(both)))
    # fx and fy move together, as refocusing moves them.
    difference = {"fx": 1 / lens.matrix[0, 0], "fy": -1 / lens.matrix[1, 1]}
    assert np.linalg.norm(wider.functional(difference)) == pytest.approx(np.linalg.norm(prior.functional(difference)))
    others = [k for k, name in enumerate(prior.names) if name not in both]
    np.testing.assert_allclose(wider.covariance[np.ix_(others, others)], prior.covariance[np.ix_(others, others)])
    widened = {name for name, source in zip(wider.names, wider.sources, strict=True) if source == "widened"}
    assert widened == {"fx", "fy"}


@pytest.mark.parametrize(
    ("row", "pairs", "seed"),
    [pytest.param("nothing", 20, 21, id="noise"), pytest.param("backlash", 40, 10, id="backlash")],
)
def test_a_lens_or_board_that_explains_the_pairs_no_better_is_not_named(row, pairs, seed):
    """By the p-value alone both sessions contradict an exact statement, and the result is two and five times worse."""
    session = session_of(ROWS[row], "fixed", pairs, seed)
    problem = problem_of(session)
    estimate = robust_estimate(problem, _usable_pairs(problem, problem.pairs).observations)
    assert contradiction(problem, estimate.joint) is not None
    outcome = solve(problem)
    assert not {"lens-deviates", "board-deviates"} & {str(finding.code) for finding in outcome.findings}
    errors = errors_mm(outcome.X, session.X_true, volume(session.cell.lens))
    assert np.mean(errors <= outcome.expected_error_mm.p95_upper) > 0.9
