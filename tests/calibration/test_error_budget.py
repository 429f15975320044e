"""The error budget: pose noise, corner noise, lens and board, or an arm with a systematic error."""

from dataclasses import replace

import numpy as np
import pytest

from eyebolt.calibration.robust import robust_estimate
from eyebolt.calibration.solve import solve
from eyebolt.calibration.uncertainty import ErrorContributions
from eyebolt.calibration.uncertainty.error_budget import _dominant_source
from eyebolt_sim.problems import DEFAULT_LENS, make_problem
from support import long_forms

LIMITS = {"arm-limited", "camera-limited", "lens-limited", "board-limited", "arm-geometry"}


def limits(problem):
    return [finding for finding in solve(problem).findings if finding.code in LIMITS]


@pytest.mark.parametrize("mount", ["fixed", "arm"])
@pytest.mark.parametrize(
    ("corner_sigma_px", "robot_mm", "robot_deg", "code"),
    [(0.05, 0.3, 0.05, "arm-limited"), (1.0, 0.001, 0.0002, "camera-limited")],
)
def test_the_dominant_source_is_reported(cases, bound, mount, corner_sigma_px, robot_mm, robot_deg, code):
    simulated = make_problem(mount, 20, 4, corner_sigma_px, robot_mm, robot_deg)
    (finding,) = limits(cases.convert(simulated, include_robot_noise=False))
    assert (finding.code, finding.severity) == (code, "note")
    both_mm = np.hypot(finding.evidence["arm_error_mm"], finding.evidence["camera_error_mm"])
    best_mm = bound.rms_of_covariance_mm(bound.bound_covariance(simulated), bound.working_points(simulated))
    assert both_mm == pytest.approx(best_mm, rel=0.3)


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_no_note_where_both_contribute(cases, mount):
    """Corner noise of 0.3 px and pose noise of 0.008 mm: each makes more than a fifth of the variance."""
    assert limits(cases.convert(make_problem(mount, 20, 4, 0.3, 0.008, 0.0016), include_robot_noise=False)) == []


@pytest.mark.parametrize(
    ("contributions", "code"),
    [
        (ErrorContributions(0.91, 0.1, 0.1, 0.1, 0.0), "arm-limited"),
        (ErrorContributions(0.1, 0.91, 0.1, 0.1, 0.0), "camera-limited"),
        (ErrorContributions(0.1, 0.1, 0.91, 0.1, 0.0), "lens-limited"),
        (ErrorContributions(0.1, 0.1, 0.1, 0.91, 0.0), "board-limited"),
        # Less than four fifths of the variance.
        (ErrorContributions(0.1, 0.1, 0.1, 0.91, 0.5), None),
        (ErrorContributions(0.0, 0.0, 0.0, 0.0, 0.0), None),
    ],
)
def test_the_source_of_four_fifths_of_the_variance_is_reported(cases, contributions, code):
    problem = cases.convert(make_problem("fixed", 4, 4))
    found = _dominant_source(robust_estimate(problem, cases.observations_of(problem)).joint, contributions)
    assert (None if found is None else found.code) == code


@long_forms.crossed_with_noise({"mount": ["fixed", "arm"]})
def test_the_contributions_add_up_to_the_error(cases, mount, stated):
    problem, _ = cases.with_drawn_board_and_lens(cases.convert(make_problem(mount, 10, 5), stated), 5)
    outcome = solve(problem)
    parts = outcome.error_contributions_mm
    whole_mm = 1e3 * np.sqrt((problem.displacement_metric * outcome.covariance).sum())
    assert parts.total == pytest.approx(whole_mm, rel=1e-9)
    assert min(parts.arm, parts.corners, parts.lens, parts.board) > 0
    # What is stated to be exact contributes nothing, and the others then contribute less.
    exact = solve(replace(problem, camera=cases.camera_of(DEFAULT_LENS), board_scale_sigma=1e-9))
    assert exact.error_contributions_mm.lens < 1e-4 * exact.error_contributions_mm.total
    assert exact.error_contributions_mm.board < 1e-4 * exact.error_contributions_mm.total


@long_forms.seeds(3, 10)
@long_forms.first("mount", ["fixed", "arm"])
def test_a_systematic_error_is_distinguished_from_noise(bench, mount, seeds):
    """Several arms per kind; most sessions of 40 pairs are too short to decide, but noise never looks systematic."""
    found = {
        kind: [
            [finding.code for finding in limits(bench.session(mount, 40, seed, kind, picks=0).problem)]
            for seed in seeds
        ]
        for kind in (bench.KINEMATIC, bench.WHITE)
    }
    counts = {kind: sum("arm-geometry" in codes for codes in sets) for kind, sets in found.items()}
    print(f"{mount}: {counts}")
    assert counts[bench.KINEMATIC] >= 1
    assert counts[bench.WHITE] == 0
    # The camera is never reported as the limit.
    assert not any("camera-limited" in codes for codes in found[bench.KINEMATIC])
    first = [codes[0] for codes in found[bench.KINEMATIC] if "arm-geometry" in codes]
    assert set(first) == {"arm-geometry"}, "it precedes the less specific arm-limited"
