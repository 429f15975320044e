"""``eyebolt new``: the same from flags and from answers, checked as they are given, and nothing after Ctrl-C."""

import signal
import socket
from pathlib import Path

import pytest

from eyebolt.cli import new_station
from eyebolt.cli.new_station import StationOptions, make_station
from eyebolt.config import parse_station
from eyebolt.context import load_station
from eyebolt.errors import InputFault
from eyebolt.geometry import PoseFormat
from support.daemon_process import COMMAND
from support.terminal import CTRL_C, on_a_terminal

POSE = "445 0 790 30 20 160"


class Person:
    """Answers in turn; what is shown is kept."""

    def __init__(self, *answers):
        self.answers, self.shown = list(answers), []

    def say(self, line):
        self.shown.append(line)

    def ask(self, question, default):
        self.shown.append(question)
        return self.answers.pop(0) or default


@pytest.fixture(autouse=True)
def free_port(monkeypatch):
    """Whatever runs on this computer."""
    monkeypatch.setattr(new_station, "_free_base_port", lambda: 4750)
    monkeypatch.setattr(new_station._Questions, "_is_listen_usable", lambda self: True)


def made(tmp_path, *answers, options=None):
    person = Person(*answers)
    path = tmp_path / "bay-7" / "station.toml"
    make_station(path, options or StationOptions(), person)
    assert person.answers == []
    return load_station(path), " ".join(person.shown)


def test_enter_alone_gives_what_stands_there_without_a_terminal(tmp_path, eyebolt):
    station, _ = made(tmp_path, *[""] * 9)
    assert eyebolt("new", tmp_path / "plain.toml", "--name", "bay-7")[0] == 0
    assert station == load_station(tmp_path / "plain.toml")


def test_answers_and_flags_give_the_same_file(tmp_path, eyebolt):
    answers = ["cell_2", "arm", "6", "0.0.0.0:4750", "192.168.7.20", POSE, "2", "simulated", "0.4", "1000", "1400"]
    station, shown = made(tmp_path, *answers)
    flags = ["--name", "cell_2", "--mount", "arm", "--axes", 6, "--listen", "0.0.0.0:4750", "--allow", "192.168.7.20"]
    flags += ["--pose-format", "euler-xyz,deg,mm", "--camera", "simulated"]
    flags += ["--tolerance", 0.4, "--near", 1000, "--far", 1400]
    code, out, err = eyebolt("new", tmp_path / "flags.toml", *flags)
    assert (code, err) == (0, "")
    assert (tmp_path / "flags.toml").read_text() == (tmp_path / "bay-7" / "station.toml").read_text()
    assert "eyebolt doctor" in out
    assert station.pose_format == PoseFormat("mm", "euler-xyz", "deg")
    assert "flange z" in shown


def test_what_is_stated_is_not_asked(tmp_path):
    options = StationOptions(name="a", axes=6, dial="192.168.7.20:5000", pose_format=PoseFormat(), tolerance_mm=1.0)
    station, shown = made(tmp_path, "arm", "simulated", "400", "700", options=options)
    assert station.robot.dial == "192.168.7.20:5000"
    assert "Name" not in shown


def test_an_invalid_answer_is_asked_again_with_what_is_allowed(tmp_path):
    answers = ["my bay", "bay", "ceiling", "", "9", "", "here", "", "", "", "1,5", "-1", "0.5", "", "400", "700"]
    station, shown = made(tmp_path, *answers)
    assert station.goal.tolerance_mm == 0.5
    assert (station.goal.near_mm, station.goal.far_mm) == (500, 700)
    for words in ("1 to 32 of the letters", "fixed or arm", "from 4 to 7", "an address and a port", "decimal point"):
        assert words in shown
    assert "-1.0 is not possible: a number above 0" in shown


def test_a_four_axis_arm(tmp_path):
    station, _ = made(tmp_path, "", "", "4", "", "300 100 50 45", "", "", "", "")
    assert (station.station.turns, station.pose_format) == ("vertical", PoseFormat("mm", "angle-z", "deg"))


def test_a_pose_that_does_not_tell_and_one_that_does(tmp_path):
    """Half turns are alike in three formats; a second line decides, and one that contradicts is refused."""
    answers = ["", "", "", "", "445 0 790 180 10 180", "1", "445 0 790 0.5 0.5 -0.5 0.5", POSE, "2", "", "", "", ""]
    station, shown = made(tmp_path, *answers)
    assert "In this pose 3 formats are alike" in shown
    assert "contradicts" in shown
    assert station.pose_format == PoseFormat("mm", "euler-xyz", "deg")


def test_no_reading_is_the_arms(tmp_path):
    answers = ["", "", "", "", "1,5 2", "445 0 790 10 20 30", "0", "445 0 790 10 20 30", "", "", *[""] * 4]
    station, shown = made(tmp_path, *answers)
    assert station.pose_format == PoseFormat()
    assert "paste the whole line" in shown


