"""Faults of a cell, detected through images, sockets and a daemon: the reply to the robot and the first finding.

Waypoints are counted from 1; a fault with a start waypoint begins at the fifth.
"""

import contextlib
import functools
import json
import sys

import pytest

from eyebolt.store.names import list_sessions
from eyebolt_sim.cell import CellOptions, prepare_cell
from eyebolt_sim.cell_faults import CELL_FAULTS, parse_cell_fault
from eyebolt_sim.cli import main
from eyebolt_sim.demo_cell import write_demo_cell
from support.daemon_process import DaemonProcess
from support.folder_camera_cell import write_station
from support.processes import run

# By fault: mount, first reply code without success, waypoints at which it may come, first finding, words in it.
EXPECTED = {
    "wrong-rotation-format": ("fixed", 32, (4, 5), "pose-format", 'rotation = "quaternion-xyzw"'),
    "wrong-length-unit": ("arm", 32, (4, 5), "pose-format", 'length = "m"'),
    "inverted-poses": ("fixed", 33, (4, 5), "mount", "base_T_flange"),
    "next-pose": ("arm", 32, (4, 5), "pairs-shifted", "not where it goes next"),
    "stale-pose": ("fixed", 26, (5,), None, ""),
    "skipped-move": ("arm", 22, (5,), None, ""),
    "board-moved": ("fixed", 27, (6, 7, 8), "board-moved", "before pair 4"),
    "camera-moved": ("arm", 34, (6, 7, 8), "camera-moved", "before pair 4"),
    "tool-changed": ("fixed", 34, (6, 7), "tool-changed", "from pair 4 on"),
    "frame-changed": ("arm", 34, (6, 7), "frame-changed", "from pair 4 on"),
    "board-scale": ("fixed", 38, (4, 5, 6), "board-scale", "larger than stated"),
    "focal-length": ("arm", 38, (4, 5, 6), "focal-length", "longer than the lens file states"),
    "focus-changed": ("fixed", 38, (5, 6, 7), "focus-changed", "locking screws of the lens"),
    "distortion": ("arm", 38, (4, 5, 6), "distortion", "calibrate the lens again"),
}


@pytest.fixture(scope="module")
def run_session(tmp_path_factory):
    """Runs a session with a fault: the outcome of the robot program, its output, and the result.

    One daemon serves all sessions of a kind of station; each session is in another cell. Unless ``camera_lines`` is
    empty, no image is taken 150 ms before each one: no fault moves the arm or the board between the two.
    """
    with contextlib.ExitStack() as stack:

        @functools.cache
        def station_with_daemon(mount, camera_lines, **changes):
            folder = tmp_path_factory.mktemp(mount)
            camera = ('source = "simulated"', f'endpoint = "ipc://{folder}/camera"', *camera_lines)
            station = write_station(folder, mount=mount, camera_lines=camera, **changes)
            daemon = stack.enter_context(DaemonProcess(station))

            @stack.callback
            def _terminate():
                assert daemon.terminate() == 0

            return station

        def run(mount, waypoints, fault, camera_lines=('motion_check = "off"',), **changes):
            station = station_with_daemon(mount, camera_lines, **changes)
            sessions = station.parent / "sessions"
            before = len(list_sessions(sessions))
            cell = prepare_cell(station, CellOptions(seed=3, waypoints=waypoints, speed=500.0, fault=fault))
            arm, printed = cell.moving_arm(), []
            with cell.camera_server(arm):
                outcome = cell.run_robot(arm, printed.append)
            assert len(list_sessions(sessions)) == before + 1
            return outcome, printed, json.loads((list_sessions(sessions)[-1] / "result.json").read_text())

        yield run


def test_the_catalogue_states_the_expected_code_and_finding_of_every_fault():
    assert {name: (fault.expected_code, fault.expected_finding) for name, fault in CELL_FAULTS.items()} == {
        name: (code, finding) for name, (_, code, _, finding, _) in EXPECTED.items()
    }


# The same on an arm that rotates about the vertical only.
VERTICAL = {
    "next-pose": ("fixed", 32, (4, 5, 6), "pairs-shifted", "not where it goes next"),
    "wrong-length-unit": ("arm", 32, (4, 5), "pose-format", 'length = "m"'),
    "board-moved": ("fixed", 27, (6, 7, 8), "board-moved", "before pair 4"),
    "board-scale": ("arm", 38, (4, 5, 6, 7), "board-scale", "larger than stated"),
}


def long_if(condition):
    """The mark of the long form, or none."""
    return pytest.mark.long if condition else ()


