"""What people get wrong in a cell, through pictures, sockets and a daemon: the robot is told, and the result says what.

Waypoints are those of the robot program; what begins later begins at its fifth.
"""

import json
import subprocess
import sys

import pytest

from eyebolt.store.names import list_sessions
from eyebolt_sim.cell import CellChoices, prepare_cell
from eyebolt_sim.cell_faults import CELL_FAULTS, cell_fault
from support.daemon_process import DaemonProcess
from support.folder_camera_cell import write_station

# By fault: mount, the first answer that is not 0 to 9, at which waypoints it may come, the first finding, words in it.
EXPECTED = {
    "other-rotation": ("fixed", 32, (4, 5), "pose-terms", 'rotation = "quaternion-xyzw"'),
    "other-length": ("arm", 32, (4, 5), "pose-terms", 'length = "m"'),
    "inverted": ("fixed", 33, (4, 5), "mount", "base_T_flange"),
    "ahead": ("arm", 32, (4, 5), "pairs-shifted", "not where it goes next"),
    "old-pose": ("fixed", 26, (5,), None, ""),
    "arm-stays": ("arm", None, (), "stale-picture", "pair 4 has the very picture of pair 3"),
    "board-slips": ("fixed", 27, (6, 7, 8), "board-moved", "before pair 4"),
    "camera-knocked": ("arm", 34, (6, 7, 8), "camera-moved", "before pair 4"),
    "tool-changes": ("fixed", 34, (6, 7), "tool-changed", "from pair 4 on"),
    "frame-changes": ("arm", 34, (6, 7), "frame-changed", "from pair 4 on"),
    "larger-board": ("fixed", 38, (4, 5, 6), "board-scale", "larger than stated"),
    "longer-lens": ("arm", 38, (4, 5, 6), "focal-length", "longer than the lens file says"),
    "focus-moves": ("fixed", 38, (5, 6, 7), "focus-moved", "lock the lens's screws"),
    "bent-lens": ("arm", 38, (4, 5, 6), "distortion", "calibrate the lens anew"),
}


def played(folder, mount, waypoints, fault, **terms):
    """A session with the mistake: how the robot program ended, what it said, and the result."""
    camera = ('source = "simulated"', f'endpoint = "ipc://{folder}/camera"')
    station = write_station(folder, mount=mount, camera_lines=camera, **terms)
    daemon = DaemonProcess(station)
    try:
        cell = prepare_cell(station, CellChoices(seed=3, waypoints=waypoints, speed=500.0, fault=fault))
        arm, said = cell.moving_arm(), []
        with cell.picture_server(arm):
            outcome = cell.run_robot(arm, said.append)
    finally:
        assert daemon.terminate() == 0
    return outcome, said, json.loads((list_sessions(folder / "sessions")[-1] / "result.json").read_text())


def test_every_fault_is_tried():
    assert set(EXPECTED) == set(CELL_FAULTS)


# The same on an arm that turns about the vertical only.
VERTICAL = {
    "ahead": ("fixed", 32, (4, 5, 6), "pairs-shifted", "not where it goes next"),
    "other-length": ("arm", 32, (4, 5), "pose-terms", 'length = "m"'),
    "board-slips": ("fixed", 27, (6, 7, 8), "board-moved", "before pair 4"),
    "larger-board": ("arm", 38, (4, 5, 6, 7), "board-scale", "larger than stated"),
}


@pytest.mark.parametrize(
    ("turns", "name"), [*(("free", name) for name in EXPECTED), *(("vertical", name) for name in VERTICAL)]
)
def test_a_mistake_in_the_cell_is_named(tmp_path, turns, name):
    mount, code, places, finding, words = (EXPECTED if turns == "free" else VERTICAL)[name]
    terms = {} if turns == "free" else {"turns": turns, "rotation": "angle-z"}
    outcome, said, result = played(tmp_path, mount, 15, CELL_FAULTS[name], **terms)
    findings = [f for f in result["findings"] if f["severity"] != "note"]
    if code is None:
        assert outcome.not_kept == ()
    else:
        first = outcome.not_kept[0]
        assert (first.verb, first.code) == ("capture", code), said
        assert first.number in places, said
    assert outcome.stop_code == (code if code is not None and code >= 30 else None)
    assert (result["verdict"] == "reject") == (outcome.stop_code is not None)
    if outcome.stop_code is not None:
        assert result["why"].startswith(findings[0]["says"])
    if finding is None:
        assert findings == []
    else:
        assert findings[0]["code"] == finding
        assert words in findings[0]["says"] + findings[0]["remedy"]
    left_out = [pair["pair"] for pair in result["pairs"]["left_out"]]
    if name == "arm-stays":
        assert left_out == [4]
    if name == "board-slips":
        assert left_out == [0, 1, 2, 3], "those of the board that is no longer there"


def test_the_command_plays_those_that_are_named(tmp_path):
    def faults(*arguments):
        command = [sys.executable, "-m", "eyebolt_sim", "faults", *map(str, arguments)]
        return subprocess.run(command, capture_output=True, text=True, timeout=120, cwd=tmp_path)

    done = faults("old-pose", "frame-changes@6", "--mount", "arm", "--folder", tmp_path / "kept")
    assert done.returncode == 0, done.stderr
    said = done.stdout.split("\n\n")
    assert "on the arm" in said[0]
    assert "answered: 26 at waypoint 5; result: accept" in said[1]
    assert "found" not in said[1]
    assert "34 at waypoint" in said[2]
    assert "from pair 5 on" in said[2]
    assert "to do:    on the controller select the base frame" in said[2]
    assert {path.name for path in (tmp_path / "kept").iterdir()} == {"old-pose", "frame-changes@6"}
    again = faults("old-pose", "--folder", tmp_path / "kept")
    assert again.returncode == 1
    assert "is there already" in again.stderr
    unknown = faults("board-slip")
    assert unknown.returncode == 1
    assert "board-slips: from a waypoint on the board is moved" in unknown.stderr


def test_a_mistake_that_came_too_late_is_said_to_be_none(tmp_path):
    command = [sys.executable, "-m", "eyebolt_sim", "faults", "board-slips@15", "--folder", str(tmp_path / "kept")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    assert "not made: the session ended before that waypoint" in done.stdout


def test_checks_that_show_another_tool_leave_the_result_unproven(tmp_path):
    """The tool changes after the goal is met: only the pairs kept aside show it."""
    outcome, said, result = played(tmp_path, "fixed", 8, cell_fault("tool-changes@8"))
    assert outcome.stop_code is None, said
    assert result["verdict"] == "unproven"
    assert "2 check pairs that took no part in the solve" in result["why"]
