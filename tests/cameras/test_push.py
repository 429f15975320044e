import contextlib
import itertools
import re
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
import zmq

from eyebolt.cameras import StreamingCamera
from eyebolt.cameras.frame_message import encode_frame
from eyebolt.cameras.push import PushCamera
from eyebolt.errors import CameraFault, InputFault, MachineFault
from eyebolt.security.key_files import make_client_keys, make_station_secret, read_client_keys
from eyebolt.testing.camera_conformance import check_camera
from support.daemon_process import free_ports
from support.processes import until

SCRIPT = Path(__file__).parents[2] / "robot_scripts" / "python" / "push_camera_sender.py"


class Sender:
    """A PUSH socket that sends images carrying their exposure instant, one by one or from a thread."""

    def __init__(self, endpoint, instant, boot_id="boot-1", keys=None):
        self.instant, self.boot_id, self.ids = instant, boot_id, itertools.count()
        self.context = zmq.Context()
        self.socket = self.context.socket(zmq.PUSH)
        self.socket.setsockopt(zmq.LINGER, 0)
        self.socket.setsockopt(zmq.IPV6, endpoint.startswith("tcp://["))
        if keys is not None:
            keys.apply_to(self.socket)
        self.socket.connect(endpoint)
        self.ended, self.quiet, self.thread = threading.Event(), threading.Event(), None

    def send(self, exposed_ns=None):
        exposed_ns = time.monotonic_ns() if exposed_ns is None else exposed_ns
        image = self.instant.paint(exposed_ns)
        self.socket.send_multipart(
            encode_frame(image, frame_id=next(self.ids), boot_id=self.boot_id, exposed_ns=exposed_ns)
        )
        return exposed_ns

    def keep_sending(self, frames_per_s=50):
        def run():
            while not self.ended.wait(1 / frames_per_s):
                if not self.quiet.is_set():
                    self.send()

        self.thread = threading.Thread(target=run)
        self.thread.start()
        return self

    @contextlib.contextmanager
    def silence(self):
        self.quiet.set()
        time.sleep(0.2)
        yield
        self.quiet.clear()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.ended.set()
        if self.thread:
            self.thread.join()
        self.context.destroy(linger=0)


@pytest.fixture
def camera(endpoint):
    with contextlib.closing(PushCamera(endpoint, silence_timeout_s=30.0)) as camera:
        yield camera


# Of a grab that is to succeed, also on a busy machine.
PATIENT_S = 120.0


def fault_of(camera, not_before_ns, timeout_s=0.3):
    with pytest.raises(CameraFault) as caught:
        camera.grab(not_before_ns, timeout_s)
    return caught.value


def wait_until(condition):
    until(condition, "the camera's state", 5.0)


def test_it_keeps_the_promise_of_a_camera(endpoint, instant):
    with Sender(endpoint, instant).keep_sending() as sender:
        found = check_camera(
            lambda: PushCamera(endpoint), lambda frame: instant.read(frame.pixels), silence=sender.silence, idle_s=0.5
        )
    assert found == []


def test_frames_queued_before_the_request_are_never_returned(camera, endpoint, instant):
    with Sender(endpoint, instant) as sender:
        for _ in range(40):
            sender.send()
        wait_until(lambda: camera.health().is_connected)
        not_before_ns = time.monotonic_ns()
        fault = fault_of(camera, not_before_ns)
        assert fault.code == "no-fresh-frame"
        assert "before the request" in fault.message
        for _ in range(40):  # a backlog that is on its way when the request comes
            sender.send(not_before_ns - 1)
        fresh_ns = sender.send()
        frame = camera.grab(not_before_ns, PATIENT_S)
        assert frame.exposed_ns == instant.read(frame.pixels) == fresh_ns
        assert (frame.method, frame.name) == ("timestamp", "boot-1/80")


def test_another_size_is_known_before_any_request(endpoint, instant):
    height, width = instant.paint(0).shape[:2]
    for size_px, is_usable in [((width + 1, height), False), ((width, height), True)]:
        opened = contextlib.closing(PushCamera(endpoint, 30.0, size_px=size_px))
        with opened as camera, Sender(endpoint, instant) as sender:
            sender.send()
            wait_until(lambda: "no sender yet" not in camera.health().message)
            assert camera.health().is_connected is is_usable
            assert ("lens file" in camera.health().message) is not is_usable
            assert bool(camera.health().remedy) is not is_usable


