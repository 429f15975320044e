"""Views of a real daemon over its sockets, and what the view thread does by itself."""

import threading
import time

import cv2
import numpy as np
import pytest
import zmq

from eyebolt.boards import Detection, NoDetection, find_board
from eyebolt.cameras import Frame, FreshnessMethod
from eyebolt.context import load_context
from eyebolt.daemon.acquisition import SearchedImage
from eyebolt.daemon.camera_view import ViewComposer, measure_board
from eyebolt.daemon.live_view import LiveView
from eyebolt.daemon.proving import ResultProver
from eyebolt.daemon.status_publisher import MAX_VIEW_SUBSCRIBERS, StatusPublisher
from eyebolt.protocol import Code, LinkStatus, ViewMessage
from eyebolt.session import ImageFact, State
from support.daemon_process import Robot, free_ports
from support.processes import until
from support.push_camera_cell import PushingCamera
from support.recorded_facts import newest_facts
from support.view_subscriber import BareSubscriber


def test_views_are_published_while_somebody_subscribes_and_a_capture_is_served_between_them(
    pushed_cell, start_daemon, tmp_path
):
    station = pushed_cell.station(tmp_path)
    daemon = start_daemon(station)
    with BareSubscriber(station, b"status", b"") as watcher, Robot(daemon.port) as robot:
        with PushingCamera(pushed_cell, tmp_path):
            assert watcher.after_statuses(2) == 0, "nobody subscribes to the views"
            watcher.subscribe()
            view = watcher.view(lambda message: message.found)
            message = view.message
            assert (message.image_size, message.view_size, message.reason) == ((640, 480), (640, 480), None)
            assert not message.is_of_capture and abs(message.time_s - time.time()) < 60
            picture = cv2.imdecode(np.frombuffer(view.jpeg, np.uint8), cv2.IMREAD_GRAYSCALE)
            assert picture.shape == (480, 640)
            robot.say("hello 0")
            began = len(watcher.views)
            for seq in (1, 2, 3):
                assert robot.final(pushed_cell.line("check", seq, 0))[0] == 0
            watcher.view()
            assert len(watcher.views) > began
            frames = [fact.frame for fact in newest_facts(station, ImageFact)]
            assert len(frames) == 3 and all(frame.exposed_ns >= frame.received_ns for frame in frames)
            watcher.subscribe(wanted=False)
            watcher.after_statuses(1)
            assert watcher.after_statuses(2) == 0, "nobody subscribes any more"
        # Nothing is sent any more.
        watcher.subscribe()
        silent = watcher.view(lambda message: message.reason is not None)
        assert silent.jpeg == b"" and silent.message.view_size is None and not silent.message.found
        assert silent.message.reason.code in (Code.CAMERA_LOST, Code.NO_FRESH_FRAME)
        assert "no image for" in silent.message.reason.message
    assert "exception" not in daemon.text()


def test_a_camera_that_gives_images_at_captures_only_shows_the_newest_one(recorded_cell, start_daemon, tmp_path):
    station = recorded_cell.station(tmp_path)
    daemon = start_daemon(station)
    with BareSubscriber(station, b"status", b"view") as watcher, Robot(daemon.port) as robot:
        first = watcher.view()
        assert first.jpeg == b"" and first.message.reason.code is Code.NO_FRESH_FRAME
        robot.say("hello 0")
        assert robot.final(recorded_cell.capture(1))[0] == 0
        view = watcher.view(lambda message: message.found)
        assert view.message.is_of_capture and view.jpeg
        assert (view.message.image_size, view.message.view_size) == ((1280, 960), (960, 720))
        # For who subscribes later, also when nobody did meanwhile.
        with BareSubscriber(station, b"view") as late:
            assert late.view().message == view.message
        watcher.subscribe(wanted=False)
        watcher.after_statuses(2)
        watcher.subscribe()
        assert watcher.view().message.corners_px == view.message.corners_px


class FakeCamera:
    """Streams one image for ever, or nothing; a source of images at request only has no ``observe``."""

    def __init__(self, pixels):
        self.pixels = pixels

    def observe(self, after_ns, timeout_s):
        if self.pixels is None:
            time.sleep(0.001)
            return None
        now_ns = time.monotonic_ns()
        return Frame(self.pixels, now_ns, now_ns, FreshnessMethod.TIMESTAMP, "frame")

    def grab(self, not_before_ns, timeout_s):
        raise AssertionError("a view requests no image")

    def health(self):
        return LinkStatus(is_connected=True, message="fake")

    def close(self):
        pass


@pytest.fixture(scope="module")
def context(pushed_cell, tmp_path_factory):
    return load_context(pushed_cell.station(tmp_path_factory.mktemp("context")))


@pytest.fixture
def view_of(context):
    """Starts a view thread of a camera; ends it with the test."""
    started = []

    def start(camera, is_busy=lambda: False, newest=lambda: None):
        published = []
        prover = ResultProver(context, lambda: State(context.session_config))
        view = LiveView(context, camera, prover, newest, lambda: True, is_busy, lambda *parts: published.append(parts))
        view.start()
        started.append(view)
        return published

    yield start
    for view in started:
        view.close()