def test_the_camera_is_tried(tmp_path, monkeypatch):
    tried = []

    def run(subject, work, limit_s):
        results = []
        work(results.append)
        tried.extend(results)
        return results

    monkeypatch.setattr("eyebolt.doctor.run_bounded", run)
    (tmp_path / "pictures").mkdir()
    answers = [
        "",
        "",
        "",
        "",
        "",
        "no such thing",
        str(tmp_path / "pictures"),
        "n",
        "/dev/video-of-nobody",
        "y",
        *[""] * 3,
    ]
    monkeypatch.setattr("eyebolt.doctor.camera.CONNECT_S", 0.05)
    station, shown = made(tmp_path, *answers)
    assert (station.camera.source, station.camera.path) == ("device", "/dev/video-of-nobody")
    assert "is no camera" in shown
    assert "put images into the folder" in shown.lower()
    assert [r.state for r in tried] == ["fault", "fault"]


@pytest.mark.parametrize(
    ("flags", "code", "words"),
    [
        (["--pose", POSE], "pose-line", "euler-xyz,deg,mm: x 445.0"),
        (["--pose", "1 2"], "pose-line", "2 numbers"),
        (["--pose-format", "euler-ABC"], "pose-format", "euler-ABC"),
        (["--camera", "under the bench"], "camera-path", "under the bench"),
        (["--tolerance", "-1", "--name", "a b"], "station-file", "2 faults"),
    ],
)
def test_flags_that_do_not_suffice_are_named_and_nothing_is_written(eyebolt, tmp_path, flags, code, words):
    exit_code, out, err = eyebolt("new", tmp_path / "bay" / "station.toml", *flags)
    assert (exit_code, out) == (1, "")
    assert f"({code})" in err
    assert words in err
    assert list(tmp_path.iterdir()) == []


def test_flags_that_suffice(eyebolt, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("pictures").mkdir()
    flags = ["--pose", "300 100 50 45", "--axes", 4, "--camera", "pictures", "--near", 1000]
    assert eyebolt("new", "bay/station.toml", *flags)[0] == 0
    station = parse_station(Path("bay/station.toml").read_text(), "bay")
    assert station.pose_format == PoseFormat("mm", "angle-z", "deg")
    # Relative to the station file, as all its paths.
    assert (station.camera.source, station.camera.path) == ("folder", "../pictures")
    assert (station.goal.near_mm, station.goal.far_mm) == (1000, 1500)


def test_at_a_terminal(tmp_path):
    """A real pseudo-terminal; one port is taken, so that another is proposed."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        typed = [
            ("Name of the station [bay-3]: ", "\r"),
            ("(fixed, arm) [fixed]: ", "arm\r"),
            ("[6]: ", "\r"),
            ("robot connects", f"127.0.0.1:{port}\r"),
            ("another program uses it already", ""),
            ("Keep it? (y, n) [n]: ", "n\r"),
            ("robot connects", "192.0.2.1:4750\r"),
            ("this computer has no address 192.0.2.1", ""),
            ("Keep it? (y, n) [n]: ", "y\r"),
            ("Address of the robot controller: ", "192.0.2.9\r"),
            ("(Enter: later): ", f"{POSE}\r"),
            ("Enter: not known): ", "1\r"),
            ("Camera [simulated]: ", "/dev/video-of-nobody\r"),
            ("it does not exist", ""),
            ("Keep it? (y, n) [y]: ", "\r"),
            ("mm [1.0]: ", "0.5\r"),
            ("mm [500]: ", "\r"),
            ("mm [900]: ", "\r"),
        ]
        (tmp_path / "bay-3").mkdir()
        exit_code, text = on_a_terminal([*COMMAND, "new", "station.toml"], typed, cwd=tmp_path / "bay-3")
    assert exit_code == 0, text
    station = load_station(tmp_path / "bay-3" / "station.toml")
    assert (station.robot.listen, station.robot.allow) == ("192.0.2.1:4750", ("192.0.2.9",))
    assert (station.camera.path, station.pose_format.rotation) == ("/dev/video-of-nobody", "euler-ZYX")
    assert "Traceback" not in text


def test_ctrl_c_leaves_nothing_behind(tmp_path):
    typed = [("(fixed, arm) [fixed]: ", "arm\r"), ("[6]: ", CTRL_C)]
    exit_code, text = on_a_terminal([*COMMAND, "new", "bay/station.toml", "--name", "x"], typed, cwd=tmp_path)
    # A second Ctrl-C may come while the interpreter ends; shells report both as 130.
    assert exit_code in (130, -signal.SIGINT), text
    assert list(tmp_path.iterdir()) == []
    assert "Traceback" not in text


def test_an_existing_file_is_refused_before_any_question(tmp_path):
    (tmp_path / "station.toml").write_text("x")
    with pytest.raises(InputFault) as caught:
        make_station(tmp_path / "station.toml", StationOptions(), Person())
    assert caught.value.code == "file-exists"
