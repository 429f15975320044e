"""A camera that exposes on request, over ZeroMQ: the simulator's camera, or a bridge to a triggered one."""

from __future__ import annotations

import contextlib
import math
import threading
import time

import zmq

from eyebolt.addresses import is_ipv6_endpoint
from eyebolt.cameras.camera import Frame, FreshnessMethod, camera_closed, camera_lost, no_fresh_frame, wrong_size
from eyebolt.cameras.frame_message import MAX_FRAME_BYTES, FrameMessage, decode_reply, encode_request
from eyebolt.deadline import Deadline
from eyebolt.errors import CameraFault, InputFault
from eyebolt.protocol import LinkStatus

_POLL_S = 0.05
# Connecting takes milliseconds on one computer; after this time there is no peer.
_CONNECT_S = 1.0


class SimulatedCamera:
    """A DEALER that connects to the ROUTER at ``endpoint`` and requests one exposure at a time; method TRIGGER.

    Request and reply are those of ``frame_message``: the ROUTER receives [identity, request] and sends [identity,
    header, bytes]. Replies to earlier requests are dropped; a frame whose exposure lies outside [request, arrival] is
    rejected. ZMQ_IMMEDIATE keeps a request from queueing for a peer that is not there. After any fault the socket is
    replaced. ``size_px``: (width, height) that is wanted; another size is refused before its pixels are copied.
    Raises InputFault ``camera-endpoint``.
    """

    def __init__(self, endpoint: str, size_px: tuple[int, int] | None = None) -> None:
        self._endpoint = endpoint
        self._size_px = size_px
        self._context = zmq.Context()
        self._closed = threading.Event()
        self._lock = threading.Lock()
        self._request_id = 0
        self._last_error = ""
        try:
            self._socket = self._connect()
        except zmq.ZMQError as error:
            self._context.destroy(linger=0)
            raise InputFault(
                "camera-endpoint",
                f"cannot connect to the camera endpoint {endpoint}: {error.strerror}",
                'write it as "tcp://127.0.0.1:4761" or "ipc:///path/to/file".',
                endpoint=endpoint,
            ) from None

    def grab(self, not_before_ns: int, timeout_s: float) -> Frame:
        """An image exposed for this request; see Camera.grab."""
        deadline = Deadline.after(timeout_s)
        with self._lock:
            if self._closed.is_set():
                raise camera_closed(self._endpoint)
            try:
                frame = self._request_frame(not_before_ns, deadline)
            except CameraFault as fault:
                self._reconnect(fault.message)
                if fault.code == "bad-frame":
                    raise no_fresh_frame(self._endpoint, fault.message) from None
                raise
            except zmq.ZMQError as error:
                self._reconnect(error.strerror)
                raise camera_lost(self._endpoint, error.strerror) from None
            self._last_error = ""
            return frame

    def health(self) -> LinkStatus:
        """Whether the peer is connected, and the latest error."""
        if self._closed.is_set():
            return LinkStatus(is_connected=False, message=f"{self._endpoint}: closed")
        if not self._lock.acquire(blocking=False):
            return LinkStatus(is_connected=True, message=f"{self._endpoint}: exposing")
        try:
            is_connected = not self._closed.is_set() and self._can_send(0.0)
        finally:
            self._lock.release()
        message = "connected" if is_connected else "not connected"
        error = f"; last fault: {self._last_error}" if self._last_error else ""
        return LinkStatus(is_connected=is_connected, message=f"{self._endpoint}: {message}{error}")

    def close(self) -> None:
        """Frees the socket; a grab under way ends with CameraFault ``camera-lost``."""
        self._closed.set()
        with self._lock:
            self._context.destroy(linger=0)

    def _request_frame(self, not_before_ns: int, deadline: Deadline) -> Frame:
        if not deadline.sleep_until(not_before_ns, self._closed):
            if self._closed.is_set():
                raise camera_closed(self._endpoint)
            raise no_fresh_frame(self._endpoint, "the requested instant lies beyond the time-out")
        self._wait_for_peer(deadline.at_most(_CONNECT_S))
        self._request_id += 1
        try:
            self._socket.send(encode_request(not_before_ns, self._request_id), zmq.NOBLOCK)
        except zmq.Again:
            raise camera_lost(self._endpoint, "nothing answers there") from None
        message, arrived_ns = self._wait_for_reply(deadline)
        exposed_ns = message.header.exposed_ns
        if not not_before_ns <= exposed_ns <= arrived_ns:
            exposed_ms, arrived_ms = ((instant - not_before_ns) / 1e6 for instant in (exposed_ns, arrived_ns))
            raise no_fresh_frame(
                self._endpoint,
                f"its image is dated {exposed_ms:+.1f} ms from the request and arrived after {arrived_ms:.1f} ms",
            )
        if self._size_px is not None and message.header.size_px != self._size_px:
            raise wrong_size(message.name, message.header.size_px, self._size_px)
        return Frame(message.pixels(), exposed_ns, arrived_ns, FreshnessMethod.TRIGGER, message.name)

    def _wait_for_peer(self, deadline: Deadline) -> None:
        while not self._can_send(min(_POLL_S, deadline.remaining_s)):
            if self._closed.is_set():
                raise camera_closed(self._endpoint)
            if deadline.has_passed:
                raise camera_lost(self._endpoint, "nothing answers there")

    def _wait_for_reply(self, deadline: Deadline) -> tuple[FrameMessage, int]:
        while True:
            if self._socket.poll(_ceil_ms(min(_POLL_S, deadline.remaining_s)), zmq.POLLIN):
                parts = self._socket.recv_multipart()
                arrived_ns = time.monotonic_ns()
                reply = decode_reply(parts)
                if isinstance(reply, FrameMessage):
                    if reply.header.request_id == self._request_id:
                        return reply, arrived_ns
                elif reply.request_id == self._request_id:
                    raise no_fresh_frame(self._endpoint, f"it answered: {reply.error}")
            elif not self._can_send(0.0):
                raise camera_lost(self._endpoint, "the connection broke after the request")
            if self._closed.is_set():
                raise camera_closed(self._endpoint)
            if deadline.has_passed:
                raise no_fresh_frame(self._endpoint, "it is connected but did not answer in time")

    def _can_send(self, timeout_s: float) -> bool:
        return bool(self._socket.poll(_ceil_ms(timeout_s), zmq.POLLOUT))

    def _reconnect(self, error: str) -> None:
        self._last_error = error
        if not self._closed.is_set():
            self._socket.close(linger=0)
            with contextlib.suppress(zmq.ZMQError):
                self._socket = self._connect()

    def _connect(self) -> zmq.Socket[bytes]:
        socket = self._context.socket(zmq.DEALER)
        socket.setsockopt(zmq.LINGER, 0)
        socket.setsockopt(zmq.IMMEDIATE, 1)
        socket.setsockopt(zmq.RECONNECT_IVL, 50)
        socket.setsockopt(zmq.MAXMSGSIZE, MAX_FRAME_BYTES)
        socket.setsockopt(zmq.HEARTBEAT_IVL, 500)
        socket.setsockopt(zmq.HEARTBEAT_TIMEOUT, 2000)
        socket.setsockopt(zmq.IPV6, is_ipv6_endpoint(self._endpoint))
        try:
            socket.connect(self._endpoint)
        except zmq.ZMQError:
            socket.close(linger=0)
            raise
        return socket


def _ceil_ms(seconds: float) -> int:
    # Rounded up: polling for 0 ms in a loop would spin until the deadline.
    return math.ceil(seconds * 1000)
