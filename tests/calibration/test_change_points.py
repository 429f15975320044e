"""Change points: a board or camera that moves during the session is found with its time, size and part."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.calibration.estimation import MovedPart
from eyebolt.calibration.robust.change_points import StepChange, is_confirmed
from eyebolt.calibration.solution import Solution
from eyebolt.calibration.solve import solve
from eyebolt_sim.problems import make_problem
from eyebolt_sim.transforms import inverse, matrix, transform_points
from support import long_forms

POSES = 16


def moved_from(cases, simulated, at, board=None, camera=None, stated=True):
    """The problem in which the board or the camera has moved, from pair ``at`` on, by a 4x4 in its own frame."""
    problem = cases.convert(simulated, stated, drift_sigma_m=None)
    pairs = list(problem.pairs)
    for row in range(at, len(pairs)):
        view = simulated.camera_T_board_true[row]
        view = view @ board if board is not None else inverse(camera) @ view
        noise = simulated.corners_px[row] - simulated.corners_px_true[row]
        corners = simulated.lens.project(transform_points(view, simulated.board_corners_m[simulated.corner_ids[row]]))
        pairs[row] = replace(pairs[row], corners_px=corners + noise)
    return replace(problem, pairs=pairs)


def by(shift_mm, rotation_deg=0.0):
    rotation = Rotation.from_rotvec([0, 0, np.deg2rad(rotation_deg)]).as_matrix()
    return matrix(rotation, np.array([shift_mm, 0.0, 0.0]) * 1e-3)


@pytest.mark.parametrize(
    ("p_value", "without", "of", "confirmed"),
    [
        # 0.001 over the number of ways to leave so many pairs out: 1, 16, 120, 560.
        (0.00099, 0, 16, True),
        (0.00101, 0, 16, False),
        (0.00099 / 16, 1, 16, True),
        (0.00101 / 16, 1, 16, False),
        (0.00099 / 120, 2, 16, True),
        (0.00101 / 120, 2, 16, False),
        (0.00099 / 560, 3, 16, True),
        (0.00101 / 560, 3, 16, False),
    ],
)
def test_a_change_found_without_outliers_counts_the_ways_to_choose_them(p_value, without, of, confirmed):
    found = StepChange(MovedPart.BOARD, 6, np.zeros(6), p_value, ())
    assert is_confirmed(found, without, of) is confirmed
    assert not is_confirmed(None, without, of)
    assert not is_confirmed(replace(found, outliers=(3,)), without, of)


@long_forms.seeds(1, 3)
@long_forms.crossed_with_noise({"at": [2, 6, 13], "mount": ["fixed", "arm"]})
def test_a_slipped_board_is_found_with_its_time_and_size(cases, bound, mount, stated, at, seeds):
    for seed in seeds:
        simulated = make_problem(mount, POSES, seed)
        solution = solve(moved_from(cases, simulated, at, board=by(1.5), stated=stated))
        assert isinstance(solution, Solution)
        (finding,) = [f for f in solution.findings if f.code == "board-moved"]
        assert finding.severity == "warn", "the camera has not moved"
        assert finding.evidence["pair"] == at
        assert finding.evidence["translation_mm"] == pytest.approx(1.5, abs=0.5)
        smaller = range(at, POSES) if at > POSES / 2 else range(at)
        assert set(smaller) <= {p.pair for p in solution.excluded}
        assert len(solution.excluded) <= len(smaller) + 1
        assert "the board had another pose" in solution.excluded[0].reason
        errors = bound.errors_mm(solution.X, simulated, bound.working_points(simulated))
        assert np.mean(errors) < 2 * solution.expected_error_mm.p95


@long_forms.seeds(1, 3)
@long_forms.first("mount", ["arm", "fixed"])
def test_a_camera_knocked_late_stops_and_one_knocked_early_warns(cases, mount, seeds):
    for at, severity in ((11, "stop"), (4, "warn")):
        for seed in seeds:
            simulated = make_problem(mount, POSES, seed)
            solution = solve(moved_from(cases, simulated, at, camera=by(2.0, 0.2)))
            (finding,) = [f for f in solution.findings if f.code == "camera-moved"]
            assert (finding.severity, finding.evidence["pair"]) == (severity, at)


@long_forms.seeds(1, 3)
@long_forms.crossed({"poses": [5, 6, 7], "mount": ["fixed", "arm"]})
def test_a_slip_of_two_millimetres_and_a_degree_shows_in_five_pairs(cases, mount, poses, seeds):
    for seed in seeds:
        simulated = make_problem(mount, poses, seed)
        (first, *_) = solve(moved_from(cases, simulated, poses // 2, board=by(2.0, 1.0), stated=False)).findings
        assert (first.code, first.evidence["pair"]) == ("board-moved", poses // 2)


@long_forms.seeds(2, 4)
@long_forms.first("mount", ["fixed", "arm"])
def test_an_outlier_beside_a_change_point_masks_neither(cases, mount, seeds):
    """The change inflates the noise until the outlier is an inlier; the outlier contradicts a common change."""
    for seed in seeds:
        simulated = make_problem(mount, POSES, seed)
        slipped = moved_from(cases, simulated, 7, board=by(2.0, 1.0), stated=False)
        contaminated = cases.with_pair(slipped, 10, base_T_flange=slipped.pairs[10].base_T_flange @ by(5.0, 0.5))
        solution = solve(contaminated)
        assert isinstance(solution, Solution)
        assert [(f.code, f.evidence["pair"]) for f in solution.findings if f.severity != "note"] == [("board-moved", 7)]
        assert {p.pair for p in solution.excluded} == {*range(7), 10}


@long_forms.crossed({"at": [5, 11], "mount": ["fixed", "arm"]})
def test_checks_beyond_a_change_point_are_ignored(cases, mount, at):
    """Two checks before the change and two at the end: only those in the segment of the pairs used count."""
    slipped = moved_from(cases, make_problem(mount, POSES, 3), at, board=by(2.0, 1.0), stated=False)
    check_rows = (1, 3, 14, 15)
    checks = [slipped.pairs[row] for row in check_rows]
    others = [pair for row, pair in enumerate(slipped.pairs) if row not in check_rows]
    solution = solve(replace(slipped, pairs=others), checks)
    assert [f.code for f in solution.findings if f.severity != "note"] == ["board-moved"]
    assert solution.checks.count == 2
    assert solution.checks.reduced_chi2 < 4
    assert solve(replace(slipped, pairs=others), checks[2:] if at > POSES / 2 else checks[:2]).checks is None


@long_forms.first("mount", ["fixed", "arm"])
def test_two_change_points_leave_the_longest_segment(cases, mount):
    simulated = make_problem(mount, 24, 5)
    problem = moved_from(cases, simulated, 5, board=by(2.0))
    later = moved_from(cases, simulated, 20, board=by(4.0, 0.3))
    solution = solve(replace(problem, pairs=[*problem.pairs[:20], *later.pairs[20:]]))
    assert {f.evidence["pair"] for f in solution.findings if f.code == "board-moved"} == {5.0, 20.0}
    assert {p.pair for p in solution.excluded} >= {*range(5), *range(20, 24)}


@long_forms.seeds(2, 6)
@long_forms.crossed_with_noise({"mount": ["fixed", "arm"]})
def test_clean_pairs_and_single_outliers_are_no_change_point(cases, mount, stated, seeds):
    for seed in seeds:
        problem = cases.convert(make_problem(mount, POSES, seed), stated, drift_sigma_m=None)
        for candidate in (problem, cases.with_stale_pose(problem, 9)):
            assert not [f for f in solve(candidate).findings if f.code.endswith("-moved")]


def test_the_size_of_a_change_is_that_of_its_translation_and_of_its_rotation():
    change = StepChange(MovedPart.BOARD, 6, np.array([0.003, 0.0, -0.004, 0.05, 0.12, 0.0]), 0.0)
    assert (change.translation_m, change.rotation_rad) == pytest.approx((0.005, 0.13))
