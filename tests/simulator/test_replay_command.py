"""``eyebolt-sim replay``: a recorded session against daemons of its own and others, and what is laid over it."""

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

SAME_RESULT = "result: the same to the last digit"


@pytest.fixture
def replay(monkeypatch, capsys, tmp_path):
    """The command with its temporary folders in this test's: exit code, output, errors."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))

    def call(*arguments):
        monkeypatch.setattr(sys, "argv", ["eyebolt-sim", "replay", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            main()
        said = capsys.readouterr()
        return ended.value.code or 0, said.out, said.err

    return call


def copied(session, place, **changes):
    """The session in another folder, with ``station`` or ``result`` text replaced: old and new."""
    copy = place / session.name
    shutil.copytree(session, copy)
    for name, (old, new) in changes.items():
        path = copy / {"station": "station.toml", "result": "result.json"}[name]
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new))
    return copy


def test_every_decision_and_the_result_come_out_again(replay, recorded_session, tmp_path):
    code, said, _ = replay(recorded_session)
    assert code == 0, said
    assert "13 lines, 9 pictures" in said
    assert "decisions: all 13 as recorded" in said
    assert SAME_RESULT in said
    assert not list(tmp_path.iterdir()), "nothing is left where all is the same"
    assert replay(recorded_session, "--facts")[0] == 0


def test_another_station_or_result_is_told_and_is_not_the_same(replay, recorded_session, tmp_path):
    goal = copied(recorded_session, tmp_path / "goal", station=("min_pairs = 8", "min_pairs = 4"))
    code, said, _ = replay(goal, "--facts")
    assert code == 1
    assert "NOT the same as recorded" in said
    reply = {line.number: line.reply for line in read_recorded(recorded_session).lines}
    assert f"capture 2     {reply[2]!s:<14}" in said
    result = json.loads((recorded_session / "result.json").read_text())
    x_mm = result["transform"]["translation_mm"][0]
    for off_mm, same in ((x_mm * 1e-13, True), (0.25, False)):
        spoilt = copied(recorded_session, tmp_path / f"off {off_mm}", result=(f"{x_mm!r}", f"{x_mm + off_mm!r}"))
        code, said, _ = replay(spoilt, "--facts")
        assert (code == 0) == same, said
        assert ("result: the same within 1e-09" if same else "lies 0.25 mm from the recorded one") in said
        assert "decisions: all 13 as recorded" in said


def test_a_picture_whose_answer_could_not_be_recorded_counts_for_nothing(replay, recorded_session, tmp_path):
    copy, facts = copied(recorded_session, tmp_path), []
    for fact in facts_in(recorded_session):
        if isinstance(fact, ImageFact) and fact.index == 3:
            lost = RequestRef(seq=99, line=f"{fact.request.line} ")
            facts.append(fact.model_copy(update={"request": lost}))
        moves = isinstance(fact, ImageFact | DetectionFact | TimingsFact) and fact.index >= 3
        facts.append(fact.model_copy(update={"index": fact.index + 1}) if moves else fact)
    (copy / "facts.journal").unlink()
    spoilt = SessionFolder.create(tmp_path / "made", copy.name, {}, first=[encode_fact(fact) for fact in facts])
    spoilt.close()
    shutil.copy(spoilt.path / "facts.journal", copy)
    code, said, _ = replay(copy, "--facts")
    assert code == 0, said


def test_a_daemon_that_runs_is_played_against_and_one_with_an_open_session_is_not(
    replay, recorded_session, start_daemon, tmp_path
):
    sender = ('source = "push"', f'endpoint = "ipc://{tmp_path}/pushed"', 'motion_check = "off"')
    daemon = start_daemon(write_station(tmp_path, camera_lines=sender, tolerance_mm=1.0))
    code, said, _ = replay(recorded_session, "--station", daemon.station_file)
    assert code == 0, said
    assert SAME_RESULT in said
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        assert robot.say("begin 1") == "0,1,0,8"
    # The same facts, but for those of begin.
    facts = [
        encode_fact(fact)
        for fact in read_recorded(recorded_session).facts
        if not (isinstance(fact, ReplyFact) and fact.request.verb == "begin")
    ]
    kept = {name: (recorded_session / name).read_bytes() for name in ("station.toml", "camera.json")}
    SessionFolder.create(tmp_path / "unbegun", recorded_session.name, kept, first=facts).close()
    shutil.copytree(
        recorded_session / "images", tmp_path / "unbegun" / recorded_session.name / "images", dirs_exist_ok=True
    )
    code, _, fault = replay(tmp_path / "unbegun" / recorded_session.name, "--station", daemon.station_file)
    assert code == 1
    assert "replay-session-open" in fault
    assert "bye 2" in fault


def test_a_board_that_moved_between_two_looks_moves_again(replay, start_daemon, tmp_path):
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
    for way in ((), ("--facts",)):
        code, said, _ = replay(session, *way)
        assert code == 0, said
        assert "result: there is none on record" in said


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--speed", "0"], "is no speed"),
        (["--speed", "fast"], "is no speed"),
        (["--facts", "--inject", "fragmented"], "goes with no other option"),
        (["--station", "a.toml", "--folder", "b"], "exclude each other"),
        (["--station", "nowhere.toml"], "cannot be read"),
    ],
)
def test_wrong_usage_is_told(replay, recorded_session, arguments, message):
    code, _, fault = replay(recorded_session, *arguments)
    assert code == 1
    assert message in fault


def test_a_daemon_of_its_own_that_ends_is_told_with_its_last_words(replay, recorded_session, monkeypatch):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        robot, pictures = free_ports(2)
        ports = [robot, taken.getsockname()[1], pictures]
        monkeypatch.setattr("eyebolt_sim.replay.daemon_target.free_ports", lambda count: ports)
        code, _, fault = replay(recorded_session)
    assert code == 1
    assert "it ended early" in fault
    assert "status-port" in fault
    assert "daemon.log" in fault


def test_a_folder_without_a_session_or_one_in_use_is_told(replay, recorded_session, tmp_path):
    assert "the journal" in replay(tmp_path)[2]
    assert "is not empty" in replay(recorded_session, "--folder", recorded_session)[2]
