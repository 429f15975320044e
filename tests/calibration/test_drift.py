"""Drift: a camera or a board that creeps is found, sized and taken off, and costs no pairs."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.calibration.estimation import MovedPart, joint_estimate, motion_columns
from eyebolt.calibration.estimation import drift as drift_module
from eyebolt.calibration.estimation.linearization import Drift, fit_linear
from eyebolt.calibration.estimation.robot_noise import variance_of
from eyebolt.calibration.problem import RobotNoise
from eyebolt.calibration.solution import Solution
from eyebolt.calibration.solve import solve
from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.problems import make_problem
from eyebolt_sim.transforms import inverse, matrix, transform_points
from support import long_forms

POSES = 20


def unit(rng):
    vector = rng.normal(size=3)
    return vector / np.linalg.norm(vector)


def crept(cases, simulated, part, mm, deg, shares=None, stated=False, seed=0):
    """The problem in which ``part`` creeps by ``mm`` and ``deg`` in some direction, along ``shares`` (n,) from -1 to 0.

    The truth of the simulated problem is that at the end.
    """
    problem = cases.convert(simulated, stated, drift_sigma_m=None)
    rng = np.random.default_rng([seed, 4])
    shift, rotation = mm * 1e-3 * unit(rng), np.deg2rad(deg) * unit(rng)
    pairs = list(problem.pairs)
    for row, share in enumerate(np.linspace(-1, 0, len(pairs)) if shares is None else shares):
        change = matrix(Rotation.from_rotvec(rotation * share).as_matrix(), shift * share)
        view = simulated.camera_T_board_true[row]
        view = view @ change if part == "board" else inverse(change) @ view
        noise = simulated.corners_px[row] - simulated.corners_px_true[row]
        corners = simulated.lens.project(transform_points(view, simulated.board_corners_m[simulated.corner_ids[row]]))
        pairs[row] = replace(pairs[row], corners_px=corners + noise)
    return replace(problem, pairs=pairs)


def timed(problem, time_s):
    pairs = [replace(pair, time_s=float(instant)) for pair, instant in zip(problem.pairs, time_s, strict=True)]
    return replace(problem, pairs=pairs)


def codes(solution):
    return [f.code for f in solution.findings if f.severity != "note"]


@pytest.fixture(scope="module")
def linearized(cases):
    """An estimate without a drift, and its observations."""
    problem = cases.convert(make_problem("arm", 10, 3), False, drift_sigma_m=None)
    observations = cases.observations_of(problem)
    joint = joint_estimate(problem, observations, make_problem("arm", 10, 3).hand_eye_true, np.eye(4), posterior=False)
    return problem, observations, joint


@long_forms.seeds(2, 6)
@long_forms.crossed(
    {"stated": {"noise-stated": True, "noise-estimated": False}, "part": ["camera", "board"], "mount": ["fixed", "arm"]}
)
def test_a_drift_is_found_sized_and_taken_off_without_losing_a_pair(cases, bound, mount, part, stated, seeds):
    """1 mm and 0.07 deg in 20 pairs, 3 min apart: 1.05 mm per hour."""
    for seed in seeds:
        simulated = make_problem(mount, POSES, seed)
        problem = timed(crept(cases, simulated, part, 1.0, 0.07, stated=stated, seed=seed), np.arange(POSES) * 180.0)
        solution = solve(problem)
        assert isinstance(solution, Solution)
        assert codes(solution) == ["drift"]
        assert not solution.excluded
        (finding,) = [f for f in solution.findings if f.code == "drift"]
        assert f"the {part} crept" in finding.message
        assert finding.evidence["translation_mm"] == pytest.approx(1.0, abs=0.45)
        assert finding.evidence["mm_per_hour"] == pytest.approx(finding.evidence["translation_mm"] / (19 * 180 / 3600))
        assert finding.evidence["p_value"] < 1e-3
        errors = bound.errors_mm(solution.X, simulated, bound.working_points(simulated))
        assert np.mean(errors) < solution.expected_error_mm.p95


def test_without_instants_a_drift_has_no_rate(cases):
    solution = solve(crept(cases, make_problem("fixed", POSES, 1), "camera", 1.0, 0.07))
    (finding,) = [f for f in solution.findings if f.code == "drift"]
    assert finding.evidence.keys() == {"translation_mm", "rotation_deg", "p_value"}


@pytest.mark.parametrize("pace_s", [0.1, 60.0, -5.0], ids=["fast", "slow", "clock set back"])
def test_the_clock_changes_the_rate_of_a_drift_and_not_the_result(cases, pace_s):
    """A replay at another speed yields the recorded result."""
    problem = crept(cases, make_problem("fixed", POSES, 2), "camera", 1.0, 0.07)
    by_order, by_clock = solve(problem), solve(timed(problem, np.arange(POSES) * pace_s))
    assert np.array_equal(by_clock.X, by_order.X)
    assert by_clock.expected_error_mm == by_order.expected_error_mm
    (finding,) = [f for f in by_clock.findings if f.code == "drift"]
    assert ("mm_per_hour" in finding.evidence) == (pace_s > 0)


@long_forms.seeds(3, 40)
@long_forms.crossed({"poses": [8, 20], "mount": ["fixed", "arm"]})
def test_without_a_drift_none_is_found_and_the_estimate_is_as_accurate(cases, bound, mount, poses, seeds):
    for seed in seeds:
        simulated = make_problem(mount, poses, seed)
        solution = solve(cases.convert(simulated, False, drift_sigma_m=None))
        assert "drift" not in codes(solution)
        assert not solution.excluded


@long_forms.seeds(2, 8)
@long_forms.crossed({"at": [5, 10, 15], "mount": ["fixed", "arm"]})
def test_a_slip_is_no_drift(cases, mount, at, seeds):
    for seed in seeds:
        shares = np.where(np.arange(POSES) >= at, 0.0, -1.0)
        solution = solve(crept(cases, make_problem(mount, POSES, seed), "board", 1.5, 0.1, shares))
        assert codes(solution) == ["board-moved"]


def test_the_columns_of_the_views_are_those_of_the_transforms(linearized):
    _, observations, joint = linearized
    predicted = np.linalg.inv(joint.X) @ observations.A @ joint.Y
    for part in MovedPart:
        drift = Drift(part, 0.0, 9.0, np.array([1e-3] * 3 + [1e-2] * 3))
        by_flange = motion_columns(joint.model, part, drift.profile(observations.capture_order)) * drift.sigma
        assert drift.board_columns(predicted, observations.capture_order) == pytest.approx(
            joint.model.to_board @ by_flange, rel=1e-4, abs=1e-9
        )


def test_a_fit_with_a_drift_follows_from_the_one_without(linearized):
    _, observations, joint = linearized
    drift = Drift(MovedPart.CAMERA, 0.0, 9.0, np.array([1e-3] * 3 + [1e-3] * 3))
    columns = motion_columns(joint.model, drift.moved_part, drift.profile(observations.capture_order)) * drift.sigma
    variances = variance_of(RobotNoise(1e-4, 3e-4))[None]
    still = fit_linear(joint.model, joint.corner_sigma_px, variances)
    wide = fit_linear(joint.model.with_columns(columns), joint.corner_sigma_px, variances)
    given_drift = drift_module._DriftFits.of(still, columns)
    assert given_drift.chi2 == pytest.approx(wide.chi2_of_last(6))
    for ratio in (1.0, 3.0, 27.0):
        components = drift_module._Components(
            drift.moved_part, 1.0, still.z[:, 0], given_drift, *given_drift.drift(ratio)
        )
        means, covariances = components.state(np.array([True]))
        narrow = fit_linear(joint.model.with_columns(columns / ratio), joint.corner_sigma_px, variances)
        back = np.ones(means.shape[-1])
        back[-6:] = 1 / ratio
        assert means == pytest.approx(narrow.z * back, rel=1e-6, abs=1e-9)
        expected = narrow.covariance[0] * np.outer(back, back)
        sigma = np.sqrt(np.diagonal(expected))
        assert (covariances[0] - expected) / np.outer(sigma, sigma) == pytest.approx(0.0, abs=1e-7)
        gained = narrow.log_likelihood - still.log_likelihood
        assert given_drift.log_gain(ratio) == pytest.approx(gained, abs=1e-6)
    tiny = fit_linear(joint.model.with_columns(columns / 1e6), joint.corner_sigma_px, variances)
    assert tiny.log_likelihood == pytest.approx(still.log_likelihood, abs=1e-3), "no drift is one of scale zero"


def test_the_hypotheses_are_weighted_and_the_mixture_is_their_average(cases):
    simulated = make_problem("fixed", 12, 4)
    problem = crept(cases, simulated, "camera", 0.3, 0.02)
    observations = cases.observations_of(problem)
    joint = joint_estimate(problem, observations, simulated.hand_eye_true, simulated.nuisance_true)
    first, second = joint.drifts
    assert first.probability >= second.probability > 0
    assert first.probability + second.probability < 1
    assert joint.weights.sum() == pytest.approx(1)
    assert joint.weights @ joint.means == pytest.approx(0, abs=1e-9)
    assert {first.drift.moved_part, second.drift.moved_part} == set(MovedPart)
    # The estimate that includes the drift averages over the same hypotheses.
    included = joint_estimate(problem, observations.with_drift(first.drift), joint.X, joint.Y, joint.noise.best)
    assert [d.probability for d in included.drifts] == pytest.approx([d.probability for d in joint.drifts], abs=0.02)
    shift = np.linalg.inv(joint.X) @ included.X
    assert np.abs(shift - np.eye(4)).max() < 2e-6
    at_end = included.without_drift()
    assert at_end.covariance == pytest.approx(included.covariance[:-6, :-6])
    assert at_end.fits.covariance[0] == pytest.approx(np.linalg.inv(at_end.fits.normal[0]), rel=1e-4)


def test_few_pairs_have_no_drift(cases):
    simulated = make_problem("fixed", 4, 4)
    problem = cases.convert(simulated, False, drift_sigma_m=None)
    joint = joint_estimate(problem, cases.observations_of(problem), simulated.hand_eye_true, simulated.nuisance_true)
    assert joint.drifts == ()


def test_where_nothing_creeps_as_stated_no_drift_is_estimated_and_every_check_tests_only(cases):
    simulated = make_problem("fixed", 12, 5)
    static = replace(crept(cases, simulated, "camera", 0.6, 0.04), drift_sigma_m=0.0)
    truth = simulated.hand_eye_true, simulated.nuisance_true
    assert joint_estimate(static, cases.observations_of(static), *truth).drifts == ()
    again = replace(static.pairs[0], index=12)
    pairs = replace(static, pairs=static.pairs[:-1])
    assert (solve(pairs, [again]).X == solve(pairs).X).all()


def test_a_stated_scale_is_that_of_every_drift(cases):
    simulated = make_problem("fixed", 12, 4)
    problem = replace(crept(cases, simulated, "camera", 0.3, 0.02), drift_sigma_m=3e-4)
    truth = simulated.hand_eye_true, simulated.nuisance_true
    joint = joint_estimate(problem, cases.observations_of(problem), *truth)
    assert [one.drift.sigma[0] for one in joint.drifts] == pytest.approx([3e-4] * 2)
    # A scale close to zero is no drift.
    still, none = (
        joint_estimate(one, cases.observations_of(one), *truth)
        for one in (replace(problem, drift_sigma_m=1e-9), replace(problem, drift_sigma_m=0.0))
    )
    assert pytest.approx(none.X, abs=1e-8) == still.X
    assert still.covariance == pytest.approx(none.covariance, rel=1e-4, abs=1e-14)


@long_forms.seeds(4, 12)
@long_forms.first("mount", ["arm", "fixed"])
def test_a_check_at_the_first_waypoint_shows_a_drift_better(cases, mount, seeds):
    """Eight pairs and, after the last, a check at the pose of the first; 0.5 mm and 0.03 deg."""
    log_p_values = []
    for seed in seeds:
        simulated = make_problem(mount, 8, seed)
        problem = crept(cases, simulated, "camera", 0.5, 0.03, seed=seed)
        rng = np.random.default_rng(seed)
        at_end = replace(
            problem.pairs[0],
            base_T_flange=PoseNoise(0.1, 0.02).reported(simulated.base_T_flange_true[0], rng),
            corners_px=simulated.corners_px_true[0] + rng.normal(size=simulated.corners_px_true[0].shape) * 0.1,
        )
        observations = cases.observations_of(problem)
        repeats = replace(cases.observations_of(replace(problem, pairs=[at_end])), capture_order=np.array([7.5]))
        log_p_values.append(
            [
                np.log(joint_estimate(problem, one, simulated.hand_eye_true, simulated.nuisance_true).drifts[0].p_value)
                for one in (observations, replace(observations, repeats=repeats))
            ]
        )
    without, with_check = np.mean(log_p_values, axis=0)
    assert with_check < without


def test_checks_at_other_poses_take_no_part(cases):
    simulated = make_problem("fixed", 12, 5)
    problem = crept(cases, simulated, "camera", 0.6, 0.04)
    check = replace(problem.pairs[-1], index=12)
    pairs = replace(problem, pairs=problem.pairs[:-1])
    assert (solve(pairs, [check]).X == solve(pairs).X).all()
    again = replace(problem.pairs[0], index=12)
    assert (solve(pairs, [again]).X != solve(pairs).X).any()
