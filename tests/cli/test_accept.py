"""Which results a station may use: by a person's word, by its own rule, and never a rejected one."""

import json

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.calibration import AcceptanceCause, ResultAcceptance
from eyebolt.context import load_context
from eyebolt.errors import InputFault
from eyebolt.geometry import Mount
from eyebolt.results import Provenance, ResultDocument, read_accepted
from eyebolt.store.names import list_sessions
from eyebolt_sim.problems import make_problem
from support.daemon_process import Robot
from support.folder_camera_cell import grid_errors_mm, write_station
from support.solutions import made_up_solution, result_format


def run_session(daemon, cell, pairs):
    """Captures, solves and sends bye; the reply to ``solve`` and the one to ``result``."""
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        for seq in range(1, pairs + 1):
            assert robot.final(cell.capture(seq))[0] <= 9
        solved = robot.final("solve 90")
        robot.final("bye 91")
        return solved, robot.ask("result 92")


def test_a_proven_result_accepts_itself_where_the_station_says_so(recorded_cell, start_daemon, tmp_path):
    daemon = start_daemon(recorded_cell.station(tmp_path, accept="when-proven"))
    solved, result = run_session(daemon, recorded_cell, 10)
    assert solved[0] == 0
    assert result[0] == 0
    (session,) = list_sessions(tmp_path / "sessions")
    document = json.loads((session / "result.json").read_text())
    assert document["accepted"]["by"] == "the station's rule (when-proven)"
    handed_over = np.eye(4)
    handed_over[:3, :3] = Rotation.from_quat(result[5:], scalar_first=True).as_matrix()
    handed_over[:3, 3] = np.array(result[2:5]) / 1e3
    assert np.abs(handed_over - document["transform"]["matrix_m"]).max() < 3e-6
    assert np.quantile(grid_errors_mm(handed_over, recorded_cell.hand_eye), 0.95) < 3 * solved[3] / 1e3


def test_a_rejected_result_is_never_accepted(recorded_cell, start_daemon, eyebolt, tmp_path):
    daemon = start_daemon(recorded_cell.station(tmp_path, accept="when-proven", tolerance_mm=0.001))
    # Solved, but far above what the job allows; then a session that cannot be solved at all.
    solved, result = run_session(daemon, recorded_cell, 8)
    assert (solved[0], result[0]) == (28, 36)
    solved, result = run_session(daemon, recorded_cell, 2)
    assert (solved[0], result[0]) == (28, 36)
    for session, words in zip(
        list_sessions(tmp_path / "sessions"), ["above the tolerance", "2 usable pairs"], strict=True
    ):
        code, out, text = eyebolt("accept", session, "--by", "R. Ode")
        assert (code, out) == (1, "")
        assert "(not-acceptable)" in text
        assert words in text
        assert "What to do: " in text
        assert json.loads((session / "result.json").read_text())["acceptance"] == "reject"
    assert not (tmp_path / "sessions/accepted.json").exists()


@pytest.mark.parametrize("by", ["", "  ", "R. Ode\nand another line", "x" * 81])
def test_a_name_that_cannot_stand_in_a_record_is_refused(eyebolt, tmp_path, by):
    code, _, text = eyebolt("accept", tmp_path, "--by", by)
    assert code == 1
    assert "(accept-name)" in text


def test_accepting_what_is_no_session_is_refused_with_a_text(eyebolt, tmp_path):
    code, _, text = eyebolt("accept", tmp_path / "nowhere", "--by", "R. Ode")
    assert code == 1
    assert "result.json is missing" in text
    for content in ("", "[]", "{", '{"schema": 77}', '{"schema": 1}', "\xff", '{"schema": 1, "transform": 5}'):
        (tmp_path / "result.json").write_bytes(content.encode("latin-1"))
        code, _, text = eyebolt("accept", tmp_path, "--by", "R. Ode")
        assert code == 1, content
        assert "What to do: " in text, content
    assert not (tmp_path.parent / "accepted.json").exists()


def test_problem_files_give_one_json_line_each_whatever_is_in_them(eyebolt, tmp_path):
    good = []
    for number, mount in enumerate(("fixed", "arm", "fixed")):
        problem = make_problem(mount, poses=8, seed=number)
        good.append((problem, tmp_path / f"good-{number}.json"))
        problem.write(good[-1][1], tolerance_mm=2.0)
    contents = {
        "not-json": "{",
        "not-an-object": "[]",
        "empty": "",
        "no-pairs": json.dumps({**json.loads(good[0][1].read_text()), "pairs": []}),
        "bad-focal": good[0][1].read_text().replace("2400.0", "-2400.0"),
        "bad-id": json.dumps({**json.loads(good[0][1].read_text()), "board_corners_mm": [[0, 0, 0]] * 4}),
    }
    broken = [tmp_path / f"{name}.json" for name in contents]
    for path, text in zip(broken, contents.values(), strict=True):
        path.write_text(text)
    broken.append(tmp_path / "nowhere.json")

    code, out, text = eyebolt("solve", *(path for _, path in good))
    assert (code, text) == (0, "")
    documents = [json.loads(line) for line in out.splitlines()]
    for (problem, path), document in zip(good, documents, strict=True):
        assert document["session"] == str(path)
        assert document["mount"] == problem.mount
        errors = grid_errors_mm(
            document["transform"]["matrix_m"],
            problem.hand_eye_true,
            problem.lens,
            problem.near_m * 1e3,
            problem.far_m * 1e3,
        )
        assert np.quantile(errors, 0.95) < 3 * document["expected_error_mm"]["p95"]

    code, out, text = eyebolt("solve", good[0][1], *broken, good[1][1])
    lines = [json.loads(line) for line in out.splitlines()]
    assert (code, text) == (1, "")
    assert [line["session"] for line in lines] == [str(p) for p in (good[0][1], *broken, good[1][1])]
    assert lines[0] == {**documents[0], "timestamp": lines[0]["timestamp"]}
    assert lines[-1] == {**documents[1], "timestamp": lines[-1]["timestamp"]}
    for name, line in zip([*contents, "nowhere"], lines[1:-1], strict=True):
        if name == "no-pairs":
            assert line["transform"] is None
            assert line["acceptance"] == "reject"
        else:
            assert set(line) == {"session", "code", "message", "remedy"}, (name, line)
            assert line["message"], name


@pytest.mark.parametrize("name", ["../elsewhere", "/tmp", "..", "", 7, None])
def test_a_session_named_in_accepted_json_is_never_a_path(tmp_path, name):
    context = load_context(write_station(tmp_path))
    record, elsewhere = context.record_folder, tmp_path / "elsewhere"
    for folder in (record, elsewhere):
        folder.mkdir()
    provenance = Provenance("bay-3", "20260314-091500-01", Mount.FIXED, result_format(), {}, "2026-03-14T09:15:00Z")
    good = ResultAcceptance(AcceptanceCause.ERROR_WITHIN_TOLERANCE, "good")
    document = ResultDocument.of(provenance, made_up_solution(0.2), good)
    text = json.dumps({**document.to_json(), "session": name})
    for path in (record / "accepted.json", elsewhere / "result.json", record / "result.json", tmp_path / "result.json"):
        path.write_text(text)
    if isinstance(name, str):
        assert not read_accepted(context).is_newest
    else:
        with pytest.raises(InputFault):
            read_accepted(context)
