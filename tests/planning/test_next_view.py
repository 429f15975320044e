"""Information of predicted views, against bounds and views computed without the product's linear model."""

from dataclasses import replace

import numpy as np
import pytest
from pydantic import TypeAdapter
from scipy.spatial.transform import Rotation

from eyebolt.calibration.problem import RobotNoise
from eyebolt.calibration.solution import Refusal
from eyebolt.calibration.solve import solve
from eyebolt.calibration.uncertainty.expected_error import p95_upper_of_covariance
from eyebolt.planning.candidates import candidate_flanges, vertical_flange_orientation
from eyebolt.planning.coverage import coverage_after
from eyebolt.planning.information import SetupEstimate, forecast, pairs_of_solution, setup_estimate
from eyebolt.planning.next_view import CAUTION, NextView, ProgressReport, describe_view, find_next_view, suggest_view
from eyebolt.planning.stopping import Goal
from eyebolt.protocol import ToleranceOf
from eyebolt_sim.problems import DEFAULT_BOARD, DEFAULT_LENS, make_problem
from eyebolt_sim.transforms import transform_points
from eyebolt_sim.views import place, visible_fraction
from support import cramer_rao_bound as bounds
from support.problems import convert
from support.shown_whole import assert_advice_shown_whole

# No session reaches it.
TIGHT = Goal(0.01, 8, 40, ToleranceOf.TRANSFORM)
MOUNTS = ["fixed", "arm"]


def true_setup(simulated, problem):
    noise = RobotNoise(simulated.robot_noise_mm / 1e3, float(np.deg2rad(simulated.robot_noise_deg)))
    return SetupEstimate(problem, simulated.hand_eye_true, simulated.nuisance_true, noise, simulated.corner_noise_px)


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("pairs", [4, 12])
def test_the_information_of_pairs_gives_the_cramer_rao_bound(mount, pairs):
    simulated = make_problem(mount, pairs, seed=5)
    problem = convert(simulated)
    setup = true_setup(simulated, problem)
    ahead = forecast(setup, problem.pairs, candidate_flanges(setup, None, 5))
    bound = bounds.bound_covariance(simulated)
    points = bounds.working_points(simulated)
    assert 1e3 * np.sqrt(ahead.mean_square_m2(ahead.known_information)) == pytest.approx(
        bounds.rms_of_covariance_mm(bound, points), rel=0.01
    )
    assert ahead.p95_upper_mm(ahead.known_information) == pytest.approx(
        p95_upper_of_covariance(problem, bound), rel=0.02
    )


@pytest.mark.parametrize("mount", MOUNTS)
def test_a_candidate_has_the_information_of_the_pair_taken_there(mount):
    simulated = make_problem(mount, 10, seed=2)
    problem = convert(simulated)
    setup = true_setup(simulated, problem)
    nine = forecast(setup, problem.pairs[:9], simulated.base_T_flange_reported[9:])
    ten = forecast(setup, problem.pairs, simulated.base_T_flange_reported[9:])
    assert nine.mean_square_after_each_m2()[0] == pytest.approx(
        float(ten.mean_square_m2(ten.known_information)), rel=0.02
    )


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("turns", ["free", "vertical"])
def test_candidates_show_the_whole_board_within_the_tilt(mount, turns):
    simulated = make_problem(mount, 6, seed=4, turns=turns)
    setup = true_setup(simulated, convert(simulated))
    flanges = candidate_flanges(setup, vertical_flange_orientation(setup), 100)
    assert len(flanges) >= 50
    for flange in flanges:
        view = simulated.scene.view_from(flange)
        assert visible_fraction(DEFAULT_LENS, DEFAULT_BOARD, view, 12.0) == 1.0
        middle = transform_points(view, DEFAULT_BOARD.centre_m[None])[0]
        aslant = np.rad2deg(np.arccos(view[:3, 2] @ middle / np.linalg.norm(middle)))
        assert aslant <= 45.01
        if turns == "vertical":
            # The arm reports its vertical with a noise of 0.02 deg.
            assert flange[2, 2] == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("turns", ["free", "vertical"])
