"""What ``eyebolt doctor`` finds in stations that are ready, and in each that is not: real files, sockets and images."""

import json
import os
import re
import socket
import threading
import time

import pytest

from eyebolt.cameras import DriverSettings
from eyebolt.context import load_context
from eyebolt.doctor import CheckResult, State, examine, exit_code, running
from eyebolt.doctor.bounded import carry_out, run_bounded
from eyebolt.doctor.camera import check_settings
from eyebolt.doctor.computer import ClockCheck
from eyebolt.errors import InputFault
from eyebolt.protocol import ViewMessage
from eyebolt.store import RecordLock
from support.daemon_process import COMMAND, free_ports
from support.terminal import on_a_terminal


def directly(subject, work, limit_s):
    """Runs a check in this process."""
    results = []
    carry_out(subject, work, results.append)
    return iter(results)


def found(station, pose_wait_s=None):
    steps = [step for step in examine(station, pose_wait_s, directly) if isinstance(step, CheckResult)]
    order = list(State)
    # The gravest of each subject.
    return {r.subject: r for r in sorted(steps, key=lambda r: order.index(r.state) % 3)}, exit_code(steps)


def states(results):
    return {subject: result.state for subject, result in results.items()}


@pytest.fixture
def station(recorded_cell, tmp_path):
    return lambda **changes: recorded_cell.station(tmp_path / "bay", **changes)


def edited(path, **replacements):
    text = path.read_text()
    for old, new in replacements.values():
        assert old in text
        text = text.replace(old, new)
    path.write_text(text)
    return path


ALLOW = ('allow = ["127.0.0.1"]', 'allow = ["192.0.2.7"]')


def test_a_station_that_is_ready(station):
    results, code = found(edited(station(), a=('listen = "127.0.0.1', 'listen = "0.0.0.0'), b=ALLOW))
    assert {r.state for r in results.values()} == {State.OK, State.NOT_TRIED}, results
    assert code == 0
    assert results["board"].state is State.OK
    assert "88 of 88 corners" in results["board"].message
    assert results["picture size"].state is State.OK
    assert results["robot's pose"].state is State.NOT_TRIED
    assert "--pose" in results["robot's pose"].remedy


def no_station_file(path):
    path.unlink()


def no_lens_file(path):
    (path.parent / "camera.json").unlink()


def lens_of_another_size(path):
    lens = json.loads((path.parent / "camera.json").read_text())
    (path.parent / "camera.json").write_text(json.dumps({**lens, "width": 1000}))


def no_images(path):
    edited(path, a=('path = "', 'path = "none-'))


def board_of_another_kind(path):
    edited(path, a=("columns = 12 ", "columns = 11 "))


def record_folder_is_a_file(path):
    path.with_name("taken").write_text("")
    edited(path, a=('folder = "sessions"', 'folder = "taken/sessions"'))


def address_of_this_computer_only(path):
    assert 'listen = "127.0.0.1' in path.read_text()


def lens_without_sigma(path):
    lens = json.loads((path.parent / "camera.json").read_text())
    del lens["sigma"]
    (path.parent / "camera.json").write_text(json.dumps(lens))


def nobody_allowed(path):
    edited(path, a=('listen = "127.0.0.1', 'listen = "0.0.0.0'))


def address_of_another_computer(path):
    edited(path, a=('listen = "127.0.0.1', 'listen = "192.0.2.1'))


@pytest.mark.parametrize(
    ("spoil", "subject", "state", "words"),
    [
        (no_station_file, "station file", State.FAULT, "No such file"),
        (no_lens_file, "lens file", State.FAULT, "camera.json"),
        (lens_of_another_size, "picture size", State.FAULT, "the lens file is for 1000 x 960"),
        (no_images, "camera", State.FAULT, "is not a folder"),
        (board_of_another_kind, "board", State.WARNING, "not seen"),
        (record_folder_is_a_file, "disk", State.FAULT, "taken"),
        (address_of_this_computer_only, "robot", State.WARNING, "only a program on this computer"),
        (lens_without_sigma, "lens file", State.WARNING, "without standard deviations"),
        (nobody_allowed, "robot", State.FAULT, "no controller may connect"),
        (address_of_another_computer, "ports", State.FAULT, "no address 192.0.2.1"),
    ],
    ids=lambda value: getattr(value, "__name__", None),
)
def test_what_is_wrong_is_named_with_what_to_do(station, spoil, subject, state, words):
    path = station()
    spoil(path)
    results, code = found(path)
    assert results[subject].state is state, results
    assert words in results[subject].message
    assert state is State.OK or results[subject].remedy
    assert code == (1 if State.FAULT in states(results).values() else 3)


