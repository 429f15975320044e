"""A vertical arm with rendered images over real sockets: only touches determine its height.

The truth is the simulator's own (SciPy and 4x4 matrices, none of the service's geometry).
"""

import contextlib
import json

import numpy as np
import pytest

from eyebolt.session import ImageFact, ReplyFact, TouchFact
from eyebolt.store.names import list_sessions
from eyebolt_sim.cell import CellOptions, prepare_cell
from support.daemon_process import DaemonProcess, Robot
from support.folder_camera_cell import grid_errors_mm, write_station
from support.recorded_facts import facts_in

TIP_SIGMA_MM = 0.15
TOUCHES = 4
# The motion check takes 150 ms for each image.
CAMERA = {"fixed": ('motion_check = "off"',), "arm": ()}


class TouchedCell:
    """A station whose robot program ran from hello to bye with touches; the daemon still runs."""

    def __init__(self, mount, folder, ending):
        self.mount = mount
        self.station = write_station(
            folder,
            mount=mount,
            turns="vertical",
            rotation="angle-z",
            # An angle about the vertical cannot hold the tilt of the camera.
            robot_lines=(
                'result_rotation = "quaternion-wxyz"',
                "tip_mm = [3.0, -2.0, -150.0]",
                f"tip_sigma_mm = {TIP_SIGMA_MM}",
            ),
            camera_lines=('source = "simulated"', f'endpoint = "ipc://{folder}/camera"', *CAMERA[mount]),
            tolerance_mm=2.0,
        )
        self._ending = ending
        self.start()
        self.said = []
        cell = prepare_cell(self.station, CellOptions(seed=3, waypoints=10, speed=500.0, touches=TOUCHES))
        self.touch_plan, self.truth = cell.touch_plan, cell.scene.hand_eye
        arm = cell.moving_arm()
        with cell.camera_server(arm):
            self.outcome = cell.run_robot(arm, self.said.append)
        (self.session,) = list_sessions(folder / "sessions")
        self.result = json.loads((self.session / "result.json").read_text())

    def start(self):
        self.daemon = self._ending.enter_context(DaemonProcess(self.station))


@pytest.fixture(scope="module", params=["fixed", "arm"])
def touched(request, tmp_path_factory):
    with contextlib.ExitStack() as ending:
        yield TouchedCell(request.param, tmp_path_factory.mktemp(request.param), ending)


def test_the_touches_determine_the_height_and_errors_are_as_stated(touched):
    assert touched.outcome.stop_code is None
    assert "place: 0" in touched.said
    assert [line.rsplit(" ", 1)[1] for line in touched.said if line.startswith("touch ")] == ["0"] * TOUCHES
    result = touched.result
    assert result["unobservable"] == []
    assert result["height"]["determined_by"] == "touch"
    height_mm = result["transform"]["translation_mm"][2]
    assert result["height"]["mm"] == pytest.approx(height_mm, abs=0.5)
    sigma_mm = result["height"]["sigma_mm"]
    assert TIP_SIGMA_MM < sigma_mm < 1.0
    assert abs(height_mm - touched.truth[2, 3] * 1e3) < 4 * sigma_mm
    errors = grid_errors_mm(result["transform"]["matrix_m"], touched.truth)
    print(
        f"{touched.mount}: rms {np.sqrt((errors**2).mean()):.3f}, stated {result['expected_error_mm']},"
        f" {result['reason']}"
    )
    assert np.quantile(errors, 0.95) < 2 * result["expected_error_mm"]["p95"]
    assert result["touches"]["count"] == TOUCHES
    assert result["touches"]["worst_mm"] < 2.5
    assert result["acceptance"] == "accept"
    assert result["pairs"]["used"] + len(result["pairs"]["excluded"]) <= 10, "the placed board is not a pair"
    assert "height-from-touch" in [finding["code"] for finding in result["findings"]]


def test_the_record_has_the_touches_and_solves_alike_offline(touched, eyebolt):
    _, printed, _ = eyebolt("solve", "--json", touched.session)
    offline = json.loads(printed)
    recorded = dict(touched.result)
    offline.pop("timestamp"), recorded.pop("timestamp")
    assert offline == recorded
    placed = [fact for fact in facts_in(touched.session, ImageFact) if fact.verb == "place"]
    touches = facts_in(touched.session, TouchFact)
    corners = [fact.corner for fact in touches]
    assert [fact.index for fact in placed] == [fact.placed_board for fact in touches][:1]
    assert corners == [corner for corner, _ in touched.touch_plan.touches]
    assert (placed[0].base_T_flange is None) == (touched.mount == "fixed")


def test_a_restarted_daemon_has_the_replies_to_touches(touched):
    assert touched.daemon.terminate() == 0
    touched.start()
    with Robot(touched.daemon.port) as robot:
        last = robot.ask("hello 0")
        assert last[2] == touched.outcome.kept
        for fact in facts_in(touched.session, ReplyFact):
            if fact.request.verb == "touch":
                assert robot.ask(f"again {fact.request.seq}")[:2] == (0, fact.request.seq)