def test_a_spectator_gets_the_newest_frame_and_takes_none_from_a_grab(camera, endpoint, instant):
    with Sender(endpoint, instant) as sender:
        assert camera.observe(0, 0.05) is None
        first_ns, second_ns = sender.send(), sender.send()
        wait_until(lambda: camera.observe(first_ns, 0.0) is not None)
        frame = camera.observe(0, PATIENT_S)
        assert (frame.exposed_ns, instant.read(frame.pixels)) == (second_ns, second_ns)
        assert camera.observe(second_ns, 0.05) is None, "it was seen already"
        assert camera.grab(second_ns, PATIENT_S).exposed_ns == second_ns
        assert isinstance(camera, StreamingCamera)
    camera.close()
    with pytest.raises(CameraFault):
        camera.observe(0, 0.1)


def test_a_late_backlog_of_a_stopped_sender_is_harmless(endpoint, instant):
    """The camera binds after the sender has queued frames: they arrive at once, all older than the request."""
    with Sender(endpoint, instant) as sender:
        for _ in range(100):
            sender.send()
        not_before_ns = time.monotonic_ns()
        with contextlib.closing(PushCamera(endpoint)) as camera:
            assert fault_of(camera, not_before_ns, 0.5).code == "no-fresh-frame"
            fresh_ns = sender.send()
            assert camera.grab(not_before_ns, PATIENT_S).exposed_ns == fresh_ns


def test_frames_dated_in_the_future_are_rejected_and_reported(camera, endpoint, instant):
    with Sender(endpoint, instant) as sender:
        not_before_ns = time.monotonic_ns()
        sender.send(not_before_ns + 3_600 * 10**9)
        fault = fault_of(camera, not_before_ns)
        assert fault.code == "no-fresh-frame"
        assert "after its arrival" in fault.message
        assert "after its arrival" in camera.health().message
        fresh_ns = sender.send()
        assert camera.grab(not_before_ns, PATIENT_S).exposed_ns == fresh_ns


def test_a_restarted_sender_replaces_its_predecessor_for_good(camera, endpoint, instant):
    with Sender(endpoint, instant, "old") as old, Sender(endpoint, instant, "new") as new:
        old.send()
        wait_until(lambda: camera.health().is_connected)
        first_ns = new.send()
        assert camera.grab(first_ns, PATIENT_S).name == "new/0"
        not_before_ns = time.monotonic_ns()
        old.send()
        fault = fault_of(camera, not_before_ns)
        assert "let one program send" in fault.message
        not_before_ns = time.monotonic_ns()
        new.send()
        assert camera.grab(not_before_ns, PATIENT_S).name == "new/1"


def test_messages_that_are_no_frames_are_reported_and_survived(camera, endpoint, instant):
    with Sender(endpoint, instant) as sender:
        sender.socket.send_multipart([b"\x80\x04.", b"junk"])
        fault = fault_of(camera, time.monotonic_ns())
        assert fault.code == "no-fresh-frame"
        assert "JSON" in fault.message
        not_before_ns = sender.send()
        assert camera.grab(not_before_ns, PATIENT_S).exposed_ns == not_before_ns


def test_silence_and_absence_are_distinguished(endpoint, instant):
    with contextlib.closing(PushCamera(endpoint, silence_timeout_s=0.3)) as camera, Sender(endpoint, instant) as sender:
        assert "no sender yet" in camera.health().message
        fault = fault_of(camera, time.monotonic_ns())
        assert fault.code == "camera-lost"
        assert "no sender yet" in fault.message
        sender.send()
        wait_until(lambda: camera.health().is_connected)
        wait_until(lambda: not camera.health().is_connected)
        assert re.search(r"silent for \d+ s", camera.health().message)
        fault = fault_of(camera, time.monotonic_ns())
        assert fault.code == "camera-lost"
        assert re.search(r"silent for \d+ s", fault.message)


def test_close_ends_a_waiting_grab(camera):
    threading.Timer(0.2, camera.close).start()
    fault = fault_of(camera, time.monotonic_ns(), 60.0)
    assert (fault.code, "closed" in fault.message) == ("camera-lost", True)


def test_an_unavailable_endpoint_is_reported(camera, endpoint):
    with pytest.raises(MachineFault) as caught:
        PushCamera(endpoint)
    assert caught.value.code == "port-taken"
    for wrong in ("nonsense", "tcp://256.0.0.1:4760", "tcp://127.0.0.1:notaport", "ipc:///no/such/folder/x"):
        with pytest.raises(InputFault) as caught:
            PushCamera(wrong)
        assert caught.value.code == "camera-endpoint"


