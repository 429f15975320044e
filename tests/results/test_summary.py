"""The summary of a result for a terminal."""

import json
from dataclasses import replace

import numpy as np
import pytest

from eyebolt.calibration.acceptance import AcceptanceCause, ResultAcceptance, assess_result
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.problem_file import read_problem
from eyebolt.calibration.solution import ExcludedPair, Refusal, RefusalCode
from eyebolt.calibration.solve import solve
from eyebolt.calibration.uncertainty import Height
from eyebolt.calibration.uncertainty.touch_test import TouchCheck
from eyebolt.geometry import CameraModel, Mount
from eyebolt.geometry.pose_format import PoseFormat
from eyebolt.planning import Coverage
from eyebolt.protocol import ToleranceOf
from eyebolt.results.document import Provenance, ResultDocument
from eyebolt.results.summary import summary
from eyebolt_sim.problems import make_problem
from support.solutions import result_format

REFUSAL = Refusal(
    RefusalCode.INSUFFICIENT_ROTATION,
    "the waypoints turn too little",
    "tilt more",
    4,
    ("along z",),
    (ExcludedPair(2, "odd"),),
)
PROVENANCE = Provenance(
    "bay-3",
    "20260314-091500-01",
    Mount.FIXED,
    result_format(PoseFormat("mm", "euler-ZYX", "deg")),
    {},
    "2026-03-14T09:15:00Z",
)

CHECK = TouchCheck(4, 0.21, 0.35, 0.9, 11, 17)
COVERAGE = Coverage((41.2, 38.0, 65.1), 601.0, 987.0, 0.75, "along the camera's z", 0.21)
LENS = CameraModel(1600, 1200, np.array([[1801.5, 0, 799], [0, 1802.5, 600], [0, 0, 1.0]]), np.array([0.1, 0, 0, 0]))


@pytest.fixture(scope="module")
def solution():
    problem, _ = read_problem(json.dumps(make_problem(Mount.FIXED, poses=11, seed=0).to_json()), "made up")
    return solve(replace(problem, pairs=problem.pairs[:9]), problem.pairs[9:])


def summary_of(outcome, acceptance=None, **more):
    acceptance = acceptance or ResultAcceptance(AcceptanceCause.ERROR_WITHIN_TOLERANCE, "as good as it must be")
    return summary(ResultDocument.of(PROVENANCE, outcome, acceptance, **more))


def numbers(values, decimals):
    return ", ".join(f"{v:.{d}f}" for v, d in zip(values, decimals, strict=True))


def test_every_line_of_a_solution(solution):
    names = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2")
    lens = replace(LENS, sigma=dict(zip(names, (1.0, 1.0, 0.5, 0.5, 0.01, 0.02, 0.001, 0.001), strict=True)))
    outcome = replace(
        solution,
        touches=CHECK,
        height=Height("touch", 612.5, 0.31),
        excluded=(ExcludedPair(4, "pose and image disagree"),),
        findings=(Finding("board-scale", "warn", "the board looks larger", {}, "measure it."),),
    )
    document = ResultDocument.of(
        PROVENANCE, outcome, ResultAcceptance(AcceptanceCause.ERROR_WITHIN_TOLERANCE, "good"), COVERAGE, lens
    )
    pose, error, pick = document.transform.robot_pose, document.expected_error_mm, document.expected_pick_error_mm
    scale, focal, noise = outcome.board_scale, outcome.focal_length, document.robot_noise
    sources, bow = document.error_contributions_mm, outcome.board_bow
    left_out, checks = document.cross_validation, document.checks
    assert summary(document) == [
        "acceptance: accept - good",
        f"base_T_camera (mm, euler-ZYX deg): {numbers(pose.values, (3, 3, 3, 4, 4, 4))}",
        f"  standard deviations: {numbers(pose.sigma, (3, 3, 3, 4, 4, 4))}",
        f"expected error of a pick, with the arm's own errors: median {pick.median:.3f} mm, p95 {pick.p95:.3f} mm"
        f" (at 95 % confidence at most {pick.p95_upper:.3f} mm)",
        f"expected error of the transform alone: median {error.median:.3f} mm, p95 {error.p95:.3f} mm"
        f" (at 95 % confidence at most {error.p95_upper:.3f} mm), p95 at the worst point {error.worst_p95:.3f} mm",
        f"error by source (RMS): arm {sources.arm:.3f} mm, corners {sources.corners:.3f} mm,"
        f" lens {sources.lens:.3f} mm, board {sources.board:.3f} mm",
        "tolerance: 1 mm, for the p95 of the error of a pick, at 95 % confidence",
        f"cross-validation: RMS {left_out.rms_mm:.3f} mm, worst {left_out.worst_mm:.3f} mm at the board",
        f"corner residual: {document.corner_rms_px:.3f} px RMS; arm: {noise.mm:.3f} mm, {noise.deg:.4f} deg (stated)",
        f"deviation from stated: board scale {100 * scale.deviation:+.3f} % (sigma {100 * scale.sigma:.3f} %), focal"
        f" length {100 * focal.deviation:+.3f} % (sigma {100 * focal.sigma:.3f} %)",
        "uncertainty before the pairs: stated: board scale 1e-07 %, bow 1e-06 mm, fx 1e-06 px, fy 1e-06 px,"
        " cx 1e-06 px, cy 1e-06 px, k1 1e-09",
        f"board: flat to {bow.flatness_mm:.3f} mm (sigma {bow.flatness_sigma_mm:.3f} mm)",
        "pairs: 9 used, 1 excluded",
        f"coverage: {COVERAGE.description}",
        f"checks: 2, RMS {checks.rms_mm:.3f} mm, worst {checks.worst_mm:.3f} mm at the board",
        "touches: 4, RMS 0.210 mm, worst 0.350 mm at the board, reduced chi-square 0.90",
        "height of the camera: 612.500 mm (sigma 0.310 mm), from touch",
        "lens estimated from the pairs (the station still uses its lens file):",
        "  fx 1801.500 px (sigma 1.000)",
        "  fy 1802.500 px (sigma 1.000)",
        "  cx 799.000 px (sigma 0.500)",
        "  cy 600.000 px (sigma 0.500)",
        "  k1 0.10000 (sigma 0.01000)",
        "  k2 0.00000 (sigma 0.02000)",
        "  p1 0.00000 (sigma 0.00100)",
        "  p2 0.00000 (sigma 0.00100)",
        "warn: the board looks larger: measure it.",
        "  pair 4: pose and image disagree",
        "not accepted yet",
    ]


