"""A board that is not flat: its bow is found with its sigma, costs nothing, and is blamed on nothing else."""

import json
from dataclasses import replace

import numpy as np
import pytest

from eyebolt.calibration.finding import FindingCode, Severity
from eyebolt.calibration.nuisance_prior import PriorSource
from eyebolt.calibration.problem_file import read_problem
from eyebolt.calibration.solve import solve
from eyebolt.geometry import se3
from eyebolt.observations.board_pose import fit_board_pose
from eyebolt_sim.problems import make_problem
from support import long_forms
from support import problems as cases

BOW_MM = (0.3, -0.1, 0.2)


def bowed(mount, pairs, seed, bow_mm=BOW_MM, noise=1.0):
    """The problem of a board with this bow, stated as flat to the default; lens and scale are exact."""
    made = make_problem(
        mount,
        pairs,
        seed,
        corner_noise_px=0.1 * noise,
        robot_noise_mm=0.1 * noise,
        robot_noise_deg=0.02 * noise,
        board_bow_mm=bow_mm,
    )
    return replace(cases.convert(made), board_bow_sigma_m=None)


def found(solution):
    bow = solution.board_bow
    return np.array([bow.x.deviation, bow.xy.deviation, bow.y.deviation])


def sigma(solution):
    bow = solution.board_bow
    return np.array([bow.x.sigma, bow.xy.sigma, bow.y.sigma])


def displacement_mm(problem, X, other):
    return 1e3 * np.linalg.norm(se3.apply(X, problem.grid) - se3.apply(other, problem.grid), axis=1).max()


@long_forms.first("mount", ["arm", "fixed"])
@long_forms.seeds(6, 100)
def test_the_bow_is_found_within_its_sigma(mount, seeds):
    """The squared deviations over the variances are chi-squared with three degrees of freedom a set."""
    squares = []
    for seed in seeds:
        solution = solve(bowed(mount, 12, seed))
        assert sigma(solution).max() < 0.02
        squares.append((((found(solution) - BOW_MM) / sigma(solution)) ** 2).sum())
    assert np.mean(squares) == pytest.approx(3.0, abs=4 * np.sqrt(6 / len(seeds)))


@pytest.mark.parametrize("bow_mm", [(0.3, -0.1, 0.2), (1.0, 0.5, -1.0)])
def test_a_bow_costs_nothing(bow_mm):
    """One linearisation about a flat board is enough: transforms, noise and pairs are those of a flat board."""
    flat, curved = solve(bowed("arm", 12, 3, (0.0, 0.0, 0.0))), solve(bowed("arm", 12, 3, bow_mm))
    problem = bowed("arm", 12, 3)
    assert displacement_mm(problem, curved.X, flat.X) < 0.06 * flat.expected_error_mm.p95
    assert curved.expected_error_mm.p95 == pytest.approx(flat.expected_error_mm.p95, rel=0.02)
    assert curved.corner_rms_px == pytest.approx(flat.corner_rms_px, rel=0.01)
    assert not curved.excluded
    assert found(curved) - bow_mm == pytest.approx(found(flat), abs=0.008)


def test_the_second_order_of_a_bow_is_negligible():
    solution = solve(bowed("fixed", 12, 1, (1.0, 0.5, -1.0), noise=0.01))
    assert found(solution) == pytest.approx([1.0, 0.5, -1.0], abs=0.008)


@long_forms.crossed(
    {
        "bow_mm, is_found": [
            ((0.0, 0.0, 0.0), False),
            ((0.05, 0.0, 0.0), False),
            ((0.2, 0.0, 0.0), True),
            ((2.0, 0.0, 0.0), True),
        ],
        "mount": ["fixed", "arm"],
    }
)
def test_a_bow_is_named_as_a_bow(mount, bow_mm, is_found):
    for seed in range(3):
        solution = solve(bowed(mount, 12, seed, bow_mm))
        assert not [finding for finding in solution.findings if finding.severity is Severity.STOP]
        bows = [finding for finding in solution.findings if finding.code is FindingCode.BOARD_BOW]
        assert len(bows) == is_found
        if bows:
            evidence = bows[0].evidence
            moves_it = evidence["bow_effect_mm"] > solution.expected_error_mm.p95
            assert bows[0].severity is (Severity.WARN if moves_it else Severity.NOTE)
            assert moves_it or bow_mm[0] < 1
            assert evidence["bow_mm"] == pytest.approx(bow_mm[0], abs=5 * evidence["bow_sigma_mm"])
            assert evidence["bow_x_mm"] == pytest.approx(bow_mm[0], abs=0.06)
            assert [evidence["bow_xy_mm"], evidence["bow_y_mm"]] == pytest.approx([0.0, 0.0], abs=0.06)


def test_the_effect_of_a_bow_is_proportional_to_it():
    small, large = (solve(bowed("arm", 12, 4, (size, 0.0, 0.0))).board_bow for size in (0.4, 1.2))
    assert large.effect_mm == pytest.approx(3 * small.effect_mm, rel=0.1)


def test_a_board_stated_as_flat_has_no_bow():
    solution = solve(cases.convert(make_problem("arm", 8, 2)))
    assert np.abs(found(solution)).max() < 1e-5
    assert solution.board_bow.x.prior_source is PriorSource.STATED


def test_a_problem_file_states_the_prior_of_the_bow():
    content = make_problem("fixed", 8, 0).to_json(board_bow_sigma_mm=0.05)
    problem, _ = read_problem(json.dumps(content), "made up")
    assert problem.board_bow_sigma_m == pytest.approx(5e-5)
    del content["board_bow_sigma_mm"]
    assert read_problem(json.dumps(content), "made up")[0].board_bow_sigma_m is None


def test_the_prior_without_a_statement_is_a_thousandth_of_the_longer_side():
    bow = solve(bowed("fixed", 8, 0)).board_bow
    assert [part.prior_sigma for part in (bow.x, bow.xy, bow.y)] == pytest.approx([0.2, 0.2, 0.2])
    assert bow.x.prior_source is PriorSource.DEFAULT


@long_forms.crossed(
    {
        "change, code": [
            ({"fx": 24.0, "fy": 24.0}, FindingCode.FOCAL_LENGTH),
            ({"cx": 24.0}, FindingCode.PRINCIPAL_POINT),
            ({"k1": 0.1}, FindingCode.ALREADY_UNDISTORTED),
        ],
        "bow_mm": [(0.0, 0.0, 0.0), BOW_MM],
    }
)
def test_a_wrong_lens_is_found_beside_a_bow_and_is_no_bow(change, code, bow_mm):
    problem = bowed("arm", 15, 5, bow_mm)
    wrong = replace(problem, camera=problem.camera.perturbed(change))
    stops = [finding.code for finding in solve(wrong).findings if finding.severity is Severity.STOP]
    assert code in stops
    assert FindingCode.BOARD_BOW not in [finding.code for finding in solve(problem).findings] or any(bow_mm)


def test_further_pairs_of_a_bowed_board_are_predicted():
    """Check pairs and the pairs of a running session are compared with a board that has the estimated bow."""
    problem = bowed("arm", 20, 6, (1.5, 0.5, -0.5))
    own, further = problem.pairs[:12], problem.pairs[12:]
    solution = solve(replace(problem, pairs=own), further)
    assert solution.checks.reduced_chi2 < 2.0
    p_values = []
    for pair in further:
        observed, _ = fit_board_pose(problem.camera, pair.ids, pair.corners_px, problem.board_corners_m)
        p_values.append(solution.prediction.p_value(pair.base_T_flange, observed))
    assert min(p_values) > 0.001
