import contextlib
import json
import threading
import time

import pytest
import zmq

from eyebolt.cameras.frame_message import decode_request, encode_error, encode_frame
from eyebolt.cameras.simulated import SimulatedCamera
from eyebolt.errors import CameraFault, InputFault
from eyebolt.testing.camera_conformance import check_camera


class Peer:
    """A ROUTER that exposes on request. ``answer(peer, identity, not_before_ns, request_id)`` may be replaced."""

    def __init__(self, endpoint, instant):
        self.instant, self.exposures = instant, 0
        self.answer = Peer.expose
        self.context = zmq.Context()
        self.socket = self.context.socket(zmq.ROUTER)
        self.socket.setsockopt(zmq.LINGER, 0)
        self.socket.bind(endpoint)
        self.ended = threading.Event()
        self.thread = threading.Thread(target=self.run)
        self.thread.start()

    def run(self):
        while not self.ended.is_set():
            if self.socket.poll(20):
                identity, part = self.socket.recv_multipart()
                request = decode_request(part)
                self.answer(self, identity, request.not_before_ns, request.request_id)
        self.context.destroy(linger=0)

    def expose(self, identity, not_before_ns, request_id, exposed_ns=None):
        exposed_ns = time.monotonic_ns() if exposed_ns is None else exposed_ns
        self.exposures += 1
        image = self.instant.paint(exposed_ns)
        parts = encode_frame(
            image, frame_id=self.exposures, boot_id="peer", exposed_ns=exposed_ns, request_id=request_id
        )
        self.socket.send_multipart([identity, *parts])

    def quiet(self, *_):
        pass

    @contextlib.contextmanager
    def silence(self):
        self.answer = Peer.quiet
        yield
        self.answer = Peer.expose

    def close(self):
        self.ended.set()
        self.thread.join()


@pytest.fixture
def peer(endpoint, instant):
    with contextlib.closing(Peer(endpoint, instant)) as peer:
        yield peer


@pytest.fixture
def camera(endpoint):
    with contextlib.closing(SimulatedCamera(endpoint)) as camera:
        yield camera


def fault_of(camera, timeout_s=0.3, not_before_ns=None):
    with pytest.raises(CameraFault) as caught:
        camera.grab(time.monotonic_ns() if not_before_ns is None else not_before_ns, timeout_s)
    return caught.value


def test_it_keeps_the_promise_of_a_camera(peer, endpoint, instant):
    found = check_camera(
        lambda: SimulatedCamera(endpoint), lambda frame: instant.read(frame.pixels), silence=peer.silence, idle_s=0.5
    )
    assert found == []


def test_each_grab_is_one_exposure(peer, camera):
    frames = [camera.grab(time.monotonic_ns(), 120.0) for _ in range(5)]
    assert [frame.name for frame in frames] == [f"peer/{k}" for k in range(1, 6)]
    assert {frame.method for frame in frames} == {"trigger"}
    assert peer.exposures == 5


def test_the_request_is_the_documented_text(camera, endpoint):
    with zmq.Context() as context, context.socket(zmq.ROUTER) as router:
        router.bind(endpoint)
        not_before_ns = time.monotonic_ns()
        grabbing = threading.Thread(target=lambda: fault_of(camera, 2.0, not_before_ns))
        grabbing.start()
        identity, text = router.recv_multipart()
        router.send_multipart([identity, b'{"request_id": 1, "error": "no light"}', b""])
        grabbing.join()
    assert json.loads(text) == {"not_before_ns": not_before_ns, "request_id": 1}


def test_replies_to_earlier_requests_are_dropped(peer, camera):
    def answer_twice(peer, identity, not_before_ns, request_id):
        """A slow peer: the reply to an earlier request comes first, with a valid date."""
        Peer.expose(peer, identity, not_before_ns, request_id - 1 if request_id else 0)
        peer.socket.send_multipart([identity, *encode_error(request_id + 7, "not yours")])
        Peer.expose(peer, identity, not_before_ns, request_id)

    peer.answer = answer_twice
    for k in (1, 2, 3):
        assert camera.grab(time.monotonic_ns(), 120.0).name == f"peer/{2 * k}"