def test_every_line_of_a_refusal():
    lines = summary_of(REFUSAL, assess_result(REFUSAL, 1.0))
    assert lines == [
        "acceptance: reject - the waypoints turn too little",
        "  the waypoints turn too little. What to do: tilt more",
        "pairs: 4 usable",
        "  pair 2: odd",
        "not accepted yet",
    ]


def count(lines, label):
    return sum(line.startswith(f"{label}:") for line in lines)


def test_what_was_not_measured_has_no_line(solution):
    lines = summary_of(replace(solution, held_out=None, checks=None))
    assert [count(lines, label) for label in ("checks", "touches", "height of the camera", "coverage")] == [0] * 4
    assert count(summary_of(replace(solution, touches=CHECK)), "touches") == 1
    for height, expected in (
        (Height("touch", 612.5, 0.31), 1),
        (Height("board_height_mm", 612.5, 0.31), 1),
        (Height(), 0),
    ):
        assert count(summary_of(replace(solution, height=height)), "height of the camera") == expected


def test_a_new_solve_has_no_line_about_its_acceptance(solution):
    document = ResultDocument.of(PROVENANCE, solution, ResultAcceptance(AcceptanceCause.ERROR_WITHIN_TOLERANCE, "good"))
    assert summary(document, with_acceptance=False) == summary(document)[:-1]


def test_a_tolerance_of_the_transform_alone_is_named(solution):
    provenance = replace(PROVENANCE, tolerance_of=ToleranceOf.TRANSFORM)
    document = ResultDocument.of(provenance, solution, assess_result(solution, 1.0, ToleranceOf.TRANSFORM))
    assert "tolerance: 1 mm, for the p95 of the error of the transform alone, at 95 % confidence" in summary(document)
    assert "of the transform alone" in document.reason


def test_a_transform_that_the_robots_format_cannot_hold_is_printed_in_full(solution):
    tilted = replace(PROVENANCE, result_format=result_format(PoseFormat("mm", "angle-z", "deg")))
    document = ResultDocument.of(tilted, solution, ResultAcceptance(AcceptanceCause.ERROR_WITHIN_TOLERANCE, "good"))
    assert document.transform.robot_pose is None
    values = [*document.transform.translation_mm, *document.transform.quaternion_wxyz]
    (line,) = [line for line in summary(document) if "(mm, quaternion-wxyz)" in line]
    assert line.endswith(numbers(values, PoseFormat().decimals))


@pytest.mark.parametrize("unknown", ["tolerance_mm", "tolerance_of"])
def test_a_tolerance_is_named_only_with_what_it_is_for(solution, unknown):
    document = ResultDocument.of(PROVENANCE, solution, ResultAcceptance(AcceptanceCause.ERROR_WITHIN_TOLERANCE, "good"))
    assert [line for line in summary(document) if line.startswith("tolerance:")] != []
    older = document.model_copy(update={unknown: None})
    assert [line for line in summary(older) if line.startswith("tolerance:")] == []
