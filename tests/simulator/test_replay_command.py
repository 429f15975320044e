"""``eyebolt-sim replay``: a recorded session against a new daemon, a running one, and in process."""

import json
import shutil
import socket
import sys
import time

import pytest

from eyebolt.session.facts import DetectionFact, ImageFact, ReplyFact, RequestRef, TimingsFact, encode_fact
from eyebolt.store.names import list_sessions
from eyebolt.store.session_folder import SessionFolder
from eyebolt_sim.cell import CellOptions, prepare_cell
from eyebolt_sim.cli import main
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.replay.recording import read_recorded
from support.daemon_process import Robot, free_ports
from support.folder_camera_cell import write_station
from support.recorded_facts import facts_in

SAME_RESULT = "result: identical to the last digit"


@pytest.fixture
def replay(monkeypatch, capsys, tmp_path, warm_daemons):
    """The command with temporary folders of the test: exit code, output, errors."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))

    def call(*arguments):
        monkeypatch.setattr(sys, "argv", ["eyebolt-sim", "replay", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            main()
        printed = capsys.readouterr()
        return ended.value.code or 0, printed.out, printed.err

    return call


def copied(session, place, **changes):
    """A copy of the session; ``station`` and ``result`` are pairs of old and new text in these files."""
    copy = place / session.name
    shutil.copytree(session, copy)
    for name, (old, new) in changes.items():
        path = copy / {"station": "station.toml", "result": "result.json"}[name]
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new))
    return copy


def test_every_decision_and_the_result_are_reproduced(replay, recorded_session, tmp_path):
    code, printed, _ = replay(recorded_session)
    assert code == 0, printed
    assert "13 lines, 9 images" in printed
    assert "decisions: all 13 as recorded" in printed
    assert SAME_RESULT in printed
    assert not list(tmp_path.iterdir()), "no files are left if everything agrees"
    assert replay(recorded_session, "--facts")[0] == 0


def test_another_station_or_result_is_reported_as_a_difference(replay, recorded_session, tmp_path):
    goal = copied(recorded_session, tmp_path / "goal", station=("min_pairs = 8", "min_pairs = 4"))
    code, printed, _ = replay(goal, "--facts")
    assert code == 1
    assert "NOT the same as recorded" in printed
    reply = {line.number: line.reply for line in read_recorded(recorded_session).lines}
    assert f"capture 2     {reply[2]!s:<14}" in printed
    result = json.loads((recorded_session / "result.json").read_text())
    x_mm = result["transform"]["translation_mm"][0]
    for error_mm, same in ((x_mm * 1e-13, True), (0.25, False)):
        altered = copied(recorded_session, tmp_path / f"{error_mm}", result=(f"{x_mm!r}", f"{x_mm + error_mm!r}"))
        code, printed, _ = replay(altered, "--facts")
        assert (code == 0) == same, printed
        assert ("result: the same within 1e-09" if same else "differs by 0.25 mm") in printed
        assert "decisions: all 13 as recorded" in printed


def test_an_image_whose_reply_could_not_be_recorded_does_not_count(replay, recorded_session, tmp_path):
    copy, facts = copied(recorded_session, tmp_path), []
    for fact in facts_in(recorded_session):
        if isinstance(fact, ImageFact) and fact.index == 3:
            lost = RequestRef(seq=99, line=f"{fact.request.line} ")
            facts.append(fact.model_copy(update={"request": lost}))
        moves = isinstance(fact, ImageFact | DetectionFact | TimingsFact) and fact.index >= 3
        facts.append(fact.model_copy(update={"index": fact.index + 1}) if moves else fact)
    (copy / "facts.journal").unlink()
    altered = SessionFolder.create(tmp_path / "made", copy.name, {}, first=[encode_fact(fact) for fact in facts])
    altered.close()
    shutil.copy(altered.path / "facts.journal", copy)
    result = json.loads((copy / "result.json").read_text())
    for key in ("pairs", "checks"):
        result["based_on"][key] = [index + (index >= 3) for index in result["based_on"][key]]
    (copy / "result.json").write_text(json.dumps(result))
    code, printed, _ = replay(copy, "--facts")
    assert code == 0, printed


def test_a_request_of_the_operator_is_sent_as_a_robots_under_a_free_number(replay, recorded_session, tmp_path):
    copy, facts = copied(recorded_session, tmp_path), []
    for fact in facts_in(recorded_session):
        request = getattr(fact, "request", None)
        if request is not None and request.seq == 3:
            verb, _, *fields = request.line.split(" ")
            operators = RequestRef(seq=1000001, line=" ".join([verb, "1000001", *fields]))
            fact = fact.model_copy(update={"request": operators})
        facts.append(fact)
    (copy / "facts.journal").unlink()
    altered = SessionFolder.create(tmp_path / "made", copy.name, {}, first=[encode_fact(fact) for fact in facts])
    altered.close()
    shutil.copy(altered.path / "facts.journal", copy)
    lines = read_recorded(copy).lines
    before = read_recorded(recorded_session).lines
    assert [line.number for line, old in zip(lines, before, strict=True) if line.text != old.text] == [3]
    assert lines[2].seq == max(line.seq for line in before) + 1
    assert lines[2].text.split(" ")[2:] == before[2].text.split(" ")[2:]
    code, printed, _ = replay(copy, "--facts")
    assert code == 0, printed


def test_a_running_daemon_is_used_unless_it_has_an_open_session(replay, recorded_session, start_daemon, tmp_path):
    sender = ('source = "push"', f'endpoint = "ipc://{tmp_path}/pushed"', 'motion_check = "off"')
    daemon = start_daemon(write_station(tmp_path, camera_lines=sender, tolerance_mm=1.0))
    code, printed, _ = replay(recorded_session, "--station", daemon.station_file)
    assert code == 0, printed
    assert SAME_RESULT in printed
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        assert robot.say("begin 1") == "0,1,0,8"
    # The same facts without those of begin.
    facts = [
        encode_fact(fact)
        for fact in read_recorded(recorded_session).facts
        if not (isinstance(fact, ReplyFact) and fact.request.verb == "begin")
    ]
    kept = {name: (recorded_session / name).read_bytes() for name in ("station.toml", "camera.json")}
    without_begin = tmp_path / "without begin" / recorded_session.name
    SessionFolder.create(without_begin.parent, recorded_session.name, kept, first=facts).close()
    shutil.copytree(recorded_session / "images", without_begin / "images", dirs_exist_ok=True)
    code, _, fault = replay(without_begin, "--station", daemon.station_file)
    assert code == 1
    assert "replay-session-open" in fault
    assert "bye 2" in fault


def test_a_board_that_moved_between_two_images_moves_again(replay, start_daemon, tmp_path):
    camera = ('source = "simulated"', f'endpoint = "ipc://{tmp_path}/camera"')
    station = write_station(tmp_path, camera_lines=camera)
    cell = prepare_cell(station, CellOptions(seed=3, waypoints=3))
    arm, (first, second, _) = cell.moving_arm(), cell.captures
    daemon = start_daemon(station)
    with cell.camera_server(arm), Robot(daemon.port) as robot:
        robot.say("hello 0")
        pose = PoseFormat().format_pose(first.base_T_flange)
        arm.move_to(second.joints_rad, 90.0, time.monotonic())
        assert robot.final(f"capture 1 {pose}")[0] == 21
    daemon.terminate()
    session = list_sessions(station.parent / "sessions")[-1]
    for options in ((), ("--facts",)):
        code, printed, _ = replay(session, *options)
        assert code == 0, printed
        assert "result: none is recorded" in printed


@pytest.mark.parametrize(
    ("arguments", "error_code"),
    [
        (["--speed", "0"], "sim-usage"),
        (["--speed", "fast"], "sim-usage"),
        (["--facts", "--inject", "fragmented"], "sim-usage"),
        (["--station", "a.toml", "--folder", "b"], "sim-usage"),
        (["--station", "nowhere.toml"], "file-unreadable"),
    ],
)
def test_wrong_usage_is_refused(replay, recorded_session, arguments, error_code):
    code, _, fault = replay(recorded_session, *arguments)
    assert code == 1
    assert f"({error_code})" in fault


def test_a_new_daemon_that_ends_early_is_reported_with_the_end_of_its_log(replay, recorded_session, monkeypatch):
    with socket.create_server(("127.0.0.1", 0)) as used:
        robot, camera = free_ports(2)
        ports = [robot, used.getsockname()[1], camera]
        monkeypatch.setattr("eyebolt_sim.replay.daemon_target.free_ports", lambda count: ports)
        code, _, fault = replay(recorded_session)
    assert code == 1
    assert "(sim-no-daemon)" in fault
    assert "status-port" in fault
    assert "daemon.log" in fault


def test_a_folder_without_a_session_or_one_that_is_not_empty_is_refused(replay, recorded_session, tmp_path):
    assert "the journal" in replay(tmp_path)[2]
    assert "(folder-unwritable)" in replay(recorded_session, "--folder", recorded_session)[2]