def test_the_camera_is_looked_at_before_there_is_a_lens_file(station):
    path = station()
    no_lens_file(path)
    results, code = found(path)
    assert code == 1
    assert results["picture size"].message.startswith("1280 x 960 px")
    assert "88 of 88 corners" in results["board"].message
    assert "mm away" not in results["board"].message
    assert results["board"].state is State.OK
    assert results["ports"].state is State.OK


def test_a_record_folder_in_use(station):
    path = station()
    with RecordLock(path.parent / "sessions"):
        results, code = found(path)
    assert (results["record"].state, code) == (State.FAULT, 1)
    assert "record" not in found(path)[0]


def test_missing_keys_are_told_once_and_the_camera_is_looked_at(station):
    path = edited(station(), a=("# keys = ", "keys = "), b=('status = "tcp://127.0.0.1', 'status = "tcp://0.0.0.0'))
    results, _ = found(path)
    assert results["keys"].state is State.FAULT
    assert results["daemon"].state is State.OK
    assert results["camera"].state is State.OK


@pytest.mark.parametrize(
    ("changes", "size", "board"),
    [
        ({}, State.OK, State.OK),
        ({"image_size": [640, 480]}, State.FAULT, State.OK),
        (
            {"found": False, "corners_px": [], "reason": {"code": 20, "message": "no board", "remedy": "look"}},
            State.OK,
            State.WARNING,
        ),
    ],
)
def test_what_a_running_daemon_sees(station, changes, size, board):
    view = {
        "schema": 1, "station": "bay-3", "time_s": 0.0, "image_size": [1280, 960], "view_size": [960, 720],
        "is_of_capture": False, "found": True, "reason": None, "corners_px": [[1.0, 2.0]], "board_outline_px": None,
        "predicted_outline_px": None, "brightness": 0.5, "saturated_fraction": 0.0, "edge_blur_px": 0.7,
        "tilt_deg": 20.0, "distance_mm": 600.0, "proof": None,
    }  # fmt: skip
    message = ViewMessage.model_validate_json(json.dumps(view | changes))
    results = list(running.seen_in_view(message, load_context(station())))
    assert [r.state for r in results] == [size, board]
    assert all(r.remedy for r in results if r.state is not State.OK)


def test_the_size_of_the_board_is_not_measured(station):
    path = station()
    edited(path, a=('scale_from = "measured"', 'scale_from = "printed"'))
    results, code = found(path)
    assert (results["board"].state, code) == (State.WARNING, 3)
    assert "--measured" in results["board"].remedy


def test_ports_of_other_programs(station, monkeypatch):
    monkeypatch.setattr(running, "STATUS_S", 0.2)
    with socket.create_server(("127.0.0.1", 0)) as taken:
        results, code = found(station(listen=taken.getsockname()[1]))
    assert (results["ports"].subject, code) == ("ports", 1)
    with socket.create_server(("127.0.0.1", 0)) as silent:
        results, code = found(station(status=f"tcp://127.0.0.1:{silent.getsockname()[1]}"))
    assert (results["daemon"].state, code) == (State.FAULT, 1)
    assert "sends no status" in results["daemon"].message
    assert "ports" not in results


def test_a_daemon_that_runs_is_asked(station, start_daemon, monkeypatch):
    # Recorded images are not shown to a watcher.
    monkeypatch.setattr(running, "VIEW_S", 0.1)
    path = station()
    start_daemon(path)
    results, _ = found(path, pose_wait_s=5.0)
    assert results["daemon"].state is State.OK
    assert results["camera"].state is State.OK
    assert "ports" not in results
    assert results["robot's pose"].state is State.NOT_TRIED


def sent(port, *lines):
    """Sends lines as a robot would, and returns the replies."""
    replies = []
    for _ in range(400):
        try:
            with socket.create_connection(("127.0.0.1", port), 5) as connection, connection.makefile("rb") as reader:
                for line in lines:
                    connection.sendall(line.encode() + b"\n")
                    if not line.startswith("pose"):
                        replies.append(reader.readline().decode().strip())
                connection.shutdown(socket.SHUT_WR)
                reader.read()
                return replies
        except ConnectionRefusedError:
            time.sleep(0.01)
    raise AssertionError("nothing listens")


POSE = "100 200 300 0 1 0 0"


