"""A camera that exposes when it is asked to, over ZeroMQ: the simulator's camera, or a bridge to a triggered one."""

from __future__ import annotations

import contextlib
import math
import threading
import time

import zmq

from eyebolt.cameras.camera import (
    NS_PER_S,
    CameraHealth,
    Frame,
    camera_closed,
    camera_lost,
    deadline_after,
    no_fresh_frame,
    remaining_s,
    wait_until,
)
from eyebolt.cameras.frame_message import MAX_FRAME_BYTES, ErrorReply, FrameMessage, decode_reply, encode_request
from eyebolt.errors import CameraFault, InputFault

_POLL_S = 0.05
# Connecting takes milliseconds on one computer; a peer that is still missing after this is not there.
_CONNECT_S = 1.0


class SimulatedCamera:
    """A DEALER that connects to the ROUTER at ``endpoint`` and asks it for one exposure at a time; method "trigger".

    Request and reply are those of ``frame_message``: the ROUTER receives [identity, request] and sends [identity,
    header, bytes]. Replies to earlier requests are dropped; a frame whose exposure lies outside [request, arrival] is
    refused. IMMEDIATE keeps a request from waiting for a peer that is not there. After any fault the socket is made
    anew. Raises InputFault ``camera-endpoint``.
    """

    def __init__(self, endpoint: str) -> None:
        self._endpoint = endpoint
        self._context = zmq.Context()
        self._closed = threading.Event()
        self._lock = threading.Lock()
        self._request_id = 0
        self._last_error = ""
        try:
            self._socket = self._connect()
        except zmq.ZMQError as why:
            self._context.destroy(linger=0)
            raise InputFault(
                "camera-endpoint",
                f"cannot connect to the camera endpoint {endpoint}: {why.strerror}",
                'write it as "tcp://127.0.0.1:4761" or "ipc:///path/to/file".',
                endpoint=endpoint,
            ) from None

    def grab(self, not_before_ns: int, timeout_s: float) -> Frame:
        """A picture exposed for this request; see Camera.grab."""
        deadline_ns = deadline_after(timeout_s)
        with self._lock:
            if self._closed.is_set():
                raise camera_closed(self._endpoint)
            try:
                frame = self._request_frame(not_before_ns, deadline_ns)
            except CameraFault as fault:
                self._reconnect(fault.message)
                if fault.code == "bad-frame":
                    raise no_fresh_frame(self._endpoint, fault.message) from None
                raise
            except zmq.ZMQError as why:
                self._reconnect(why.strerror)
                raise camera_lost(self._endpoint, why.strerror) from None
            self._last_error = ""
            return frame

    def health(self) -> CameraHealth:
        """Whether the peer is connected, and the last trouble."""
        if self._closed.is_set():
            return CameraHealth(False, f"{self._endpoint}: closed")
        if not self._lock.acquire(blocking=False):
            return CameraHealth(True, f"{self._endpoint}: exposing")
        try:
            connected = not self._closed.is_set() and self._can_send(0.0)
        finally:
            self._lock.release()
        message = "connected" if connected else "not connected"
        return CameraHealth(
            connected, f"{self._endpoint}: {message}" + (f"; {self._last_error}" if self._last_error else "")
        )

    def close(self) -> None:
        """Free the socket; a grab under way ends with CameraFault ``camera-lost``."""
        self._closed.set()
        with self._lock:
            self._context.destroy(linger=0)

    def _request_frame(self, not_before_ns: int, deadline_ns: int) -> Frame:
        if not wait_until(not_before_ns, deadline_ns, self._closed):
            if self._closed.is_set():
                raise camera_closed(self._endpoint)
            raise no_fresh_frame(self._endpoint, "the requested instant lies beyond the time-out")
        self._wait_for_peer(min(deadline_ns, deadline_after(_CONNECT_S)))
        self._request_id += 1
        try:
            self._socket.send(encode_request(not_before_ns, self._request_id), zmq.NOBLOCK)
        except zmq.Again:
            raise camera_lost(self._endpoint, "nothing answers there") from None
        message, arrived_ns = self._wait_for_reply(deadline_ns)
        if not not_before_ns <= message.exposed_ns <= arrived_ns:
            exposed_ms, arrived_ms = ((instant - not_before_ns) / 1e6 for instant in (message.exposed_ns, arrived_ns))
            raise no_fresh_frame(
                self._endpoint,
                f"its picture is dated {exposed_ms:+.1f} ms from the request and arrived after {arrived_ms:.1f} ms",
            )
        name = f"{message.boot_id}/{message.frame_id}"
        return Frame(message.pixels(), message.exposed_ns, arrived_ns, "trigger", name)

    def _wait_for_peer(self, deadline_ns: int) -> None:
        while not self._can_send(min(_POLL_S, remaining_s(deadline_ns))):
            if self._closed.is_set():
                raise camera_closed(self._endpoint)
            if remaining_s(deadline_ns) == 0:
                raise camera_lost(self._endpoint, "nothing answers there")

    def _wait_for_reply(self, deadline_ns: int) -> tuple[FrameMessage, int]:
        while True:
            if self._socket.poll(_ceil_ms(min(_POLL_S, remaining_s(deadline_ns))), zmq.POLLIN):
                parts = self._socket.recv_multipart()
                arrived_ns = time.monotonic_ns()
                reply = decode_reply(parts)
                if reply.request_id == self._request_id:
                    if isinstance(reply, ErrorReply):
                        raise no_fresh_frame(self._endpoint, f"it answered: {reply.error}")
                    return reply, arrived_ns
            elif not self._can_send(0.0):
                raise camera_lost(self._endpoint, "the connection broke after the request")
            if self._closed.is_set():
                raise camera_closed(self._endpoint)
            if remaining_s(deadline_ns) == 0:
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
        socket.setsockopt(zmq.HEARTBEAT_TIMEOUT, round(2.0 * NS_PER_S / 1e6))
        try:
            socket.connect(self._endpoint)
        except zmq.ZMQError:
            socket.close(linger=0)
            raise
        return socket


def _ceil_ms(seconds: float) -> int:
    # Rounded up: a poll of 0 ms in a loop would spin until the deadline.
    return math.ceil(seconds * 1000)