def test_a_late_reply_does_not_serve_the_next_request(peer, camera):
    waiting = []
    peer.answer = lambda peer, *request_id: waiting.append(request_id)
    assert fault_of(camera).code == "no-fresh-frame"

    def answer_all(peer, *request_id):
        for late in [*waiting, request_id]:
            with contextlib.suppress(zmq.ZMQError):
                Peer.expose(peer, *late)

    peer.answer = answer_all
    not_before_ns = time.monotonic_ns()
    frame = camera.grab(not_before_ns, 120.0)
    assert frame.exposed_ns >= not_before_ns
    assert frame.name == "peer/2"


@pytest.mark.parametrize("off_ns", [-1, -(10**10), 10**10])
def test_a_frame_dated_outside_the_request_and_its_arrival_is_refused(peer, camera, off_ns):
    peer.answer = lambda peer, identity, not_before_ns, request_id: Peer.expose(
        peer, identity, not_before_ns, request_id, not_before_ns + off_ns
    )
    fault = fault_of(camera, 2.0)
    assert fault.code == "no-fresh-frame"
    assert "dated" in fault.message
    peer.answer = Peer.expose
    not_before_ns = time.monotonic_ns()
    assert camera.grab(not_before_ns, 120.0).exposed_ns >= not_before_ns


@pytest.mark.parametrize(
    ("parts", "reason"),
    [
        ([b'{"request_id": 1, "error": "the shutter sticks"}', b""], "the shutter sticks"),
        ([b"not json", b""], "JSON"),
        ([b'{"request_id": 1}', b"", b""], "parts"),
    ],
)
def test_an_error_reply_and_an_invalid_one_are_reported(peer, camera, parts, reason):
    peer.answer = lambda peer, identity, *_: peer.socket.send_multipart([identity, *parts])
    fault = fault_of(camera, 2.0)
    assert fault.code == "no-fresh-frame"
    assert reason in fault.message
    assert reason in camera.health().message
    peer.answer = Peer.expose
    assert camera.grab(time.monotonic_ns(), 120.0).pixels.shape == (48, 64)
    assert reason not in camera.health().message


def test_an_absent_peer_is_lost(camera):
    fault = fault_of(camera)
    assert fault.code == "camera-lost"
    health = camera.health()
    assert (health.is_connected, "not connected" in health.message) == (False, True)


def test_a_peer_that_dies_is_lost_and_one_that_returns_is_used_again(endpoint, instant, camera):
    with contextlib.closing(Peer(endpoint, instant)):
        camera.grab(time.monotonic_ns(), 120.0)
        assert camera.health().is_connected
    assert fault_of(camera, 30.0).code == "camera-lost"
    with contextlib.closing(Peer(endpoint, instant)):
        not_before_ns = time.monotonic_ns()
        assert camera.grab(not_before_ns, 120.0).exposed_ns >= not_before_ns


def test_a_peer_that_dies_during_the_exposure_is_lost_long_before_the_time_out(endpoint, instant, camera):
    peer = Peer(endpoint, instant)
    peer.answer = lambda peer, *_: peer.ended.set()
    fault = fault_of(camera, 120.0)
    peer.close()
    assert fault.code == "camera-lost"


def test_close_ends_a_waiting_grab(peer, camera):
    peer.answer = Peer.quiet
    threading.Timer(0.2, camera.close).start()
    fault = fault_of(camera, 120.0)
    assert (fault.code, "closed" in fault.message) == ("camera-lost", True)


def test_an_invalid_endpoint_is_reported():
    with pytest.raises(InputFault) as caught:
        SimulatedCamera("nonsense")
    assert caught.value.code == "camera-endpoint"