@pytest.mark.parametrize(
    ("lines", "state", "words", "replies"),
    [
        ([f"pose {POSE}"], State.OK, "x 100.0, y 200.0, z 300.0 mm; flange z down; flange x along base +x", []),
        (["hello 0", f"capture 1 {POSE}"], State.OK, "flange z down", ["0,0,0,0", "45,1,0,0"]),
        (["pose 100 200 300 0 1 0"], State.FAULT, "pose 100 200 300 0 1 0", []),
        ([f"pose {POSE.replace(' 1 ', ' 2 ')}"], State.FAULT, "a quaternion has 1", []),
    ],
)
def test_one_pose_is_read_and_nothing_is_served(station, lines, state, words, replies):
    port = free_ports(1)[0]
    path = station(listen=port)
    got = []
    robot = threading.Thread(target=lambda: got.append(sent(port, *lines)))
    robot.start()
    results, _ = found(path, pose_wait_s=10.0)
    robot.join()
    assert results["robot's pose"].state is state
    assert words in results["robot's pose"].message
    assert got == [replies]


def test_a_robot_that_does_not_come_or_is_not_allowed(station):
    results, _ = found(station(), pose_wait_s=0.1)
    assert results["robot's pose"].state is State.WARNING
    assert "within 0.1 s" in results["robot's pose"].message


def hang(report):
    report(CheckResult(subject="first", state=State.OK, message=f"found before by {os.getpid()}"))
    time.sleep(600)


def fail(report):
    raise InputFault("any-code", "something is wrong", "mend it.")


def defect(report):
    os.write(1, b"a library writes to stdout")
    raise ZeroDivisionError("by design")


@pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")
@pytest.mark.parametrize(
    ("work", "wanted"),
    [
        (hang, [("first", State.OK, "found before"), ("camera", State.FAULT, "no answer within 0.2 s")]),
        (fail, [("camera", State.FAULT, "something is wrong")]),
        (defect, [("camera", State.FAULT, "ZeroDivisionError")]),
    ],
)
def test_each_check_ends_whatever_it_does(work, wanted, capfd):
    results = list(run_bounded("camera", work, 0.2))
    assert [(r.subject, r.state) for r in results] == [(subject, state) for subject, state, _ in wanted]
    assert all(words in r.message for r, (_, _, words) in zip(results, wanted, strict=True))
    assert results[-1].remedy
    assert capfd.readouterr() == ("", "")
    if work is hang:
        with pytest.raises(ProcessLookupError):
            os.kill(int(results[0].message.split()[-1]), 0)


class Clocks:
    def __init__(self):
        self.wall = self.monotonic = 1.9e9

    def check(self):
        return ClockCheck(lambda: self.wall, lambda: self.monotonic)


@pytest.mark.parametrize(
    ("jump_s", "state"), [(0.0, State.OK), (0.02, State.OK), (-60, State.WARNING), (2, State.WARNING)]
)
def test_a_clock_that_is_set_meanwhile(jump_s, state):
    clocks = Clocks()
    check = clocks.check()
    clocks.wall += 5 + jump_s
    clocks.monotonic += 5
    assert check.result(None).state is state


def test_a_session_from_the_future(tmp_path):
    clocks = Clocks()
    check = clocks.check()
    (tmp_path / "20991231-235959-01").mkdir()
    (tmp_path / "20991231-235959-01" / "facts.journal").touch()
    assert check.result(tmp_path).state is State.WARNING
    assert "20991231-235959-01" in check.result(tmp_path).message


@pytest.mark.parametrize(
    ("settings", "wanted"),
    [
        (None, [State.NOT_TRIED, State.NOT_TRIED]),
        (DriverSettings(True, None), [State.OK, State.NOT_TRIED]),
        (DriverSettings(False, False), [State.WARNING, State.WARNING]),
    ],
)
def test_exposure_and_focus(settings, wanted):
    results = []
    check_settings(settings, results.append)
    assert [r.state for r in results] == wanted
    assert all(r.remedy for r in results if r.state is not State.OK)


def test_the_command_on_a_terminal(station):
    """A process of its own, since it forks; a real pseudo-terminal of 80 columns."""
    path = station()
    exit_code, text = on_a_terminal([*COMMAND, "doctor", path.name], cwd=path.parent)
    assert exit_code == 3, text
    assert "camera: being checked, 29 s at most" in text
    screen = [line.rpartition("\r\x1b[K")[2] for line in re.sub(r"\x1b\[[0-9;]*m", "", text).split("\r\n")]
    assert [line for line in screen if len(line) > 80] == []
    assert screen[-2].startswith("Ready, with warnings: ")
    assert any(line.startswith("ok        board         88 of 88 corners") for line in screen)
    assert "Traceback" not in text


def test_exit_codes():
    def code(*given):
        return exit_code([CheckResult(subject="x", state=state, message="") for state in given])

    assert code() == code(State.OK, State.NOT_TRIED) == 0
    assert code(State.OK, State.WARNING) == 3
    assert code(State.WARNING, State.FAULT, State.OK) == 1