@pytest.mark.parametrize(
    "camera_lines",
    [
        pytest.param(('motion_check = "off"',), id="one-image"),
        pytest.param((), id="two-images", marks=pytest.mark.long),
    ],
)
@pytest.mark.parametrize(
    ("turns", "name"),
    [
        # Stale pose and other frame: the test of the command has them as well.
        *(pytest.param("free", name, marks=long_if(name in ("stale-pose", "frame-changed"))) for name in EXPECTED),
        *(
            pytest.param("vertical", name, marks=long_if(name in ("wrong-length-unit", "board-scale")))
            for name in VERTICAL
        ),
    ],
)
def test_a_fault_is_detected_and_named(run_session, turns, name, camera_lines):
    mount, code, waypoints, finding, words = (EXPECTED if turns == "free" else VERTICAL)[name]
    changes = {} if turns == "free" else {"turns": turns, "rotation": "angle-z"}
    outcome, printed, result = run_session(mount, 15, CELL_FAULTS[name], camera_lines, **changes)
    findings = [f for f in result["findings"] if f["severity"] != "note"]
    if code is None:
        assert outcome.rejected_requests == ()
    else:
        first = outcome.rejected_requests[0]
        assert (first.verb, first.code) == ("capture", code), printed
        assert first.number in waypoints, printed
    stop = code if code is not None and code >= 30 else None
    # Nothing determines the height of the vertical arm: its result is not handed out, and solve replies 36.
    assert outcome.stop_code == (stop or (36 if turns == "vertical" else None))
    assert (result["acceptance"] == "reject") == (stop is not None)
    if stop is not None:
        assert result["reason"].startswith(findings[0]["message"])
    if finding is None:
        assert findings == []
    else:
        assert findings[0]["code"] == finding
        assert words in findings[0]["message"] + findings[0]["remedy"]
    excluded = [pair["pair"] for pair in result["pairs"]["excluded"]]
    if name == "skipped-move":
        assert excluded == [], "the image of the waypoint before was refused when it came"
    if name == "board-moved":
        assert excluded == [0, 1, 2, 3], "the pairs before the board was moved"


@pytest.fixture(params=["in-process", pytest.param("process", marks=pytest.mark.long)])
def faults(request, tmp_path, monkeypatch, capsys):
    """The command: exit code, output, errors. In this process without pauses before and between images."""

    def in_process(*arguments):
        monkeypatch.setattr(sys, "argv", ["eyebolt-sim", "faults", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            main()
        return ended.value.code or 0, *capsys.readouterr()

    def process(*arguments):
        done = run([sys.executable, "-m", "eyebolt_sim", "faults", *map(str, arguments)], limit_s=120.0, cwd=tmp_path)
        return done.returncode, done.stdout, done.stderr

    def write_cell(*arguments):
        station = write_demo_cell(*arguments)
        text = station.read_text()
        for old, new in (("settle_ms = 300", "settle_ms = 0"), ("[camera]\n", '[camera]\nmotion_check = "off"\n')):
            assert old in text
            text = text.replace(old, new)
        station.write_text(text)
        return station

    if request.param == "process":
        return process
    request.getfixturevalue("warm_daemons")
    monkeypatch.setattr("eyebolt_sim.fault_scenarios.write_demo_cell", write_cell)
    return in_process


def test_the_command_runs_the_named_faults(faults, tmp_path):
    # A fault after the end of the session is not injected.
    code, printed, errors = faults(
        "stale-pose", "frame-changed@6", "board-moved@15", "--mount", "arm", "--folder", tmp_path / "kept"
    )
    assert code == 0, errors
    sections = printed.split("\n\n")
    assert "on the arm" in sections[0]
    assert "replies:  26 at waypoint 5; result: accept" in sections[1]
    assert "finding" not in sections[1]
    assert "34 at waypoint" in sections[2]
    assert "from pair 5 on" in sections[2]
    assert "remedy:   in the robot program select the base frame" in sections[2]
    assert {path.name for path in (tmp_path / "kept").iterdir()} == {
        "stale-pose",
        "frame-changed@6",
        "board-moved@15",
    }
    assert "no fault: the session ended before that waypoint" in sections[3]


def test_faults_that_cannot_be_run_are_refused(tmp_path, monkeypatch, capsys):
    def refused(*arguments):
        monkeypatch.setattr(sys, "argv", ["eyebolt-sim", "faults", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            main()
        assert ended.value.code == 1
        return capsys.readouterr().err

    (tmp_path / "kept" / "stale-pose").mkdir(parents=True)
    assert "(folder-unwritable)" in refused("stale-pose", "--folder", tmp_path / "kept")
    unknown = refused("board-slip")
    assert "(sim-fault)" in unknown
    assert all(name in unknown for name in CELL_FAULTS)


def test_checks_with_another_tool_leave_the_result_unproven(run_session):
    """The tool changes after the goal is met, so that only the check pairs contradict the result."""
    outcome, printed, result = run_session("fixed", 8, parse_cell_fault("tool-changed@8"))
    assert outcome.stop_code is None, printed
    assert result["acceptance"] == "unproven"
    assert "2 check pairs" in result["reason"]
