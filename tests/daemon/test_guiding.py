"""Guided capture in the daemon: images and live poses in, requests of pairs out. Instants are made up."""

import asyncio
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from eyebolt.boards import Detection
from eyebolt.cameras import Frame, FreshnessMethod
from eyebolt.context import load_context
from eyebolt.daemon.acquisition import MAX_FOLLOWED_IMAGES, ImageAcquisition
from eyebolt.daemon.guiding import GuidedCapture
from eyebolt.errors import CameraFault
from eyebolt.geometry import se3
from eyebolt.protocol import Code, GuidancePhase, Reply
from eyebolt.session import SessionLog, State
from eyebolt.session import messages as msg
from eyebolt_sim.demo_cell import write_demo_cell
from support.session_world import GOOD_LIGHT

PIXELS = np.zeros((1024, 1280), np.uint8)


class Cell:
    """An executor whose camera shows a board at rest, with the poses that arrive before each image."""

    def __init__(self, context, streams=True):
        self.context = context
        self.acquisition = ImageAcquisition(context, None, None)
        points = se3.apply(se3.exp([-0.13, -0.1, 0.8, 0, 0, 0]), context.board.corners_m())
        corners_px = context.lens.project(points)
        self.seen = Detection(np.arange(len(corners_px)), corners_px, GOOD_LIGHT, (1280, 1024), 0.6)
        self.state = State(context.session_config, SessionLog(name="session-1", is_guided=True))
        self.capture = GuidedCapture(context, self, lambda: self.state, self.submit_pair, lambda: None)
        self.capture._follower = SimpleNamespace(find=lambda gray, exposed_s: self.seen)
        self.streams = streams
        self.images = 0
        self.pairs = []
        self.done = asyncio.Event()

    async def follow_image(self, not_before_ns):
        self.images += 1
        if self.images > 200:
            self.done.set()
        begin_ns = 1_000_000_000 + self.images * 33_000_000
        for k in range(4 if self.streams else 0):
            self.capture.add_pose(3, (400.0, 0.0, 300.0, 1.0, 0.0, 0.0, 0.0), begin_ns + k * 8_000_000)
        await asyncio.sleep(0)
        return Frame(PIXELS, begin_ns, begin_ns + 20_000_000, FreshnessMethod.TIMESTAMP, str(self.images))

    async def in_detection_thread(self, work):
        return work()

    async def submit_pair(self, line, at_ns, guided):
        self.pairs.append((line, at_ns, guided))
        self.done.set()
        return Reply(Code.OK, 1000001, 1, 7)

    def run(self):
        async def until_done():
            task = asyncio.create_task(self.capture.run())
            await asyncio.wait_for(self.done.wait(), 60)
            task.cancel()

        asyncio.run(until_done())


@pytest.fixture
def context(tmp_path):
    path = write_demo_cell(tmp_path / "cell", "fixed")
    text = path.read_text().replace("[robot]\n", 'control = "tcp://127.0.0.1:4752"\n\n[robot]\nguided = true\n', 1)
    path.write_text(text)
    return load_context(path)


def test_a_pair_is_requested_where_the_arm_stands_still(context):
    assert context.session_config.guided
    cell = Cell(context)
    cell.run()
    line, at_ns, guided = cell.pairs[0]
    assert line.split()[:3] == ["400.000000000", "0.000000000", "300.000000000"]
    begin_ns = 1_000_000_000 + guided.image * 33_000_000
    assert at_ns + context.session_config.settle_ns == begin_ns
    assert guided.delay_ms is None
    assert guided.predicted_px < 0.07
    after_s, poses = guided.live_poses.decode()
    # From the first pose to those that show that any delay would have been at rest.
    assert len(poses) > 40
    assert after_s[0] < -0.05 < 0.25 < after_s[-1]
    assert np.allclose(poses[:, :3, 3], [0.4, 0.0, 0.3], atol=1e-6)
    # The kept image is that of the pair, and the one before it the preview frame.
    grabbed = cell.acquisition.grab(msg.Grab(5, begin_ns, begin_ns - 1, guided.image))
    assert isinstance(grabbed, msg.Grabbed)
    assert grabbed.frame_name == str(guided.image)
    assert cell.acquisition._previews[5].exposed_ns == begin_ns - 33_000_000


def test_nothing_is_taken_without_poses_or_in_another_session(context):
    silent = Cell(context, streams=False)
    silent.run()
    assert silent.images > 100
    assert not silent.pairs
    assert silent.capture.status().phase is GuidancePhase.NO_POSES
    other = Cell(context)
    other.state = replace(other.state, log=SessionLog(name="session-1"))
    other.done.set()
    other.run()
    assert not other.images
    assert other.capture.status() is None


def test_an_image_that_is_no_longer_in_memory_is_refused(context):
    acquisition = ImageAcquisition(context, None, ThreadPoolExecutor(1).submit)
    for number in range(100):
        frame = Frame(PIXELS, number * 1000, number * 1000 + 1, FreshnessMethod.TIMESTAMP, str(number))
        oldest = acquisition.keep_followed(number, frame, None)
    assert oldest == 100 - MAX_FOLLOWED_IMAGES
    failed = acquisition.grab(msg.Grab(1, 0, None, 3))
    assert isinstance(failed, msg.GrabFailed)
    assert failed.code == "no-fresh-frame"
    assert isinstance(acquisition.grab(msg.Grab(1, 0, None, 99)), msg.Grabbed)
    acquisition.forget_followed()
    with pytest.raises(CameraFault):
        acquisition._followed_frame(msg.Grab(1, 0, None, 99), 99)
