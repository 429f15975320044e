"""What people get wrong in a cell, through pictures, sockets and a daemon: the robot is told, and the result says what.

Waypoints are those of the robot program; what begins later begins at its fifth.
"""

import contextlib
import functools
import json
import subprocess
import sys

import pytest

from eyebolt.store.names import list_sessions
from eyebolt_sim.cell import CellOptions, prepare_cell
from eyebolt_sim.cell_faults import CELL_FAULTS, parse_cell_fault
from support.daemon_process import DaemonProcess
from support.folder_camera_cell import write_station

# By fault: mount, the first answer that is not 0 to 9, at which waypoints it may come, the first finding, words in it.
EXPECTED = {
    "wrong-rotation-format": ("fixed", 32, (4, 5), "pose-format", 'rotation = "quaternion-xyzw"'),
    "wrong-length-unit": ("arm", 32, (4, 5), "pose-format", 'length = "m"'),
    "inverted-poses": ("fixed", 33, (4, 5), "mount", "base_T_flange"),
    "next-pose": ("arm", 32, (4, 5), "pairs-shifted", "not where it goes next"),
    "stale-pose": ("fixed", 26, (5,), None, ""),
    "skipped-move": ("arm", None, (), "stale-image", "pair 4 has the same image as pair 3"),
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
def played(tmp_path_factory):
    """Plays a session with a fault: how the robot program ended, its output, and the result.

    One daemon for each kind of station, each of its sessions in another cell.
    """
    with contextlib.ExitStack() as ending:

        @functools.cache
        def station_with_daemon(mount, **terms):
            folder = tmp_path_factory.mktemp(mount)
            camera = ('source = "simulated"', f'endpoint = "ipc://{folder}/camera"')
            station = write_station(folder, mount=mount, camera_lines=camera, **terms)
            daemon = ending.enter_context(DaemonProcess(station))

            @ending.callback
            def _terminate():
                assert daemon.terminate() == 0

            return station

        def play(mount, waypoints, fault, **terms):
            station = station_with_daemon(mount, **terms)
            sessions = station.parent / "sessions"
            before = len(list_sessions(sessions))
            cell = prepare_cell(station, CellOptions(seed=3, waypoints=waypoints, speed=500.0, fault=fault))
            arm, output = cell.moving_arm(), []
            with cell.camera_server(arm):
                outcome = cell.run_robot(arm, output.append)
            assert len(list_sessions(sessions)) == before + 1
            return outcome, output, json.loads((list_sessions(sessions)[-1] / "result.json").read_text())

        yield play


def test_every_fault_is_tried():
    assert set(EXPECTED) == set(CELL_FAULTS)


# The same on an arm that turns about the vertical only.
VERTICAL = {
    "next-pose": ("fixed", 32, (4, 5, 6), "pairs-shifted", "not where it goes next"),
    "wrong-length-unit": ("arm", 32, (4, 5), "pose-format", 'length = "m"'),
    "board-moved": ("fixed", 27, (6, 7, 8), "board-moved", "before pair 4"),
    "board-scale": ("arm", 38, (4, 5, 6, 7), "board-scale", "larger than stated"),
}


@pytest.mark.parametrize(
    ("turns", "name"), [*(("free", name) for name in EXPECTED), *(("vertical", name) for name in VERTICAL)]
)
def test_a_mistake_in_the_cell_is_named(played, turns, name):
    mount, code, places, finding, words = (EXPECTED if turns == "free" else VERTICAL)[name]
    terms = {} if turns == "free" else {"turns": turns, "rotation": "angle-z"}
    outcome, said, result = played(mount, 15, CELL_FAULTS[name], **terms)
    findings = [f for f in result["findings"] if f["severity"] != "note"]
    if code is None:
        assert outcome.rejected_requests == ()
    else:
        first = outcome.rejected_requests[0]
        assert (first.verb, first.code) == ("capture", code), said
        assert first.number in places, said
    assert outcome.stop_code == (code if code is not None and code >= 30 else None)
    assert (result["acceptance"] == "reject") == (outcome.stop_code is not None)
    if outcome.stop_code is not None:
        assert result["reason"].startswith(findings[0]["message"])
    if finding is None:
        assert findings == []
    else:
        assert findings[0]["code"] == finding
        assert words in findings[0]["message"] + findings[0]["remedy"]
    excluded = [pair["pair"] for pair in result["pairs"]["excluded"]]
    if name == "skipped-move":
        assert excluded == [4]
    if name == "board-moved":
        assert excluded == [0, 1, 2, 3], "those of the board that is no longer there"


def test_the_command_plays_those_that_are_named(tmp_path):
    def faults(*arguments):
        command = [sys.executable, "-m", "eyebolt_sim", "faults", *map(str, arguments)]
        return subprocess.run(command, capture_output=True, text=True, timeout=120, cwd=tmp_path)

    done = faults("stale-pose", "frame-changed@6", "--mount", "arm", "--folder", tmp_path / "kept")
    assert done.returncode == 0, done.stderr
    said = done.stdout.split("\n\n")
    assert "on the arm" in said[0]
    assert "answered: 26 at waypoint 5; result: accept" in said[1]
    assert "found" not in said[1]
    assert "34 at waypoint" in said[2]
    assert "from pair 5 on" in said[2]
    assert "to do:    in the robot program select the base frame" in said[2]
    assert {path.name for path in (tmp_path / "kept").iterdir()} == {"stale-pose", "frame-changed@6"}
    again = faults("stale-pose", "--folder", tmp_path / "kept")
    assert again.returncode == 1
    assert "is there already" in again.stderr
    unknown = faults("board-slip")
    assert unknown.returncode == 1
    assert "board-moved: from a waypoint on the board is moved" in unknown.stderr


def test_a_mistake_that_came_too_late_is_said_to_be_none(tmp_path):
    command = [sys.executable, "-m", "eyebolt_sim", "faults", "board-moved@15", "--folder", str(tmp_path / "kept")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    assert "not made: the session ended before that waypoint" in done.stdout


def test_checks_that_show_another_tool_leave_the_result_unproven(played):
    """The tool changes after the goal is met: only the pairs kept aside show it."""
    outcome, said, result = played("fixed", 8, parse_cell_fault("tool-changed@8"))
    assert outcome.stop_code is None, said
    assert result["acceptance"] == "unproven"
    assert "2 check pairs that took no part in the solve" in result["reason"]