def test_the_sender_script_serves_fresh_moving_images_and_may_be_restarted(camera, endpoint):
    boots = set()
    for _ in range(2):
        child = subprocess.Popen([sys.executable, str(SCRIPT), endpoint, "40"])
        try:
            frames = [camera.grab(time.monotonic_ns(), PATIENT_S) for _ in range(3)]
        finally:
            child.kill()
            child.wait()
        assert not np.array_equal(frames[0].pixels, frames[1].pixels)
        assert frames[0].pixels.shape == (480, 640)
        boots |= {frame.name.split("/")[0] for frame in frames}
    assert len(boots) == 2


class StallingLine:
    """A line between sender and camera that passes so many bytes on, then none, and never closes."""

    def __init__(self, camera_port, most_bytes):
        self.server = socket.create_server(("127.0.0.1", 0))
        self.endpoint = f"tcp://127.0.0.1:{self.server.getsockname()[1]}"
        self.passed, self.most, self.ends = 0, most_bytes, []
        threading.Thread(target=self.run, args=(camera_port,), daemon=True).start()

    def run(self, camera_port):
        sender = self.server.accept()[0]
        camera = socket.create_connection(("127.0.0.1", camera_port))
        self.ends = [sender, camera]
        threading.Thread(target=self.back, args=(camera, sender), daemon=True).start()
        with contextlib.suppress(OSError):
            while self.passed < self.most and (data := sender.recv(min(4096, self.most - self.passed))):
                camera.sendall(data)
                self.passed += len(data)

    def back(self, camera, sender):
        with contextlib.suppress(OSError):
            while data := camera.recv(4096):
                sender.sendall(data)

    def close(self):
        for end in [self.server, *self.ends]:
            end.close()


def test_a_line_that_stalls_in_the_middle_of_a_frame_gives_no_half_image(instant):
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    frame_bytes = instant.paint(1).nbytes
    with (
        contextlib.closing(PushCamera(f"tcp://127.0.0.1:{port}", silence_timeout_s=0.3)) as camera,
        contextlib.closing(StallingLine(port, frame_bytes * 5 // 2)) as line,
        Sender(line.endpoint, instant) as sender,
    ):
        first = sender.send()
        assert instant.read(camera.grab(first, PATIENT_S).pixels) == first
        not_before_ns = sender.send()
        assert instant.read(camera.grab(not_before_ns, PATIENT_S).pixels) == not_before_ns
        begun_ns = sender.send()
        wait_until(lambda: line.passed == line.most)
        fault = fault_of(camera, begun_ns, 0.5)
        assert fault.code in ("no-fresh-frame", "camera-lost")
        assert not camera.health().is_connected
        # The half of a image keeps no other sender out.
        with Sender(f"tcp://127.0.0.1:{port}", instant, boot_id="boot-2").keep_sending():
            not_before_ns = time.monotonic_ns()
            assert instant.read(camera.grab(not_before_ns, PATIENT_S).pixels) >= not_before_ns


def test_images_of_a_sender_whose_key_is_revoked_are_discarded(instant, tmp_path):
    (port,) = free_ports(1)
    make_station_secret(tmp_path)
    keys = read_client_keys(make_client_keys(tmp_path, "camera", "left"))
    with (
        contextlib.closing(PushCamera(f"tcp://0.0.0.0:{port}", keys=tmp_path)) as camera,
        Sender(f"tcp://127.0.0.1:{port}", instant, keys=keys) as sender,
    ):
        sender.keep_sending()
        until(lambda: camera.health().is_connected, "an image")
        (tmp_path / "cameras/left.public").unlink()
        until(lambda: "no longer authorized" in camera.health().message, "the rejection")
        with pytest.raises(CameraFault) as fault:
            camera.grab(time.monotonic_ns(), 0.2)
        assert "no longer authorized" in fault.value.message
        make_client_keys(tmp_path, "camera", "right")
        (tmp_path / "cameras/left.public").write_text(f'public = "{zmq.curve_public(keys.secret.encode()).decode()}"\n')
        assert camera.grab(time.monotonic_ns(), 20.0).method.value == "timestamp"


def test_images_over_ipv6(instant):
    (port,) = free_ports(1)
    endpoint = f"tcp://[::1]:{port}"
    with contextlib.closing(PushCamera(endpoint)) as camera, Sender(endpoint, instant) as sender:
        sender.keep_sending()
        assert camera.grab(time.monotonic_ns(), 20.0).name
