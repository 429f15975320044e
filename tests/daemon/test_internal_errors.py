"""Internal failures: the robot gets a code, and the service continues."""

import asyncio
import contextlib
import json
import threading
import time
from typing import Any

import cv2
import numpy as np
import pytest
import structlog

from eyebolt.cameras import Frame
from eyebolt.context import load_context
from eyebolt.daemon.daemon import Daemon
from eyebolt.logs import configure_log
from eyebolt.protocol import LinkStatus
from eyebolt.session.messages import AcceptedResult
from eyebolt.session.state import State
from support.daemon_process import Robot, robot_port
from support.processes import until


class OddCamera:
    """Delivers the given pixels with an exposure now; raises those that are exceptions."""

    def __init__(self, *handed_out):
        self.handed_out = list(handed_out)

    def grab(self, not_before_ns, timeout_s):
        pixels = self.handed_out.pop(0)
        if isinstance(pixels, Exception):
            raise pixels
        now = time.monotonic_ns()
        exposed = not_before_ns - 1 if pixels is None else now
        return Frame(np.zeros((960, 1280), np.uint8) if pixels is None else pixels, exposed, now, "timestamp", "odd")

    def health(self):
        return LinkStatus(is_connected=True, message="odd")

    def close(self):
        pass


@contextlib.contextmanager
def serving(station, camera):
    """The daemon in a thread of this process."""
    context = load_context(station)
    ready = threading.Event()
    holding: dict[str, Any] = {}

    async def serve():
        holding["daemon"] = Daemon(context, camera, None, State(context.session_config))
        holding["loop"] = asyncio.get_running_loop()
        await holding["daemon"].run(lambda where: ready.set())

    thread = threading.Thread(target=lambda: asyncio.run(serve()))
    thread.start()
    try:
        until(ready.is_set, "the daemon is ready", 30.0)
        yield robot_port(station)
    finally:
        holding["loop"].call_soon_threadsafe(holding["daemon"].stop)
        thread.join(30)
        assert not thread.is_alive()


class NoArray:
    """Raises when it is used as an image."""

    def __array__(self, *_, **__):
        raise RuntimeError("no image in here")


def test_a_defective_camera_or_image_ends_each_request_with_a_code(recorded_cell, tmp_path):
    station = recorded_cell.station(tmp_path)
    camera = OddCamera(
        ValueError("its driver broke down"),
        None,
        np.zeros((960, 1280), np.float64),
        NoArray(),
        np.full((960, 1280), 90, np.uint8),
    )
    with serving(station, camera) as port, Robot(port) as robot:
        robot.say("hello 0")
        codes = [robot.final(recorded_cell.capture(seq))[0] for seq in range(1, 6)]
    # Driver broken: 30. Exposed before the word: 22. Not storable: 31, twice. And an honest image without a board.
    assert codes == [30, 22, 31, 31, 20]


@pytest.fixture
def json_log():
    """As ``eyebolt serve`` logs, in short entries; the default of the library takes seconds to draw each defect."""
    configure_log("json")
    yield
    structlog.reset_defaults()


@pytest.mark.parametrize("form", ["console", "json"])
def test_a_defect_is_logged_and_no_traceback_reaches_an_operator(form, capsys):
    configure_log(form)
    try:
        try:
            board_image = np.zeros((3, 3))
            board_image[7, 7] = 1
        except IndexError:
            structlog.get_logger().exception("solving failed unexpectedly")
        said = capsys.readouterr().err
    finally:
        structlog.reset_defaults()
    assert "index 7 is out of bounds" in said
    assert "Traceback" not in said
    assert "board_image" not in said
    if form == "json":
        (entry,) = [json.loads(line) for line in said.splitlines()]
        assert entry["exception"][0]["frames"][0]["filename"] == __file__
    else:
        assert len(said.splitlines()) == 2


def test_a_failing_solver_costs_a_reply_that_waits_for_it_and_not_the_session(
    json_log, recorded_cell, tmp_path, monkeypatch
):
    station = recorded_cell.station(tmp_path)

    def broken(*_, **__):
        raise ZeroDivisionError("a defect")

    images = [cv2.imread(str(p), cv2.IMREAD_UNCHANGED) for p in sorted(recorded_cell.images.iterdir())[:5]]
    monkeypatch.setattr("eyebolt.context.solve", broken)
    with serving(station, OddCamera(*images)) as port, Robot(port) as robot:
        robot.say("hello 0")
        replies = [robot.final(recorded_cell.capture(seq))[:3] for seq in (1, 2, 3, 4)]
        assert replies == [(0, 1, 1), (0, 2, 2), (0, 3, 3), (20, 4, 3)], "the third is answered before its solve"
        assert robot.final("solve 5")[0] == 28
        monkeypatch.undo()
        assert robot.final(recorded_cell.capture(6, 4))[:3] == (0, 6, 4)
        assert robot.final("undo 7")[:3] == (0, 7, 3)


def test_result_is_what_was_read_before_while_the_disk_does_not_answer(recorded_cell, tmp_path, monkeypatch):
    transform = np.array([[1, 0, 0, 0.5201], [0, -1, 0, -0.0305], [0, 0, -1, 0.9], [0, 0, 0, 1.0]])
    stalled, answers = threading.Event(), threading.Event()

    def read_accepted(context):
        if stalled.is_set():
            assert answers.wait(60.0)
        return AcceptedResult(
            "session-1", "R. Ode", transform, None, None, is_newest=False, board_corners_m=np.zeros((1, 0, 3))
        )

    monkeypatch.setattr("eyebolt.daemon.executor.read_accepted", read_accepted)
    with serving(recorded_cell.station(tmp_path), OddCamera()) as port, Robot(port) as robot:
        assert robot.say("result 1") == "0,1,520.1,-30.5,900,0,1,0,0"
        stalled.set()
        try:
            # Without waiting for the disk: that answers only afterwards.
            assert robot.say("result 2") == "0,2,520.1,-30.5,900,0,1,0,0"
            assert robot.say("status 3") == "0,3,0,8"
        finally:
            answers.set()
        assert robot.say("result 4") == "0,4,520.1,-30.5,900,0,1,0,0"