def test_the_suggested_pair_reduces_the_error_more_than_a_random_one(mount, turns):
    simulated = make_problem(mount, 8, seed=7, turns=turns)
    problem = convert(simulated)
    solution = solve(problem)
    setup = setup_estimate(problem, solution)
    suggestion = suggest_view(setup, pairs_of_solution(problem, solution))
    others = make_problem(mount, 40, seed=7, turns=turns).base_T_flange_true[8:]
    flanges = np.concatenate([suggestion.base_T_flange[None], others])
    after = forecast(setup, problem.pairs, flanges).mean_square_after_each_m2()
    assert after[0] <= after[1:].min() * 1.02
    assert 0 < suggestion.mean_square_ratio < 1
    assert np.allclose(suggestion.camera_T_board, setup.predict_view(suggestion.base_T_flange))


@pytest.mark.parametrize("mount", MOUNTS)
def test_a_suggestion_that_was_followed_is_not_repeated(mount):
    simulated = make_problem(mount, 8, seed=7)
    problem = convert(simulated)
    solution = solve(problem)
    first = suggest_view(setup_estimate(problem, solution), pairs_of_solution(problem, solution)).base_T_flange
    followed = replace(problem, pairs=[*problem.pairs, replace(problem.pairs[0], index=8, base_T_flange=first)])
    second = suggest_view(replace(setup_estimate(problem, solution), problem=followed), followed.pairs).base_T_flange
    turn = Rotation.from_matrix(first[:3, :3].T @ second[:3, :3]).magnitude()
    assert np.linalg.norm(first[:3, 3] - second[:3, 3]) > 0.03 or np.rad2deg(turn) > 6


@pytest.mark.parametrize(
    ("turn", "edge"),
    [
        # A positive rotation about y (down in the image) moves x towards -z: the right edge comes nearer.
        (("y", 30), "right edge"),
        (("y", -30), "left edge"),
        (("x", 30), "upper edge"),
        (("x", -30), "lower edge"),
    ],
)
def test_the_message_names_the_edge_that_comes_nearer(turn, edge):
    simulated = make_problem("fixed", 4, seed=1)
    setup = true_setup(simulated, convert(simulated))
    view = place(DEFAULT_LENS, DEFAULT_BOARD, Rotation.from_euler(*turn, degrees=True), np.zeros(2), 0.8)
    corners = transform_points(view, DEFAULT_BOARD.corners_m)
    nearest = corners[np.argmin(corners[:, 2])] - corners.mean(axis=0)
    across, down = nearest[:2]
    side = {"right edge": across > 0, "left edge": across < 0, "upper edge": down < 0, "lower edge": down > 0}
    assert side[edge], "the case itself"
    words = describe_view(setup, view, None)
    assert f"tilt the board 30 deg, its {edge}" in words
    assert "in the middle of the image" in words
    assert "800 mm from the camera" in words


def test_the_message_states_rotation_and_distance_from_the_current_view():
    simulated = make_problem("fixed", 4, seed=1)
    setup = true_setup(simulated, convert(simulated))
    current = place(DEFAULT_LENS, DEFAULT_BOARD, Rotation.identity(), np.zeros(2), 0.9)
    # The camera's z points away from the viewer: a positive rotation about it is clockwise in the image.
    turned = Rotation.from_euler("z", 90, degrees=True)
    wanted = place(DEFAULT_LENS, DEFAULT_BOARD, turned, np.array([0.5, -0.5]), 0.75)
    words = describe_view(setup, wanted, current)
    assert "rotate it 90 deg clockwise" in words
    assert "upper right part" in words
    assert_advice_shown_whole(NextView(f"{CAUTION}: {words}", wanted))
    closer = int(words.split(" mm closer")[0].rsplit(" ", 1)[1])
    middle = transform_points(wanted, DEFAULT_BOARD.centre_m[None])[0]
    assert closer == pytest.approx(900 - 1e3 * np.linalg.norm(middle), abs=1)


def test_coverage_and_next_view_after_a_solve():
    simulated = make_problem("arm", 9, seed=3)
    problem = convert(simulated, include_robot_noise=False)
    solution = solve(problem)
    following = find_next_view(problem, solution, TIGHT)
    assert following.message.startswith(CAUTION)
    assert_advice_shown_whole(following)
    assert np.array(following.base_T_flange).shape == (4, 4)
    coverage = coverage_after(problem, solution)
    views = simulated.camera_T_board_true
    distances = 1e3 * np.linalg.norm([transform_points(v, DEFAULT_BOARD.corners_m).mean(axis=0) for v in views], axis=1)
    assert coverage.near_mm == pytest.approx(distances.min(), abs=2)
    assert coverage.far_mm == pytest.approx(distances.max(), abs=2)
    rotations = Rotation.from_matrix(views[:, :3, :3])
    widest = np.abs([(a * b.inv()).as_rotvec(degrees=True) for a in rotations for b in rotations]).max(axis=0)
    assert coverage.rotation_range_deg == pytest.approx(widest, abs=0.5)
    report = ProgressReport.after(solution, coverage)
    assert (report.message, report.coverage, report.next_view) == (coverage.description, coverage, None)
    assert coverage.weakest_direction in report.message
    assert find_next_view(problem, solution, Goal(100.0, 8, 40)) is None


