"""Touched corners: the height of a vertical arm, and what touches confirm or contradict."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from eyebolt.calibration.acceptance import AcceptanceCause, assess_result
from eyebolt.calibration.finding import FindingCode
from eyebolt.calibration.problem import WorkingVolume
from eyebolt.calibration.solution import Solution
from eyebolt.calibration.solve import solve
from eyebolt.protocol import ToleranceOf
from eyebolt_sim.problems import make_problem
from eyebolt_sim.views import ViewRange
from support import long_forms, touched_board

MOUNTS = ("fixed", "arm")
TIP_SIGMA_MM = 0.2


@pytest.fixture(scope="module")
def touched():
    """A board placed before the camera of a simulated problem, with touched corners."""
    return touched_board


def true_height_mm(simulated):
    """Height of the camera along the vertical of the parent frame of X."""
    up = np.array([0.0, 0.0, 1.0])
    if simulated.mount == "arm":
        up = np.mean([pose[:3, :3].T @ up for pose in simulated.base_T_flange_true], axis=0)
    return float(up @ simulated.hand_eye_true[:3, 3]) * 1e3


def grid_errors_mm(problem, found, true):
    grid, off = problem.grid, found - true
    return np.linalg.norm(grid @ off[:3, :3].T + off[:3, 3], axis=1) * 1e3


def chi_square_within(sum_of_squares, dof):
    """Within the central 99.9 % of the chi-square distribution (SciPy)."""
    low, high = chi2.ppf([0.0005, 0.9995], dof)
    return low < sum_of_squares < high


@pytest.mark.parametrize(
    ("mount", "stated", "touches", "seeds"),
    [
        ("fixed", True, 4, range(8)),
        # The points of a seed err together: fewer than 20 seeds do not determine the share within the p95 here.
        ("arm", True, 4, range(20)),
        ("arm", False, 2, range(8)),
        pytest.param("fixed", True, 4, range(20), marks=pytest.mark.long),
        pytest.param("arm", False, 2, range(20), marks=pytest.mark.long),
    ],
)
def test_touch_determines_the_height_of_a_vertical_arm_within_its_sigma(cases, touched, mount, stated, touches, seeds):
    of_height, of_touches, dof, inside = [], 0.0, 0, []
    for seed in seeds:
        simulated = make_problem(mount, 12, seed, turns="vertical")
        problem = replace(cases.convert(simulated, stated), tip=touched.tip_of(simulated, TIP_SIGMA_MM))
        outcome = solve(problem, (), [touched.lay_board(simulated, seed, touches, TIP_SIGMA_MM)])
        assert isinstance(outcome, Solution), f"seed {seed}: {outcome}"
        assert outcome.unobservable == ()
        assert outcome.height.determined_by == "touch"
        # The error of the tip enters the height one to one, so no number of touches averages it out.
        assert outcome.height.sigma_mm > 0.99 * TIP_SIGMA_MM
        up = outcome.X[:3, :3].T @ [0, 0, 1] if mount == "fixed" else None
        if up is not None:
            assert np.sqrt(up @ outcome.covariance[:3, :3] @ up) * 1e3 == pytest.approx(outcome.height.sigma_mm)
        of_height.append((outcome.height.mm - true_height_mm(simulated)) / outcome.height.sigma_mm)
        of_touches += outcome.touches.reduced_chi2 * outcome.touches.dof
        dof += outcome.touches.dof
        errors = grid_errors_mm(problem, outcome.X, simulated.hand_eye_true)
        inside.append(np.mean(errors <= outcome.expected_error_mm.p95))
    print(
        f"{mount}: height {np.mean(np.square(of_height)):.2f}, touches {of_touches / dof:.2f},"
        f" {np.mean(inside):.2f} within the p95"
    )
    assert chi_square_within(np.square(of_height).sum(), len(seeds))
    assert dof == len(seeds) * (3 * touches - 1)
    assert chi_square_within(of_touches, dof)
    assert 0.85 < np.mean(inside) <= 1.0


@long_forms.seeds(4, 20)
@long_forms.first("mount", ["arm", "fixed"])
def test_residuals_of_free_arms_are_as_predicted(cases, touched, mount, seeds):
    squares, dof = 0.0, 0
    for seed in seeds:
        simulated = make_problem(mount, 12, seed)
        problem = replace(cases.convert(simulated), tip=touched.tip_of(simulated, TIP_SIGMA_MM))
        boards = [touched.lay_board(simulated, seed, 3, TIP_SIGMA_MM, view=k) for k in range(2)]
        check = solve(problem, (), boards[: 1 + seed % 2]).touches
        assert check.count == 3 * (1 + seed % 2)
        assert check.dof == 3 * check.count
        assert 0 < check.rms_mm <= check.worst_mm
        squares += check.reduced_chi2 * check.dof
        dof += check.dof
    print(f"{mount}: {squares / dof:.3f} of {dof}")
    assert chi_square_within(squares, dof)


@pytest.mark.parametrize("mount", MOUNTS)
def test_touches_leave_the_result_of_a_free_arm_unchanged(cases, touched, mount):
    simulated = make_problem(mount, 12, 3)
    problem = replace(cases.convert(simulated), tip=touched.tip_of(simulated, TIP_SIGMA_MM))
    alone, beside = solve(problem), solve(problem, (), [touched.lay_board(simulated, 3)])
    assert (alone.touches, alone.height, beside.height) == (None, None, None)
    assert alone.X.tolist() == beside.X.tolist()
    assert alone.covariance.tolist() == beside.covariance.tolist()
    assert alone.expected_error_mm == beside.expected_error_mm
    assert alone.expected_pick_error_mm == beside.expected_pick_error_mm


@long_forms.seeds(2, 5)
@long_forms.crossed({"turns": ["free", "vertical"], "mount": MOUNTS})
def test_a_tip_three_millimetres_off_is_contradicted(cases, touched, mount, turns, seeds):
    for seed in seeds:
        simulated = make_problem(mount, 12, seed, turns=turns)
        problem = replace(cases.convert(simulated), tip=touched.tip_of(simulated, TIP_SIGMA_MM))
        # Sideways: on a vertical arm rotations of the wrist reveal that, and nothing reveals a wrong length.
        outcome = solve(problem, (), [touched.lay_board(simulated, seed, 4, TIP_SIGMA_MM, tip_off_mm=(3, 0, 0))])
        strict, wide = (assess_result(outcome, mm, ToleranceOf.TRANSFORM) for mm in (1.2, 5.0))
        assert strict.cause is AcceptanceCause.TOUCHES_BEYOND_TOLERANCE, strict.reason
        assert wide.cause is AcceptanceCause.TOUCHES_CONTRADICT, wide.reason


@pytest.mark.parametrize("mount", MOUNTS)
def test_a_wrong_pointer_length_enters_the_height_of_a_vertical_arm(cases, touched, mount):
    simulated = make_problem(mount, 12, 4, turns="vertical")
    problem = replace(cases.convert(simulated), tip=touched.tip_of(simulated, TIP_SIGMA_MM))
    right, wrong = (
        solve(problem, (), [touched.lay_board(simulated, 4, 4, TIP_SIGMA_MM, tip_off_mm=(0, 0, off))]) for off in (0, 3)
    )
    assert abs(wrong.height.mm - right.height.mm) == pytest.approx(3.0, abs=0.01)
    assert wrong.touches.reduced_chi2 == pytest.approx(right.touches.reduced_chi2, abs=0.01), "no touch reveals it"
    (finding,) = [f for f in right.findings if f.code == "height-from-touch"]
    assert finding.severity == "note"
    assert finding.evidence["sigma_mm"] == right.height.sigma_mm


@pytest.mark.parametrize("mount", MOUNTS)
def test_the_pick_error_of_a_vertical_arm_includes_that_of_the_height(cases, touched, mount):
    simulated = make_problem(mount, 12, 5, turns="vertical")
    exact, poor = (
        solve(
            replace(cases.convert(simulated), tip=touched.tip_of(simulated, sigma_mm)),
            (),
            [touched.lay_board(simulated, 5, 4, 0.01)],
        )
        for sigma_mm in (0.01, 2.0)
    )
    # A normal error of 2 mm in one direction alone is below 3.9 mm 95 times in 100.
    assert 3.5 < poor.expected_pick_error_mm.p95 < 5.5
    assert 3.5 < poor.expected_error_mm.p95 < 5.5
    assert exact.expected_pick_error_mm.p95 < 2.0


def heights_of_board_m(simulated):
    up = np.array([0.0, 0.0, 1.0])
    if simulated.mount == "fixed":
        up = np.mean([pose[:3, :3].T @ up for pose in simulated.base_T_flange_true], axis=0)
    return float(up @ simulated.nuisance_true[:3, 3])


@pytest.mark.parametrize("mount", MOUNTS)
def test_touch_tests_a_stated_height(cases, touched, mount):
    simulated = make_problem(mount, 12, 6, turns="vertical")
    base = replace(cases.convert(simulated), tip=touched.tip_of(simulated, TIP_SIGMA_MM))
    board = touched.lay_board(simulated, 6, 4, TIP_SIGMA_MM)
    of_board = heights_of_board_m(simulated)
    right = solve(replace(base, height_m=of_board), (), [board])
    wrong = solve(replace(base, height_m=of_board + 0.004), (), [board])
    for outcome in (right, wrong):
        assert outcome.height.determined_by == "board_height_mm"
        assert outcome.unobservable == ()
    assert wrong.height.mm - right.height.mm == pytest.approx(4.0, abs=0.1)
    assert not [f for f in right.findings if f.severity != "note"]
    (finding,) = [f for f in wrong.findings if f.severity != "note"]
    assert (finding.code, finding.severity) == ("height-mismatch", "warn")
    off_mm = finding.evidence["touch_mm"] - finding.evidence["stated_mm"]
    assert off_mm == pytest.approx(-4.0, abs=4 * finding.evidence["sigma_mm"])


def test_without_touch_or_statement_the_height_is_unobservable(cases, touched):
    simulated = make_problem("fixed", 12, 1, turns="vertical")
    problem = replace(cases.convert(simulated), tip=touched.tip_of(simulated, TIP_SIGMA_MM))
    board = touched.lay_board(simulated, 1)
    # Placed but not touched; touched without a stated tip; touched, but the image determines no board pose.
    for one, placed in (
        (problem, replace(board, touches=())),
        (replace(problem, tip=None), board),
        (problem, replace(board, ids=board.ids[:4], corners_px=board.corners_px[:4])),
    ):
        outcome = solve(one, (), [placed])
        assert outcome.height.determined_by is None
        assert (outcome.height.mm, outcome.height.sigma_mm, outcome.touches) == (None, None, None)
        assert len(outcome.unobservable) == 1


@long_forms.seeds(6, 15)
@long_forms.first("mount", ["fixed", "arm"])
def test_a_corner_outside_the_image_is_predicted_from_the_board_pose(cases, touched, mount, seeds):
    squares = []
    for seed in seeds:
        simulated = make_problem(mount, 12, seed)
        problem = replace(cases.convert(simulated), tip=touched.tip_of(simulated, TIP_SIGMA_MM))
        board = touched.lay_board(simulated, seed, 4, TIP_SIGMA_MM)
        rest = np.setdiff1d(board.ids, [t.corner for t in board.touches])
        check = solve(problem, (), [replace(board, ids=rest, corners_px=board.corners_px[rest])]).touches
        squares.append(check.reduced_chi2 * check.dof)
    assert chi_square_within(sum(squares), len(seeds) * 12)


def at_one_distance(cases, touched, mount, seed, focal_off=0.0, sigma_mm=0.05):
    """Pairs at one distance, a working volume from 0.6 to 1 m: focal length and distance cannot be separated."""
    one_distance = ViewRange(distance_m=(0.78, 0.82), tilt_deg=(0, 12))
    simulated = make_problem(mount, 10, seed, limits=one_distance, robot_noise_mm=0.05, robot_noise_deg=0.01)
    problem = cases.convert(simulated)
    matrix = problem.camera.matrix.copy()
    matrix[[0, 1], [0, 1]] *= 1 + focal_off
    problem = replace(
        problem,
        camera=replace(problem.camera, matrix=matrix),
        tip=touched.tip_of(simulated, sigma_mm),
        volume=WorkingVolume(0.6, 1.0),
    )
    boards = [
        touched.lay_board(simulated, seed, 6, sigma_mm, view=k) for k in range(3)
    ]  # at distances between 0.6 and 1 m
    return problem, boards, simulated


@long_forms.first("mount", ["arm", "fixed"])
def test_touch_contradicts_a_wrong_focal_length_that_the_pairs_absorb(cases, touched, mount):
    problem, boards, _ = at_one_distance(cases, touched, mount, 2, focal_off=0.003)
    outcome = solve(problem, (), boards)
    assert FindingCode.LENS_DEVIATES not in [finding.code for finding in outcome.findings]
    assert assess_result(outcome, 50.0).cause is AcceptanceCause.TOUCHES_CONTRADICT


def test_touches_agree_with_a_focal_length_that_the_pairs_correct(cases, touched):
    problem, boards, _ = at_one_distance(cases, touched, "arm", 2, focal_off=0.004)
    outcome = solve(problem, (), boards)
    assert FindingCode.LENS_DEVIATES in [finding.code for finding in outcome.findings]
    assert assess_result(outcome, 50.0).cause is AcceptanceCause.ERROR_WITHIN_TOLERANCE


@long_forms.seeds(4, 20)
def test_the_sigma_of_the_lens_file_enters_the_covariance_of_the_touches(cases, touched, seeds):
    squares, dof, contradicted = 0.0, 0, 0
    for seed in seeds:
        simulated = make_problem("fixed", 12, seed)
        problem = replace(cases.convert(simulated), tip=touched.tip_of(simulated, 0.05))
        rng = np.random.default_rng([seed, 5])
        sigma = {"fx": 4.0, "fy": 4.0, "cx": 4.0, "cy": 4.0}
        matrix = problem.camera.matrix.copy()
        for place in ((0, 0), (1, 1), (0, 2), (1, 2)):
            matrix[place] += 4.0 * rng.normal()
        board = touched.lay_board(simulated, seed, 4, 0.05)
        for stated in (sigma, problem.camera.sigma):
            camera = replace(problem.camera, matrix=matrix, sigma=stated)
            outcome = solve(replace(problem, camera=camera), (), [board])
            check = outcome.touches
            # A lens that is wrongly stated to be exact has its prior widened, so its touches agree as well.
            contradicted += outcome.focal_length.prior_source == "widened"
            squares += check.reduced_chi2 * check.dof
            dof += check.dof
    assert chi_square_within(squares, dof)
    assert contradicted >= len(seeds) / 2, "the lens is so far off that the touches show it"
