"""``result.json``: the keys that consumers rely on, of a solution and of a refusal, and what can be accepted."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.calibration.acceptance import AcceptanceCause, ResultAcceptance, assess_result
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.problem_file import read_problem
from eyebolt.calibration.solution import ExcludedPair, Refusal, RefusalCode
from eyebolt.calibration.solve import solve
from eyebolt.errors import InputFault
from eyebolt.geometry import Mount
from eyebolt.geometry.pose_format import PoseFormat
from eyebolt.planning import Coverage
from eyebolt.results.document import AcceptedBy, Provenance, ResultDocument
from eyebolt.results.summary import summary
from eyebolt_sim.problems import make_problem
from support.solutions import result_format

KEYS = {
    "schema", "station", "session", "timestamp", "mount", "transform", "board_transform", "unobservable", "coverage",
    "expected_error_mm", "error_map", "expected_pick_error_mm", "remaining_pick_error_mm", "covariance",
    "tolerance_mm", "tolerance_of", "cross_validation", "checks", "touches", "error_contributions_mm",
    "height", "corner_rms_px", "robot_noise", "board_scale", "focal_length", "board_bow", "lens", "refined_lens",
    "pairs", "findings", "acceptance", "reason", "accepted", "inputs", "software", "incomplete", "based_on", "setup",
    "prediction",
}  # fmt: skip
NULL_AFTER_REFUSAL = {
    "transform", "board_transform", "expected_error_mm", "error_map", "expected_pick_error_mm",
    "remaining_pick_error_mm", "covariance", "height",
    "corner_rms_px", "robot_noise", "board_scale", "focal_length", "board_bow", "lens", "refined_lens", "coverage",
    "accepted", "incomplete", "based_on", "setup", "error_contributions_mm", "prediction",
}  # fmt: skip
TRANSFORM_KEYS = {"name", "matrix_m", "translation_mm", "quaternion_wxyz", "robot_pose"}
RESIDUAL_KEYS = {"count", "rms_mm", "worst_mm", "reduced_chi2"}
TIME = "2026-03-14T09:15:00Z"
ACCEPT = ResultAcceptance(AcceptanceCause.ERROR_WITHIN_TOLERANCE, "as good as it must be")
REFUSAL = Refusal(
    RefusalCode.INSUFFICIENT_ROTATION,
    "the waypoints turn too little",
    "tilt more",
    4,
    ("along z",),
    (ExcludedPair(2, "odd"),),
)


def solution(mount, pairs=9, checks=2, seed=0):
    text = json.dumps(make_problem(mount, poses=pairs + checks, seed=seed).to_json())
    problem, _ = read_problem(text, "made up")
    outcome = solve(replace(problem, pairs=problem.pairs[:pairs]), problem.pairs[pairs:])
    return problem, replace(
        outcome,
        excluded=(ExcludedPair(4, "pose and image disagree"),),
        findings=(Finding("board-scale", "warn", "the board looks larger", {"scale": 0.002}, "measure it"),),
    )


def document_of(outcome, mount=Mount.FIXED, pose_format=None, acceptance=ACCEPT):
    provenance = Provenance(
        "bay-3", "20260314-091500-01", mount, result_format(pose_format), {"station.toml": "ab" * 32}, TIME
    )
    return ResultDocument.of(provenance, outcome, acceptance)


def no_constant(name):
    raise AssertionError(f"{name} is not JSON")


def as_json(document):
    return json.loads(document.to_text(), parse_constant=no_constant)


@pytest.fixture(scope="module", params=["fixed", "arm"])
def solved(request):
    return request.param, *solution(request.param)


def test_a_solution_fills_every_key(solved):
    mount, problem, outcome = solved
    content = as_json(document_of(outcome, mount))
    assert set(content) == KEYS
    names = ("base_T_camera", "flange_T_board") if mount == "fixed" else ("flange_T_camera", "base_T_board")
    assert (content["transform"]["name"], content["board_transform"]["name"]) == names
    for part, expected in (("transform", outcome.X), ("board_transform", outcome.Y)):
        assert set(content[part]) == TRANSFORM_KEYS
        matrix = np.array(content[part]["matrix_m"])
        assert np.array_equal(matrix, expected), "every digit is written"
        assert np.allclose(content[part]["translation_mm"], matrix[:3, 3] * 1e3)
        rotation = Rotation.from_quat(content[part]["quaternion_wxyz"], scalar_first=True).as_matrix()
        assert np.allclose(rotation, matrix[:3, :3], atol=1e-12)
    for key in ("expected_error_mm", "expected_pick_error_mm"):
        assert set(content[key]) == {"median", "p95", "worst_p95", "p95_upper"}
        assert 0 < content[key]["median"] < content[key]["p95"] < content[key]["worst_p95"]
        assert content[key]["p95"] < content[key]["p95_upper"]
    assert np.array_equal(content["covariance"], outcome.covariance)
    assert np.array_equal(content["prediction"]["covariance"], outcome.prediction.covariance)
    for key, count in (("cross_validation", 9), ("checks", 2), ("touches", 0)):
        assert set(content[key]) == RESIDUAL_KEYS
        assert content[key]["count"] == count
    assert set(content["robot_noise"]) == {"mm", "deg", "is_stated"}
    for key in ("board_scale", "focal_length"):
        assert set(content[key]) == {"deviation", "sigma", "prior_sigma", "prior_source"}
    assert content["pairs"] == {"used": 9, "excluded": [{"pair": 4, "reason": "pose and image disagree"}]}
    assert content["findings"] == [
        {
            "code": "board-scale",
            "severity": "warn",
            "message": "the board looks larger",
            "evidence": {"scale": 0.002},
            "remedy": "measure it",
        }
    ]
    assert (content["acceptance"], content["reason"], content["accepted"]) == ("accept", ACCEPT.reason, None)
    assert content["inputs"] == {"station.toml": "ab" * 32}
    assert content["schema"] == 2
    assert (content["station"], content["session"], content["timestamp"]) == ("bay-3", "20260314-091500-01", TIME)
    assert content["software"].startswith("eyebolt ")
    assert problem.mount == content["mount"]


def test_a_refusal_has_the_same_keys_and_null_where_nothing_is_known():
    content = as_json(document_of(REFUSAL, acceptance=assess_result(REFUSAL, 1.0)))
    assert set(content) == KEYS
    assert {key for key, value in content.items() if value is None} == NULL_AFTER_REFUSAL
    assert all(content[key]["count"] == 0 for key in ("cross_validation", "checks", "touches"))
    assert content["unobservable"] == ["along z"]
    assert content["pairs"] == {"used": 4, "excluded": [{"pair": 2, "reason": "odd"}]}
    (finding,) = content["findings"]
    assert (finding["code"], finding["severity"], finding["remedy"]) == ("insufficient-rotation", "stop", "tilt more")
    assert (content["acceptance"], content["reason"]) == ("reject", "the waypoints turn too little")


@pytest.mark.parametrize("refused", [True, False])
def test_what_is_written_is_what_is_read(refused):
    document = document_of(REFUSAL if refused else solution("fixed")[1])
    assert ResultDocument.from_text(document.to_text()) == document
    assert as_json(document) == document.to_json()


def test_coverage_and_refined_lens_are_written_and_read():
    problem, outcome = solution("fixed")
    coverage = Coverage((41.2, 38.0, 65.1), 601.0, 987.0, 0.75, "along the camera's z", 0.21)
    provenance = Provenance("bay-3", "20260314-091500-01", Mount.FIXED, result_format(), {}, TIME)
    document = ResultDocument.of(provenance, outcome, ACCEPT, coverage, problem.camera)
    content = as_json(document)
    assert content["coverage"]["rotation_range_deg"] == [41.2, 38.0, 65.1]
    assert content["coverage"]["weakest_direction"] == coverage.weakest_direction
    assert content["refined_lens"]["matrix"] == problem.camera.matrix.tolist()
    assert ResultDocument.from_text(document.to_text()) == document


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_number_that_json_cannot_hold_is_never_written(value):
    with pytest.raises(ValueError, match="JSON"):
        document_of(replace(solution("fixed")[1], corner_rms_px=value)).to_text()


@pytest.mark.parametrize(
    ("pose_format", "read"),
    [
        (PoseFormat("mm", "euler-ZYX", "deg"), lambda v: Rotation.from_euler("ZYX", v, degrees=True)),
        (PoseFormat("m", "rotation-vector", "rad"), Rotation.from_rotvec),
        (PoseFormat("um", "quaternion-xyzw", "deg"), Rotation.from_quat),
        (PoseFormat("mm", "euler-xyz", "rad"), lambda v: Rotation.from_euler("xyz", v)),
    ],
    ids=lambda value: value.rotation if isinstance(value, PoseFormat) else "",
)  # fmt: skip
def test_the_robot_pose_is_the_same_transform_to_scipy(solved, pose_format, read):
    mount, _, outcome = solved
    pose = document_of(outcome, mount, pose_format).transform.robot_pose
    assert pose.pose_format == pose_format
    metres = np.array(pose.values[:3]) * {"mm": 1e-3, "m": 1.0, "um": 1e-6}[pose_format.length]
    assert np.allclose(metres, outcome.X[:3, 3], atol=1e-12)
    assert np.allclose(read(pose.values[3:]).as_matrix(), outcome.X[:3, :3], atol=1e-9)


def test_acceptance_adds_who_and_when_and_changes_nothing_else(solved):
    mount, _, outcome = solved
    document = document_of(outcome, mount)
    accepted = document.accept("R. Ode", TIME)
    assert accepted.accepted == AcceptedBy(by="R. Ode", timestamp=TIME)
    assert accepted.model_copy(update={"accepted": None}) == document
    assert summary(accepted)[-1] == f"accepted by R. Ode at {TIME}"
    assert np.array_equal(accepted.transform.to_array(), outcome.X)


def test_an_unproven_result_may_be_accepted_by_a_person():
    document = document_of(
        solution("fixed")[1], acceptance=ResultAcceptance(AcceptanceCause.CHECKS_CONTRADICT, "no touch")
    )
    assert document.accept("R. Ode", TIME).accepted.by == "R. Ode"


@pytest.mark.parametrize("refused", [True, False])
def test_a_rejected_result_cannot_be_accepted(refused):
    outcome = REFUSAL if refused else solution("fixed")[1]
    document = document_of(outcome, acceptance=ResultAcceptance(AcceptanceCause.ERROR_ABOVE_TOLERANCE, "far too wide"))
    with pytest.raises(InputFault, match="far too wide") as fault:
        document.accept("R. Ode", TIME)
    assert fault.value.code == "not-acceptable"


def transform_with(matrix):
    transform = document_of(solution("fixed")[1]).transform.model_dump(mode="json")
    return {"transform": {**transform, "matrix_m": matrix}}


@pytest.mark.parametrize(
    "damage",
    [
        {"schema": 3},
        {"acceptance": None},
        {"acceptance": "accepted"},
        {"transform": 5},
        {"transform": {}},
        transform_with([[1, 2], [3, 4]]),
        transform_with([["a"] * 4] * 4),
        transform_with((np.eye(4) * 2).tolist()),
        transform_with(np.diag([1, 1, -1, 1]).tolist()),
        transform_with([[1, 0, 0, None], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]]),
        transform_with([[1, 0, 0, math.nan], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]]),
    ],
    ids=lambda damage: str(damage)[:60],
)
def test_a_damaged_document_is_refused(damage):
    content = {**as_json(document_of(solution("fixed")[1])), **damage}
    with pytest.raises(InputFault) as fault:
        ResultDocument.from_text(json.dumps(content))
    assert fault.value.code == "result-file"


def test_a_document_of_schema_1_is_read():
    """Its matrices had no unit in their name; an accepted result outlives an update of the program."""
    document = document_of(solution("fixed")[1])
    content = as_json(document)
    for key in ("transform", "board_transform"):
        content[key]["matrix"] = content[key].pop("matrix_m")
    assert ResultDocument.from_text(json.dumps(content | {"schema": 1})) == document


def rotated(factor):
    """A rigid transform but for the length of one column."""
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.from_rotvec([0.3, -0.4, 1.1]).as_matrix()
    matrix[:3, 0] *= factor
    return matrix


@pytest.mark.parametrize(
    ("matrix", "is_rigid"),
    [
        (rotated(1.0), True),
        # As far off as printing with 7 digits makes it; and a hundredth of a millimetre in a metre.
        (rotated(1 + 1e-7), True),
        (rotated(1 + 1e-5), False),
        (np.diag([1.0, 1.0, 1.0, 2.0]), False),
        (np.array([[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 1e-9, 0, 1.0]]), False),
    ],
)
def test_only_a_rigid_transform_is_read(matrix, is_rigid):
    text = json.dumps({**as_json(document_of(solution("fixed")[1])), **transform_with(matrix.tolist())})
    if is_rigid:
        np.testing.assert_array_equal(ResultDocument.from_text(text).transform.to_array(), matrix)
        return
    with pytest.raises(InputFault) as fault:
        ResultDocument.from_text(text)
    assert fault.value.code == "result-file"


@pytest.mark.parametrize("text", ["", "{", "[]", "5", "null", '{"schema": 1}', '{"schema": 2}', "[" * 100_000])
def test_a_text_that_is_no_result_is_refused(text):
    with pytest.raises(InputFault) as fault:
        ResultDocument.from_text(text)
    assert fault.value.code == "result-file"