def test_a_progress_report_is_written_and_read_back():
    problem = convert(make_problem("fixed", 6, seed=3))
    solution = solve(problem)
    report = replace(
        ProgressReport.after(solution, coverage_after(problem, solution)),
        next_view=find_next_view(problem, solution, TIGHT),
    )
    record = TypeAdapter(ProgressReport)
    assert record.validate_json(record.dump_json(report)) == report


def test_the_weakest_direction_is_the_one_with_the_largest_sigma():
    simulated = make_problem("fixed", 9, seed=3)
    problem = convert(simulated)
    solution = solve(problem)
    lever = (simulated.near_m + simulated.far_m) / 2
    units = np.array([1, 1, 1, lever, lever, lever])
    directions = np.random.default_rng(0).normal(size=(4000, 6))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    sigma_mm = 1e3 * np.sqrt(
        np.einsum("ni,ij,nj->n", directions * units, solution.covariance, directions * units).max()
    )
    weakest_sigma_mm = coverage_after(problem, solution).weakest_sigma_mm
    assert 0.999 * sigma_mm <= weakest_sigma_mm <= 1.3 * sigma_mm


def test_a_refusal_reports_its_remedy_as_the_next_step():
    problem = convert(make_problem("fixed", 9, seed=3))
    first = problem.pairs[0]
    same = replace(problem, pairs=[replace(first, index=k) for k in range(5)])
    refusal = solve(same)
    assert isinstance(refusal, Refusal)
    assert coverage_after(same, refusal) is None
    report = ProgressReport.after(refusal, None)
    assert (report.message, report.coverage) == (refusal.message, None)
    assert (report.next_view.message, report.next_view.base_T_flange) == (refusal.remedy, None)
    assert find_next_view(same, refusal, Goal(0.5, 8, 40)) == report.next_view


def test_where_the_arm_itself_is_above_the_tolerance_no_view_is_suggested():
    """The pick's error has a part that no pair reduces: the advice names it instead of a view."""
    problem = convert(make_problem("fixed", 9, seed=3), include_robot_noise=False)
    solution = solve(problem)
    goal = Goal(0.9 * solution.remaining_pick_error_mm, 8, 40)
    assert goal.is_out_of_reach(solution)
    assert goal.pairs_wanted(9, solution) == 1
    found = find_next_view(problem, solution, goal)
    assert found.base_T_flange is None
    assert f"{solution.remaining_pick_error_mm:.2f} mm" in found.message
    assert_advice_shown_whole(found)
    within = Goal(1.1 * solution.remaining_pick_error_mm, 8, 40)
    assert find_next_view(problem, solution, within).base_T_flange is not None
    transform = replace(goal, tolerance_of=ToleranceOf.TRANSFORM)
    assert not transform.is_out_of_reach(solution)


def test_the_error_predicted_for_a_pick_keeps_the_part_of_the_arm():
    problem = convert(make_problem("fixed", 9, seed=3), include_robot_noise=False)
    solution = solve(problem)
    goal = Goal(1.0, 8, 40)
    pick, remaining = solution.expected_pick_error_mm.p95_upper, solution.remaining_pick_error_mm
    assert goal.p95_upper_after_mm(solution, 1.0) == pytest.approx(pick)
    assert goal.p95_upper_after_mm(solution, 0.0) == pytest.approx(remaining)
    assert goal.p95_upper_after_mm(solution, 0.25) == pytest.approx(
        np.sqrt(remaining**2 + 0.25 * (pick**2 - remaining**2))
    )
    transform = replace(goal, tolerance_of=ToleranceOf.TRANSFORM)
    assert transform.p95_upper_after_mm(solution, 0.25) == pytest.approx(0.5 * solution.expected_error_mm.p95_upper)
