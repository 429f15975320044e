"""Each limit of a finding at both sides: what is just below it, and what is just above it."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from eyebolt.calibration.diagnosis import corner_numbering, correspondence, moved_parts
from eyebolt.calibration.diagnosis.board_and_lens import findings_on_board_and_lens
from eyebolt.calibration.diagnosis.corner_numbering import find_wrong_row_length
from eyebolt.calibration.diagnosis.correspondence import (
    find_pair_shift,
    find_stale_pairs,
    find_swapped_outliers,
    find_swapped_pair,
)
from eyebolt.calibration.diagnosis.intrinsics import _is_relevant, _near_ratio
from eyebolt.calibration.diagnosis.moved_parts import find_change_among_excluded, findings_on_change_points
from eyebolt.calibration.diagnosis.pose_resolution import (
    find_coarse_pose_resolution,
    find_excess_pose_noise,
    resolution_of,
)
from eyebolt.calibration.estimation import InitialEstimate, MovedPart, chi2_isf
from eyebolt.calibration.estimation.observability import describe_direction
from eyebolt.calibration.nuisance_prior import PriorSource
from eyebolt.calibration.problem import PoseConvention, PrintError, RobotNoise
from eyebolt.calibration.robust import ChangePoint, StepChange, robust_estimate
from eyebolt.calibration.solution import ParameterDeviation
from eyebolt.calibration.uncertainty.error_budget import _correlated_error_finding, _outlier_corner_finding
from eyebolt.geometry import Mount, se3
from eyebolt.geometry.pose_format import PoseFormat
from eyebolt.observations import Pair
from eyebolt_sim.problems import make_problem
from eyebolt_sim.views import chessboard_shape
from support.solutions import made_up_solution

BOARD = chessboard_shape(12, 9, 0.020).corners_m


def pair(index=0, pose=None, ids=range(12), corners_px=None):
    ids = np.array(ids)
    if corners_px is None:
        corners_px = np.stack([40.0 * (ids % 11), 40.0 * (ids // 11)], axis=1)
    return Pair(index, np.eye(4) if pose is None else pose, ids, corners_px)


@pytest.mark.parametrize(
    ("as_stated_px", "best_px", "next_px", "is_found"),
    [
        (6.0, 0.5, 30.0, True),
        (4.5, 0.1, 30.0, False),
        (12.0, 2.0, 30.0, True),
        (9.0, 2.0, 30.0, False),
        (30.0, 2.0, 12.0, True),
        (30.0, 2.0, 9.0, False),
    ],
)
def test_rows_of_another_length(monkeypatch, as_stated_px, best_px, next_px, is_found):
    residual_px = {11: as_stated_px, 8: best_px}
    monkeypatch.setattr(
        corner_numbering, "_homography_residual_px", lambda pairs, row_length: residual_px.get(row_length, next_px)
    )
    found = find_wrong_row_length(BOARD, [pair()])
    assert (found is not None) == is_found
    if is_found:
        assert found.evidence == {
            "corners_per_row": 8.0,
            "stated_corners_per_row": 11.0,
            "residual_px": best_px,
            "residual_as_stated_px": as_stated_px,
            "next_best_px": next_px,
        }


def test_five_images_of_nine_corners_and_more_show_the_numbering(monkeypatch):
    seen = []

    def residual_px(pairs, row_length):
        seen.append(([p.index for p in pairs], row_length))
        return {11: 50.0, 59: 1.0}.get(row_length, 40.0)

    monkeypatch.setattr(corner_numbering, "_homography_residual_px", residual_px)
    pairs = [pair(k, ids=range(8 if k == 4 else 9)) for k in range(10)]
    assert find_wrong_row_length(BOARD, pairs).evidence["corners_per_row"] == 59
    assert seen[0] == ([0, 2, 5, 7, 9], 11)
    assert sorted(row_length for _, row_length in seen) == list(range(2, 60))
    assert find_wrong_row_length(BOARD, [pair(ids=range(8))] * 9) is None


def test_corners_on_a_line_or_on_a_board_that_is_no_grid_show_no_numbering():
    line = pair(ids=range(11))
    assert corner_numbering._image_residual_px(line, 11) == np.inf
    # Numbered in shorter rows the same corners are a field, to which some homography may fit.
    noisy_px = np.stack([40.0 * np.arange(11), 0.3 * np.random.default_rng(0).normal(size=11)], axis=1)
    assert find_wrong_row_length(BOARD, [line, pair(1, ids=range(11), corners_px=noisy_px)]) is None
    assert find_wrong_row_length(BOARD[:-1], [pair()]) is None


@pytest.mark.parametrize(
    ("column", "step"),
    [
        ((100.0, 300.0), 10.0),
        ((12.0, 15.0), 1.0),
        ((0.25, 0.5), 0.01),
        ((1.234567, 2.345678), 1e-6),
        ((1.2345675, 2.345678), 0.0),
        ((3.0, 3.0), 0.0),
        ((1.0, 2.0 + 0.8e-4), 1.0),
        ((1.0, 2.0 + 2e-4), 1e-4),
        # All near 0, or near 1, in steps of any length that do not tell them apart.
        ((0.00012, 0.00034, -0.0002), 1e-5),
        ((1.00003, 1.00005), 1e-5),
    ],
)
def test_the_step_of_printed_numbers(column, step):
    assert resolution_of(np.array(column)) == pytest.approx(step)


@pytest.mark.parametrize(
    ("share", "pairs", "is_found"), [(0.3, 4, True), (0.2, 4, False), (0.3, 3, False), (0.9, 4, True)]
)
@pytest.mark.parametrize("part", ["translation", "rotation"])
def test_rounding_of_a_quarter_of_the_variance(cases, share, pairs, is_found, part):
    problem = replace(
        cases.convert(make_problem("fixed", 4, 1)), pose_convention=PoseConvention(PoseFormat("mm", "euler-ZYX"))
    )
    rng = np.random.default_rng(1)
    printed = [replace(one, fields=tuple(np.round(rng.uniform(-90, 90, 6), 1))) for one in problem.pairs[:pairs]]
    # Uniform over a step: a twelfth of its square.
    sigma = np.array([1e-4, np.deg2rad(0.1)]) / np.sqrt(12)
    scale = [1 / np.sqrt(share), 1e3] if part == "translation" else [1e3, 1 / np.sqrt(share)]
    joint = SimpleNamespace(noise=SimpleNamespace(best=RobotNoise(*(sigma * scale))))
    found = find_coarse_pose_resolution(problem, printed, joint)
    assert (found is not None) == is_found
    if is_found:
        assert found.evidence[f"share_of_{part}_variance"] == pytest.approx(share)


def test_the_limit_of_a_noise_beyond_the_stated_one(cases):
    problem = cases.convert(make_problem("fixed", 8, 2))
    joint = robust_estimate(problem, cases.observations_of(problem)).joint
    stated = problem.robot_noise

    def finding(factor):
        quieter = RobotNoise(stated.translation_m * factor, stated.rotation_rad * factor)
        return find_excess_pose_noise(replace(problem, robot_noise=quieter), joint)

    low, high = 0.05, 2.0
    assert finding(low) is not None
    assert finding(high) is None
    for _ in range(20):
        middle = (low * high) ** 0.5
        low, high = (low, middle) if finding(middle) is None else (middle, high)
    # 48 numbers less the 12 of the transforms and those of board and lens.
    dof = joint.model.offset.size - joint.model.design.shape[-1]
    assert finding(low).evidence["noise_ratio"] == pytest.approx(float(chi2_isf(dof, 1e-5) / dof) ** 0.5, rel=1e-3)
    assert finding(low).evidence["stated_mm"] == pytest.approx(1e3 * stated.translation_m * low)


def test_a_further_direction_of_the_prior_adds_only_the_names_that_are_new(cases):
    prior = cases.convert(make_problem("fixed", 4, 1)).nuisance_prior
    wider = prior.extended({"scale": 0.3, "k6": 0.7})
    assert "k6" not in prior.names
    assert wider.names == (*prior.names, "k6")
    assert len(wider.sources) == len(wider.names)
    assert wider.sources[-1] == "stated"
    wanted = np.zeros((len(wider.names), prior.root.shape[1] + 1))
    wanted[:-1, :-1] = prior.root
    wanted[prior.names.index("scale"), -1], wanted[-1, -1] = 0.3, 0.7
    np.testing.assert_array_equal(wider.root, wanted)


@pytest.mark.parametrize(
    ("factor", "ratio"),
    [
        (0.25, 0.25),
        (0.335, 1 / 3),
        (0.51, 0.5),
        (0.66, 2 / 3),
        (0.75, 0.75),
        (1.0, None),
        (1.03, None),
        (4 / 3 * 1.02, 4 / 3),
        (1.5 * 0.98, 1.5),
        (1.5 * 1.04, None),
        (2.05, 2.0),
        (3.0, 3.0),
        (4.1, 4.0),
        (5.0, None),
    ],
)
def test_ratios_of_resolutions(factor, ratio):
    assert _near_ratio(factor) == ratio


@pytest.mark.parametrize(
    ("group", "deviations", "is_relevant"),
    [
        ("focal-length", {"focal": 0.004}, True),
        ("focal-length", {"focal": -0.0025}, False),
        ("board-scale", {"scale": -0.0035}, True),
        ("principal-point", {"cx": 0.0025, "cy": -0.0025}, True),
        ("principal-point", {"cx": 0.0025, "cy": 0.001}, False),
    ],
)
def test_three_thousandths_of_board_and_lens_matter(group, deviations, is_relevant):
    assert _is_relevant(group, {name: (value, 9.0) for name, value in deviations.items()}, None, None) is is_relevant


@pytest.mark.parametrize(
    ("moved_px", "moved_mm", "moved_deg", "code"),
    [
        (1.2, 0.0, 0.0, "stale-pose"),
        (0.8, 0.0, 0.0, None),
        (0.04, 1.2, 0.0, "stale-image"),
        (0.06, 1.2, 0.0, None),
        (0.04, 0.8, 0.0, None),
        (0.04, 0.0, 0.12, "stale-image"),
        (0.04, 0.0, 0.08, None),
        # The last digit of a pose is not a movement; its double is.
        (1.2, 0.8e-4, 0.0, "stale-pose"),
        (1.2, 1.2e-4, 0.0, None),
    ],
)
def test_a_pair_that_repeats_pose_or_image(moved_px, moved_mm, moved_deg, code):
    first = pair(3)
    moved = se3.exp(np.array([moved_mm * 1e-3, 0, 0, 0, np.deg2rad(moved_deg), 0]))
    second = pair(4, moved, corners_px=first.corners_px + moved_px * np.array([0.6, 0.8]))
    found = find_stale_pairs([first, second])
    assert [finding.code for finding in found] == ([] if code is None else [code])
    if found:
        assert found[0].evidence == pytest.approx(
            {"pair": 4, "corners_moved_px": moved_px, "pose_moved_mm": moved_mm, "pose_moved_deg": moved_deg},
            abs=1e-6,
        )


@pytest.mark.parametrize(
    ("ids", "codes"), [(range(8, 20), ["stale-pose"]), (range(9, 20), ["stale-pose"]), (range(9, 12), [])]
)
def test_images_of_hardly_the_same_corners(ids, codes):
    """Four common corners have a distance; with three the image moved, unless it shows no more than these."""
    first = pair(3)
    second = pair(4, ids=ids)
    second = replace(second, corners_px=second.corners_px + 5.0)
    found = find_stale_pairs([first, second])
    assert [finding.code for finding in found] == codes
    if codes:
        assert np.isfinite(found[0].evidence["corners_moved_px"]) == (len(ids) == 12)


@pytest.mark.parametrize(
    ("best_m", "next_m", "as_paired_m", "is_found"),
    [
        (0.002, 0.009, 0.05, True),
        (0.002, 0.007, 0.05, False),
        (0.002, 0.05, 0.009, True),
        (0.002, 0.05, 0.007, False),
        (0.0029, 0.05, 0.05, True),
        (0.0031, 0.05, 0.05, False),
    ],
)
def test_the_right_pairing_fits_four_times_better(cases, monkeypatch, best_m, next_m, as_paired_m, is_found):
    problem = cases.convert(make_problem("fixed", 6, 1))
    observations = cases.observations_of(problem)
    A, P = observations.A, observations.pose_fits.camera_T_board

    def fit(problem, tried):
        shift = len(tried.A) == 4 and np.array_equal(tried.A, A[2:])
        swap = np.array_equal(tried.pose_fits.camera_T_board, P[[0, 4, 2, 3, 1, 5]])
        return None, best_m if shift or swap else next_m

    monkeypatch.setattr(correspondence, "best_initial_estimate", fit)
    indices = [10, 11, 12, 13, 14, 15]
    shifted = find_pair_shift(problem, observations, as_paired_m)
    swapped = find_swapped_pair(problem, observations, indices, as_paired_m)
    assert (shifted is not None) == (swapped is not None) == is_found
    if is_found:
        assert shifted.evidence == {
            "lag": -2.0,
            "residual_mm": best_m * 1e3,
            "residual_as_paired_mm": as_paired_m * 1e3,
            "next_best_mm": min(next_m, as_paired_m) * 1e3,
        }
        assert swapped.evidence == {"pair": 11.0, "other_pair": 14.0, "residual_mm": as_paired_m * 1e3}


@pytest.mark.parametrize(("pairs", "lags"), [(3, []), (4, [1, -1]), (5, [1, -1, 2, -2]), (9, [1, -1, 2, -2, 3, -3])])
def test_poses_are_shifted_by_three_waypoints_at_most(cases, monkeypatch, pairs, lags):
    """And at least three pairs remain."""
    problem = cases.convert(make_problem("fixed", pairs, 1))
    tried = []

    def fit(problem, observations):
        tried.append(observations)
        return None, 0.010

    monkeypatch.setattr(correspondence, "best_initial_estimate", fit)
    observations = cases.observations_of(problem)
    assert find_pair_shift(problem, observations, 0.05) is None
    assert len(tried) == len(lags)
    for found, lag in zip(tried, lags, strict=True):
        first, last = max(lag, 0), pairs + min(lag, 0)
        np.testing.assert_array_equal(found.A, observations.A[first - lag : last - lag])
        np.testing.assert_array_equal(found.pose_fits.camera_T_board, observations.pose_fits.camera_T_board[first:last])


@pytest.mark.parametrize("pairs", [3, 4, 7, 8])
def test_swaps_are_tried_with_four_to_seven_pairs(cases, monkeypatch, pairs):
    problem = cases.convert(make_problem("fixed", pairs, 1))
    tried = []

    def fit(problem, observations):
        tried.append(observations)
        return None, 0.010 if len(tried) > 1 else 0.001

    monkeypatch.setattr(correspondence, "best_initial_estimate", fit)
    found = find_swapped_pair(problem, cases.observations_of(problem), range(pairs), 0.05)
    assert len(tried) == {3: 0, 4: 6, 7: 21, 8: 0}[pairs]
    assert (found is not None) == (pairs in (4, 7))


@pytest.mark.parametrize(
    ("own_mm", "inlier_mm", "match_mm", "is_found"),
    [
        (20.0, 0.1, 1.9, True),
        (20.0, 0.1, 2.1, False),
        # Four medians of the inliers.
        (30.0, 1.0, 3.8, True),
        (30.0, 1.0, 4.2, False),
        # Six times closer than with its own pose.
        (6.5, 0.1, 1.0, True),
        (5.5, 0.1, 1.0, False),
    ],
)
def test_outliers_that_match_the_poses_of_each_other(cases, monkeypatch, own_mm, inlier_mm, match_mm, is_found):
    problem = cases.convert(make_problem("fixed", 6, 1))
    with_every_pose = {1: [50.0, own_mm, 50, 50, match_mm, 50], 4: [50.0, match_mm, 50, 50, own_mm, 50]}
    own = [inlier_mm, own_mm, inlier_mm, inlier_mm, own_mm, inlier_mm]
    residuals_mm = iter([own, with_every_pose[1], with_every_pose[4]])
    monkeypatch.setattr(correspondence, "coarse_residuals_m", lambda *_: 1e-3 * np.array(next(residuals_mm)))
    start = InitialEstimate(np.eye(4), np.eye(4), "estimate")
    found = find_swapped_outliers(problem, cases.observations_of(problem), range(10, 16), np.array([1, 4]), start)
    wanted = {"pair": 11.0, "other_pair": 14.0, "residual_mm": pytest.approx(own_mm)}
    assert [one.evidence for one in found] == ([wanted] if is_found else [])
    assert find_swapped_outliers(problem, cases.observations_of(problem), range(6), np.array([1]), start) == []


@pytest.mark.parametrize("part", MovedPart)
@pytest.mark.parametrize(
    ("translation_m", "rotation_deg", "is_slip"),
    [(0.018, 4.0, True), (0.022, 4.0, False), (0.018, 5.5, False), (0.001, 4.8, True)],
)
def test_a_slip_or_a_change_on_the_controller(part, translation_m, rotation_deg, is_slip):
    change = np.array([0, translation_m, 0, 0, 0, np.deg2rad(rotation_deg)])
    point = ChangePoint(StepChange(part, 2, change, 1e-6), 2, True)
    (found,) = findings_on_change_points(Mount.FIXED, [point], [5, 6, 9])
    gross = "tool-changed" if part is MovedPart.BOARD else "frame-changed"
    assert found.code == (f"{part}-moved" if is_slip else gross)
    assert found.evidence == pytest.approx(
        {"pair": 9, "translation_mm": 1e3 * translation_m, "rotation_deg": rotation_deg, "p_value": 1e-6}
    )


@pytest.mark.parametrize(
    ("apart_m", "apart_deg", "is_found"),
    [(0.0, 0.0, True), (0.0135, 0.0, True), (0.0165, 0.0, False), (0.0, 0.9, True), (0.0, 1.1, False)],
)
def test_excluded_pairs_that_share_one_change(cases, apart_m, apart_deg, is_found):
    """The last three of eight, whose boards moved alike but for one of them."""
    problem = cases.convert(make_problem("fixed", 8, 6))
    observations = cases.observations_of(problem)
    X, Y = se3.exp(np.array([[0.5, 0.1, 0.9, 0.2, 3.0, 0.1], [0.02, 0.01, 0.1, 0.1, 0.2, 0.3]]))
    change = se3.exp(np.array([0.3, -0.2, 0.1, 0.5, -0.4, 0.8]))
    apart = se3.exp(np.array([apart_m, 0, 0, 0, np.deg2rad(apart_deg), 0]))
    changes = [np.eye(4)] * 5 + [change, change, change @ apart]
    P = np.array([se3.inverse(X) @ a @ Y @ c for a, c in zip(observations.A, changes, strict=True)])
    observations = replace(observations, pose_fits=replace(observations.pose_fits, camera_T_board=P))
    start = InitialEstimate(X, Y, "closed form")
    found = find_change_among_excluded(problem, observations, start, np.arange(8) < 5, range(20, 28))
    assert (found is not None) == is_found
    if is_found:
        assert (found.code, found.evidence["pair"]) == ("tool-changed", 25)


@pytest.mark.parametrize(("ratio", "is_found"), [(9.0, True), (7.0, False)])
def test_the_moved_part_explains_the_pairs_eight_times_better(cases, monkeypatch, ratio, is_found):
    problem = cases.convert(make_problem("fixed", 6, 6))
    differences = iter([(ratio * 0.001, 0.0), (0.001, 0.0)])
    monkeypatch.setattr(moved_parts, "_max_difference", lambda changes: next(differences))
    start = InitialEstimate(np.eye(4), np.eye(4), "closed form")
    used = np.arange(6) < 4
    found = find_change_among_excluded(problem, cases.observations_of(problem), start, used, range(6))
    assert (found is not None) == is_found


@pytest.mark.parametrize(
    ("likelihood_ratio", "pairs", "is_found"), [(9.5, 10, True), (8.5, 10, False), (9.5, 9, False), (30.0, 40, True)]
)
@pytest.mark.parametrize(("tilt_deg", "is_far"), [(28.0, False), (32.0, True)])
def test_pose_correlated_errors(likelihood_ratio, pairs, is_found, tilt_deg, is_far):
    pick = SimpleNamespace(
        likelihood_ratio=likelihood_ratio, tilt_rad=np.deg2rad(tilt_deg), correlated_m=2e-4, correlated_rad=1e-3
    )
    found = _correlated_error_finding(pick, pairs)
    assert (found is not None) == is_found
    if is_found:
        assert found.evidence == pytest.approx(
            {
                "correlated_mm": 0.2,
                "correlated_deg": float(np.rad2deg(1e-3)),
                "likelihood_ratio": likelihood_ratio,
                "posture_deg": tilt_deg,
            }
        )
        assert (f"{tilt_deg:.0f} deg" in found.message) == is_far


@pytest.mark.parametrize(("weight", "corners", "is_found"), [(0.45, 5, True), (0.55, 5, False), (0.45, 4, False)])
def test_corners_of_little_weight(weight, corners, is_found):
    weights = np.ones((3, 8))
    weights[0, 0] = 0.0
    weights.ravel()[1 : 1 + corners - 1] = weight
    weights[2, 7] = weight
    found = _outlier_corner_finding(SimpleNamespace(weights=weights))
    assert (found is not None) == is_found
    if is_found:
        assert found.evidence == {"corners": 5.0, "images": 2.0}


@pytest.mark.parametrize(
    ("flatness_mm", "p_value", "effect_mm", "severity"),
    [
        (0.12, 0.5e-5, 0.2, "warn"),
        (0.12, 0.5e-5, 0.05, "note"),
        (0.08, 0.5e-5, 0.2, None),
        (0.12, 2e-5, 0.2, None),
    ],
)
def test_a_bow_of_a_tenth_of_a_millimetre(cases, flatness_mm, p_value, effect_mm, severity):
    solution = made_up_solution(0.1)
    bow = replace(solution.board_bow, flatness_mm=flatness_mm, p_value=p_value, effect_mm=effect_mm)
    problem = cases.convert(make_problem("fixed", 4, 1))
    found = findings_on_board_and_lens(problem, replace(solution, board_bow=bow))
    assert [(one.code, one.severity) for one in found] == ([] if severity is None else [("board-bow", severity)])


def test_findings_on_a_board_and_a_lens_that_are_not_as_stated(cases):
    """Their numbers, as fractions of the stated size, of the focal length, and in mm; only widened priors are named."""
    problem = replace(cases.convert(make_problem("fixed", 4, 1)), board_scale_sigma=2e-3)
    matrix = problem.camera.matrix
    plain = made_up_solution(0.1)
    board = ParameterDeviation(-0.004, 0.001, 0.002, PriorSource.WIDENED)
    focal = ParameterDeviation(0.01, 0.002, 0.003, PriorSource.WIDENED)
    lens = {name: replace(focal, deviation=size, sigma=2.0) for name, size in (("cx", 12.0), ("cy", -24.0))}
    assert findings_on_board_and_lens(problem, plain) == ()
    (found,) = findings_on_board_and_lens(problem, replace(plain, board_scale=board))
    assert (found.code, found.severity) == ("board-deviates", "warn")
    assert found.evidence == pytest.approx({"scale": -0.004, "scale_sigma": 0.001, "scale_stated_sigma": 2e-3})
    assert "smaller" in found.message
    assert "larger" in findings_on_board_and_lens(
        problem, replace(plain, board_scale=replace(board, deviation=0.004))
    )[0].message  # fmt: skip
    (found,) = findings_on_board_and_lens(problem, replace(plain, focal_length=focal, lens=lens))
    prior = problem.stated_prior
    sizes = prior.functional({"fx": 0.5 / matrix[0, 0], "fy": 0.5 / matrix[1, 1]})
    assert (found.code, found.severity) == ("lens-deviates", "warn")
    assert found.evidence == pytest.approx(
        {
            "focal": 0.01,
            "focal_sigma": 0.002,
            "focal_stated_sigma": np.sqrt((sizes**2).sum()),
            "cx": 12.0 / matrix[0, 0],
            "cx_sigma": 2.0 / matrix[0, 0],
            "cy": -24.0 / matrix[0, 0],
            "cy_sigma": 2.0 / matrix[0, 0],
        }
    )
    for length_m, words in ((0.02, "about 20 mm"), (0.0, "each by itself")):
        printed = replace(problem, print_error=PrintError(3e-5, length_m, {}))
        (found,) = findings_on_board_and_lens(printed, plain)
        assert found.evidence == pytest.approx({"print_mm": 0.03, "print_length_mm": 1e3 * length_m})
        assert words in found.message


@pytest.mark.parametrize(
    ("direction", "name"),
    [
        ((0.0, 0.0, 1.0), "the camera's line of sight (depth)"),
        ((0.98, 0.0, 0.199), "the image's width"),
        ((0.96, 0.0, 0.28), "the direction (0.96, 0.00, 0.28)"),
        ((0.6, 0.0, 0.8), "the direction (0.60, 0.00, 0.80)"),
    ],
)
def test_an_axis_has_the_name_of_one_within_fourteen_degrees(cases, direction, name):
    """The camera frame parallel to that of the base but for a turn about y, so that only one of them can be meant."""
    problem = cases.convert(make_problem("fixed", 4, 1))
    # A hair off, so that the camera's axis is not exactly the base's: the larger of the two cosines names it.
    X = se3.exp(np.array([0, 0, 0, 0, -1e-9, 1e-6]))
    assert describe_direction(problem, X, np.array([*direction, 0, 0, 0])).startswith("translation along the ")
    found = describe_direction(problem, X, np.array([0, 0, 0, *direction]))
    if name.startswith("the direction"):
        assert found.startswith(f"rotation about {name}")
    else:
        assert "the direction" not in found