def test_nothing_is_done_while_a_request_is_in_progress(view_of, pushed_cell):
    """The request comes at every instant at which the thread looks: it looks again before each step."""
    for steps_before in range(1, 9):
        lock, looks = threading.Lock(), []

        def is_busy(steps_before=steps_before, lock=lock, looks=looks):
            with lock:
                looks.append(1)
                return len(looks) >= steps_before

        published = view_of(FakeCamera(pushed_cell.images[0]), is_busy)
        until(lambda looks=looks, limit=steps_before: len(looks) > limit + 3, "further looks")
        # It looks before the frame is taken, before and after the search, before prediction, image and message.
        assert len(published) == (1 if steps_before == 8 else 0), steps_before


def test_followed_images_of_a_guided_arm_are_shown_as_they_were_searched(view_of, pushed_cell, context):
    frame = FakeCamera(pushed_cell.images[0]).observe(0, 0)
    detection = find_board(frame.pixels, context.board)
    followed = SearchedImage(frame, detection, None, None, is_followed=True)
    published = view_of(FakeCamera(None), newest=lambda: followed)
    until(lambda: published, "a view")
    message = ViewMessage.model_validate_json(published[0][0])
    assert message.found and not message.is_of_capture and len(message.corners_px) == len(detection.ids)


@pytest.mark.parametrize("depth", ["gray", "colour", "16 bit", "12 of 16 bit"])
def test_points_are_those_of_the_picture_that_is_sent(recorded_cell, tmp_path, depth):
    """Measured in the decoded picture by the product's own detector; corners and outline are scaled with it."""
    context = load_context(recorded_cell.station(tmp_path))
    pixels = cv2.imread(str(sorted(recorded_cell.images.iterdir())[0]), cv2.IMREAD_GRAYSCALE)
    if depth == "colour":
        pixels = np.repeat(pixels[:, :, None], 3, axis=2)
    elif depth != "gray":
        pixels = pixels.astype(np.uint16) * (257 if depth == "16 bit" else 16)
    detection = find_board(pixels, context.board)
    now_ns = time.monotonic_ns()
    frame = Frame(pixels, now_ns, now_ns, FreshnessMethod.TIMESTAMP, "frame")
    seen = measure_board(context, pixels, detection)
    message, jpeg = ViewComposer(context).compose(
        frame, seen, is_of_capture=False, predicted=seen.board_pose.camera_T_board
    )
    picture = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_UNCHANGED)
    assert (picture.shape[1], picture.shape[0]) == message.view_size == (960, 720)
    there = find_board(picture, context.board)
    assert isinstance(there, Detection)
    common, first, second = np.intersect1d(detection.ids, there.ids, return_indices=True)
    apart_px = np.array(message.corners_px)[first] - there.corners_px[second]
    assert len(common) > 60 and np.abs(np.median(apart_px, axis=0)).max() < 0.05 and np.abs(apart_px).max() < 0.5
    # The outline is that of the squares, one square beyond the outermost inner corners.
    inner = np.array(message.corners_px, np.float32).reshape(-1, 1, 2)
    outline = np.array(message.board_outline_px, np.float32).reshape(-1, 1, 2)
    assert cv2.contourArea(cv2.convexHull(inner)) < cv2.contourArea(outline)
    assert all(cv2.pointPolygonTest(outline, tuple(map(float, point)), False) > 0 for point in inner[:, 0])
    assert message.predicted_outline_px == message.board_outline_px
    on_board = np.median(picture[cv2.fillConvexPoly(np.zeros(picture.shape[:2], np.uint8),
                                                    cv2.convexHull(inner.astype(np.int32)), 1) > 0])  # fmt: skip
    shown = message.brightness * (16 if depth == "12 of 16 bit" else 1)
    assert shown == pytest.approx(on_board / 255, abs=0.05)
    assert message.edge_blur_px == round(detection.blur_px, 2)
    assert message.tilt_deg == round(seen.view.tilt_deg, 1)


def test_an_image_without_the_board_has_the_reason_that_a_capture_would_get(context):
    pixels = np.full((480, 640), 3, np.uint8)
    detection = find_board(pixels, context.board)
    assert isinstance(detection, NoDetection)
    frame = Frame(pixels, time.monotonic_ns(), time.monotonic_ns(), FreshnessMethod.TIMESTAMP, "frame")
    message, jpeg = ViewComposer(context).compose(
        frame, measure_board(context, pixels, detection), is_of_capture=False, predicted=np.diag([1, 1, 1, 1.0])
    )
    assert jpeg and not message.found and message.reason.code is Code.BAD_EXPOSURE
    assert message.brightness == pytest.approx(3 / 255, abs=0.002) and message.saturated_fraction == 0
    # A board through the middle of the camera is not drawn.
    assert message.predicted_outline_px is None and message.board_outline_px is None


def test_a_crowd_of_view_subscribers_is_bounded(tmp_path):
    (port,) = free_ports(1)
    publisher, context = StatusPublisher(f"tcp://127.0.0.1:{port}"), zmq.Context()
    try:
        sockets = []
        for _ in range(MAX_VIEW_SUBSCRIBERS + 3):
            socket = context.socket(zmq.SUB)
            socket.setsockopt(zmq.SUBSCRIBE, b"view")
            socket.connect(f"tcp://127.0.0.1:{port}")
            sockets.append(socket)

        def receiving():
            publisher.publish_view(b"{}", b"jpeg")
            return sum(1 for socket in sockets if socket.poll(1)) == MAX_VIEW_SUBSCRIBERS

        until(receiving, "views at all that are served")
        assert publisher.has_view_subscribers
        context.destroy(linger=0)
        until(lambda: not publisher.has_view_subscribers, "the end of the subscriptions")
    finally:
        context.destroy(linger=0)
        publisher.close()
