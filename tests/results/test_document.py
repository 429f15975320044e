"""``result.json``: the keys that others rely on, for an answer and for a refusal, and what may become the station's."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.calibration.acceptance import AcceptanceCause, ResultAcceptance, assess_result
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.problem_file import read_problem
from eyebolt.calibration.solution import ExcludedPair, Refusal
from eyebolt.calibration.solve import solve
from eyebolt.errors import InputFault
from eyebolt.geometry import Mount
from eyebolt.geometry.pose_format import PoseFormat
from eyebolt.results.document import Provenance, accepted_document, accepted_transform, result_document, to_text
from eyebolt.results.summary import summary
from eyebolt_sim.problems import make_problem

# As the contract lists them.
KEYS = {
    "schema", "station", "session", "timestamp", "mount", "transform", "board", "unobservable", "coverage", "expected_error_mm",
    "error_map", "expected_pick_error_mm", "covariance", "cross_validation", "checks", "touches", "height", "corner_rms_px",
    "robot_noise", "scale", "focal", "lens", "pairs", "findings", "acceptance", "reason", "accepted", "inputs", "software",
}  # fmt: skip
TRANSFORM_KEYS = {"name", "matrix", "translation_mm", "quaternion_wxyz", "robot_pose"}
HELD_OUT_KEYS = {"count", "rms_mm", "worst_mm", "reduced_chi2"}
WALL = "2026-03-14T09:15:00Z"
ACCEPT = ResultAcceptance(AcceptanceCause.CONFIRMED_BY_PAIRS, "as good as it must be")
REFUSAL = Refusal(
    "insufficient-rotation", "the waypoints turn too little", "tilt more", 4, ("along z",), (ExcludedPair(2, "odd"),)
)


def solution(mount, pairs=9, checks=2, seed=0):
    text = json.dumps(make_problem(mount, poses=pairs + checks, seed=seed).as_json())
    problem, _ = read_problem(text, "made up")
    outcome = solve(replace(problem, pairs=problem.pairs[:pairs]), problem.pairs[pairs:])
    return problem, replace(
        outcome,
        excluded=(ExcludedPair(4, "pose and picture disagree"),),
        findings=(Finding("scale-off", "warn", "the board looks larger", {"percent": 0.2}, "measure it"),),
    )


def document_of(outcome, mount=Mount.FIXED, pose_format=None, acceptance=ACCEPT):
    provenance = Provenance(
        "bay-3", "20260314-091500-01", mount, pose_format or PoseFormat(), {"station.toml": "ab" * 32}, WALL
    )
    return result_document(provenance, outcome, acceptance)


def no_constant(name):
    raise AssertionError(f"{name} is not JSON")


@pytest.fixture(scope="module", params=["fixed", "arm"])
def solved(request):
    return request.param, *solution(request.param)


def test_a_solution_fills_every_key(solved):
    mount, problem, outcome = solved
    document = document_of(outcome, mount)
    assert set(document) == KEYS
    names = ("base_T_camera", "flange_T_board") if mount == "fixed" else ("flange_T_camera", "base_T_board")
    assert (document["transform"]["name"], document["board"]["name"]) == names
    for part in ("transform", "board"):
        assert set(document[part]) == TRANSFORM_KEYS
        matrix = np.array(document[part]["matrix"])
        assert matrix.shape == (4, 4)
        assert np.allclose(document[part]["translation_mm"], matrix[:3, 3] * 1e3)
        turn = Rotation.from_quat(document[part]["quaternion_wxyz"], scalar_first=True).as_matrix()
        assert np.allclose(turn, matrix[:3, :3], atol=1e-12)
    for key in ("expected_error_mm", "expected_pick_error_mm"):
        assert set(document[key]) == {"median", "p95", "worst_p95"}
        assert 0 < document[key]["median"] < document[key]["p95"] < document[key]["worst_p95"]
    assert np.array(document["covariance"]).shape == (6, 6)
    for key, count in (("cross_validation", 9), ("checks", 2), ("touches", 0)):
        assert set(document[key]) == HELD_OUT_KEYS
        assert document[key]["count"] == count
    assert set(document["robot_noise"]) == {"mm", "deg", "stated"}
    for key in ("scale", "focal"):
        assert set(document[key]) == {"deviation", "sigma"}
    assert document["pairs"] == {"used": 9, "excluded": [{"pair": 4, "reason": "pose and picture disagree"}]}
    assert [set(f) for f in document["findings"]] == [{"code", "severity", "message", "evidence", "remedy"}]
    assert (document["acceptance"], document["reason"], document["accepted"]) == ("accept", ACCEPT.reason, None)
    assert document["inputs"] == {"station.toml": "ab" * 32}
    assert document["schema"] == 1
    assert (document["station"], document["session"], document["timestamp"]) == ("bay-3", "20260314-091500-01", WALL)
    assert document["software"].startswith("eyebolt ")
    assert problem.mount == document["mount"]


def test_a_refusal_has_the_same_keys_and_null_where_nothing_is_known():
    document = document_of(REFUSAL, acceptance=assess_result(REFUSAL, 1.0))
    assert set(document) == KEYS
    errors = ("expected_error_mm", "error_map", "expected_pick_error_mm", "covariance")
    empty = (*errors, "height", "corner_rms_px", "robot_noise", "scale", "focal", "lens")
    assert [document[key] for key in ("transform", "board", *empty)] == [None] * 12
    assert all(document[key]["count"] == 0 for key in ("cross_validation", "checks", "touches"))
    assert document["unobservable"] == ["along z"]
    assert document["pairs"] == {"used": 4, "excluded": [{"pair": 2, "reason": "odd"}]}
    (finding,) = document["findings"]
    assert (finding["code"], finding["severity"], finding["remedy"]) == ("insufficient-rotation", "stop", "tilt more")
    assert (document["acceptance"], document["reason"]) == ("reject", "the waypoints turn too little")


@pytest.mark.parametrize("refused", [True, False])
def test_the_text_is_strict_json_and_reads_back_the_same(refused):
    document = document_of(REFUSAL if refused else solution("fixed")[1])
    assert json.loads(to_text(document), parse_constant=no_constant) == document


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_number_that_json_has_not_is_never_written(value):
    with pytest.raises(ValueError, match="JSON"):
        to_text(document_of(replace(solution("fixed")[1], corner_rms_px=value)))


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
def test_the_robots_terms_are_read_by_scipy_as_the_same_transform(solved, pose_format, read):
    mount, _, outcome = solved
    transform = document_of(outcome, mount, pose_format)["transform"]
    terms = transform["robot_pose"]
    assert (terms["length"], terms["rotation"], terms["angle"]) == (
        pose_format.length,
        pose_format.rotation,
        pose_format.angle,
    )
    metres = np.array(terms["values"][:3]) * {"mm": 1e-3, "m": 1.0, "um": 1e-6}[pose_format.length]
    assert np.allclose(metres, outcome.X[:3, 3], atol=1e-12)
    assert np.allclose(read(terms["values"][3:]).as_matrix(), outcome.X[:3, :3], atol=1e-9)


def test_the_summary_says_what_stands_in_the_document(solved):
    mount, _, outcome = solved
    document = document_of(outcome, mount, PoseFormat("mm", "euler-ZYX", "deg"))
    lines = summary(document)
    text = "\n".join(lines)
    assert lines[0] == "verdict: accept - as good as it must be"
    numbers = [f"{v:.{3 if k < 3 else 4}f}" for k, v in enumerate(document["transform"]["robot_pose"]["values"])]
    assert f"{document['transform']['name']} (mm, euler-ZYX deg): {', '.join(numbers)}" in lines
    error = document["expected_error_mm"]
    assert f"median {error['median']:.3f} mm, p95 {error['p95']:.3f} mm" in text
    assert "pairs: 9 used, 1 left out" in lines
    assert "  pair 4: pose and picture disagree" in lines
    assert any(line.startswith("checks: 2, rms ") for line in lines)
    assert lines[-1] == "not accepted yet"
    assert "None" not in text


def test_the_summary_of_a_refusal_says_why_and_what_to_do():
    lines = summary(document_of(REFUSAL, acceptance=assess_result(REFUSAL, 1.0)))
    assert lines == [
        "verdict: reject - the waypoints turn too little",
        "  the waypoints turn too little. What to do: tilt more",
        "pairs: 4 usable",
        "  pair 2: odd",
        "not accepted yet",
    ]


def test_the_summary_lives_without_held_out_pairs():
    lines = summary(document_of(replace(solution("fixed")[1], held_out=None, checks=None)))
    assert "left out one by one: no pair could be" in lines
    assert not any(line.startswith("checks") for line in lines)


def test_acceptance_adds_who_and_when_and_changes_nothing_else(solved):
    mount, _, outcome = solved
    document = document_of(outcome, mount)
    accepted = accepted_document(to_text(document), "R. Ode", WALL)
    assert accepted == {**document, "accepted": {"by": "R. Ode", "at": WALL}}
    assert summary(accepted)[-1] == f"accepted by R. Ode at {WALL}"
    assert np.abs(accepted_transform(to_text(accepted)) - outcome.X).max() < 1e-15


def test_an_unproven_result_may_be_accepted_by_a_person():
    document = document_of(solution("fixed")[1], acceptance=ResultAcceptance(AcceptanceCause.NOT_CONFIRMED, "no touch"))
    assert accepted_document(to_text(document), "R. Ode", WALL)["accepted"]["by"] == "R. Ode"


@pytest.mark.parametrize("refused", [True, False])
def test_a_rejected_result_is_refused_with_its_reason(refused):
    outcome = REFUSAL if refused else solution("fixed")[1]
    document = document_of(outcome, acceptance=ResultAcceptance(AcceptanceCause.ERROR_ABOVE_TOLERANCE, "far too wide"))
    with pytest.raises(InputFault, match="far too wide") as refusal:
        accepted_document(to_text(document), "R. Ode", WALL)
    assert refusal.value.code == "not-acceptable"


@pytest.mark.parametrize(
    "damage",
    [
        {"schema": 2},
        {"acceptance": None},
        {"acceptance": "accepted"},
        {"transform": 5},
        {"transform": {}},
        {"transform": {"matrix": [[1, 2], [3, 4]]}},
        {"transform": {"matrix": [["a"] * 4] * 4}},
        {"transform": {"matrix": (np.eye(4) * 2).tolist()}},
        {"transform": {"matrix": np.diag([1, 1, -1, 1]).tolist()}},
        {"transform": {"matrix": [[1, 0, 0, None], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]]}},
    ],
    ids=str,
)
def test_a_document_that_somebody_has_damaged_is_no_result(damage):
    document = {**document_of(solution("fixed")[1]), **damage}
    with pytest.raises(InputFault) as refusal:
        accepted_document(json.dumps(document), "R. Ode", WALL)
    assert refusal.value.code == "result-file"


@pytest.mark.parametrize("text", ["", "{", "[]", "5", "null", '{"schema": 1}', "[" * 100_000])
def test_a_text_that_is_no_result_is_refused(text):
    for take in (lambda: accepted_document(text, "R. Ode", WALL), lambda: accepted_transform(text)):
        with pytest.raises(InputFault) as refusal:
            take()
        assert refusal.value.code == "result-file"
