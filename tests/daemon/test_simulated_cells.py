"""Daemon, simulated camera and robot program together: the answer against the cell's truth, and how it is handed over.

The truth is the simulator's own (SciPy and 4x4 matrices, none of the service's geometry).
"""

import contextlib
import json
import time

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.store.names import list_sessions
from eyebolt_sim.cell import CellOptions, prepare_cell
from support.daemon_process import COMMAND, DaemonProcess, Robot
from support.folder_camera_cell import grid_errors_mm, write_station
from support.processes import run

SEEDS = (2, 9)
# Each mount with other terms: what the robot sends and what it gets back must both be read in them.
TERMS = {
    "fixed": {"length": "mm", "rotation": "euler-ZYX", "angle": "deg"},
    "arm": {"length": "m", "rotation": "rotation-vector", "angle": "rad"},
}
# The motion check takes 150 ms for each image.
CAMERA = {"fixed": (), "arm": ('motion_check = "off"',)}


def matrix_of(mount, numbers):
    """What a controller with these terms makes of the six numbers of ``result``, read with SciPy."""
    out = np.eye(4)
    if mount == "fixed":
        out[:3, :3] = Rotation.from_euler("ZYX", numbers[3:], degrees=True).as_matrix()
        out[:3, 3] = np.array(numbers[:3]) / 1e3
    else:
        out[:3, :3] = Rotation.from_rotvec(numbers[3:]).as_matrix()
        out[:3, 3] = numbers[:3]
    return out


def same_as(found, wanted):
    """Within what the printed digits hold: 0.001 mm and 0.0001 deg, or 0.000001 m and 0.000001 rad."""
    between = np.linalg.inv(wanted) @ found
    turn_deg = np.rad2deg(Rotation.from_matrix(between[:3, :3]).magnitude())
    return turn_deg < 2e-4 and np.linalg.norm(between[:3, 3]) < 2e-6


class PlayedCell:
    """One station whose robot program has run twice, in two different cells; the daemon still runs."""

    def __init__(self, mount, folder, ending):
        self.mount = mount
        self.station = write_station(
            folder,
            mount=mount,
            camera_lines=('source = "simulated"', f'endpoint = "ipc://{folder}/camera"', *CAMERA[mount]),
            **TERMS[mount],
        )
        self._ending = ending
        self.daemon = ending.enter_context(DaemonProcess(self.station))
        self.outcomes, self.truths = [], []
        for seed in SEEDS:
            cell = prepare_cell(self.station, CellOptions(seed=seed, waypoints=12, speed=500.0))
            arm = cell.moving_arm()
            with cell.camera_server(arm):
                self.outcomes.append(cell.run_robot(arm, lambda line: None))
            self.truths.append(cell.scene.hand_eye)
        self.sessions = list_sessions(folder / "sessions")

    def result(self, number):
        return json.loads((self.sessions[number] / "result.json").read_text())

    def restart(self):
        assert self.daemon.terminate() == 0
        self.daemon = self._ending.enter_context(DaemonProcess(self.station))

    def say(self, line):
        with Robot(self.daemon.port) as robot:
            robot.say("hello 0")
            return robot.ask(line)

    def say_until_accepted(self, line):
        """A `result` that the disk keeps waiting is answered from what was read before: then it is asked again."""
        deadline = time.monotonic() + 120
        while (reply := self.say(line))[0] == 36 and time.monotonic() < deadline:
            pass
        return reply


@pytest.fixture(scope="module", params=["fixed", "arm"])
def played(request, tmp_path_factory):
    with contextlib.ExitStack() as ending:
        yield PlayedCell(request.param, tmp_path_factory.mktemp(request.param), ending)


def test_the_true_error_is_consistent_with_the_stated_one(played):
    assert [o.stop_code for o in played.outcomes] == [None, None]
    for number, truth in enumerate(played.truths):
        result = played.result(number)
        name = "base_T_camera" if played.mount == "fixed" else "flange_T_camera"
        assert result["transform"]["name"] == name
        errors = grid_errors_mm(result["transform"]["matrix_m"], truth)
        stated = result["expected_error_mm"]
        print(
            f"\n{played.mount}, seed {SEEDS[number]}: true error rms {np.sqrt((errors**2).mean()):.3f} mm,"
            f" worst {errors.max():.3f} mm; stated p95 {stated['p95']:.3f}, worst p95 {stated['worst_p95']:.3f};"
            f" {result['pairs']['used']} pairs, {result['acceptance']}"
        )
        assert np.quantile(errors, 0.95) < 3 * stated["p95"]
        # A statement that cannot be wrong says nothing: it must be of the size of what the arm's scatter does.
        assert stated["p95"] < 1.0
        assert result["pairs"]["used"] >= 8
        assert result["checks"]["count"] == 2
        assert result["acceptance"] == "accept"
        assert result["accepted"] is None


def test_the_result_is_the_same_offline(played):
    """To the last digit: in a process of its own, as a person would run it."""
    solve = run([*COMMAND, "solve", "--json", *played.sessions], limit_s=120.0, check=True)
    offline = [json.loads(line) for line in solve.stdout.splitlines()]
    recorded = [played.result(number) for number in range(len(SEEDS))]
    for document in offline + recorded:
        document.pop("timestamp")
    assert offline == recorded


def test_no_result_is_served_before_a_person_accepts_it(played, eyebolt):
    assert played.say("result 50") == (36, 50, 0, 0, 0, 0, 0, 0)
    code, out, _ = eyebolt("accept", played.sessions[0], "--by", "R. Ode")
    assert code == 0
    assert "accepted by R. Ode at " in out
    wanted = np.array(played.result(0)["transform"]["matrix_m"])
    code, seq, *numbers = played.say_until_accepted("result 51")
    assert (code, seq) == (0, 51)
    assert same_as(matrix_of(played.mount, numbers), wanted)
    played.restart()
    assert played.say_until_accepted("result 51") == (code, seq, *numbers)
    # The other session stays what it was until it is accepted in its turn.
    assert played.result(1)["accepted"] is None
    assert played.result(0)["accepted"]["by"] == "R. Ode"
    assert eyebolt("accept", played.sessions[1], "--by", "R. Ode")[0] == 0
    wanted = np.array(played.result(1)["transform"]["matrix_m"])
    # The first transform is served until the disk has shown the second.
    deadline = time.monotonic() + 120
    while not same_as(matrix_of(played.mount, played.say("result 52")[2:]), wanted):
        assert time.monotonic() < deadline
