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
    left_s,
    no_fresh_frame,
    wait_for_instant,
)
from eyebolt.cameras.frame_message import MOST_FRAME_BYTES, ErrorReply, FrameMessage, decode_reply, encode_request
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
        self._using = threading.Lock()
        self._request = 0
        self._trouble = ""
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

    def grab(self, asked_ns: int, timeout_s: float) -> Frame:
        """A picture exposed for this request; see Camera.grab."""
        deadline_ns = deadline_after(timeout_s)
        with self._using:
            if self._closed.is_set():
                raise camera_closed(self._endpoint)
            try:
                frame = self._ask(asked_ns, deadline_ns)
            except CameraFault as fault:
                self._begin_epoch(fault.message)
                if fault.code == "bad-frame":
                    raise no_fresh_frame(self._endpoint, fault.message) from None
                raise
            except zmq.ZMQError as why:
                self._begin_epoch(why.strerror)
                raise camera_lost(self._endpoint, why.strerror) from None
            self._trouble = ""
            return frame

    def describe(self) -> CameraHealth:
        """Whether the peer is connected, and the last trouble."""
        if self._closed.is_set():
            return CameraHealth(False, f"{self._endpoint}: closed")
        if not self._using.acquire(blocking=False):
            return CameraHealth(True, f"{self._endpoint}: exposing")
        try:
            connected = not self._closed.is_set() and self._can_send(0.0)
        finally:
            self._using.release()
        says = "connected" if connected else "not connected"
        return CameraHealth(connected, f"{self._endpoint}: {says}" + (f"; {self._trouble}" if self._trouble else ""))

    def close(self) -> None:
        """Free the socket; a grab under way ends with CameraFault ``camera-lost``."""
        self._closed.set()
        with self._using:
            self._context.destroy(linger=0)

    def _ask(self, asked_ns: int, deadline_ns: int) -> Frame:
        if not wait_for_instant(asked_ns, deadline_ns, self._closed):
            if self._closed.is_set():
                raise camera_closed(self._endpoint)
            raise no_fresh_frame(self._endpoint, "the requested instant lies beyond the time-out")
        self._wait_for_peer(min(deadline_ns, deadline_after(_CONNECT_S)))
        self._request += 1
        try:
            self._socket.send(encode_request(asked_ns, self._request), zmq.NOBLOCK)
        except zmq.Again:
            raise camera_lost(self._endpoint, "nothing answers there") from None
        message, arrived_ns = self._wait_for_reply(deadline_ns)
        if not asked_ns <= message.exposed_ns <= arrived_ns:
            exposed_ms, arrived_ms = ((instant - asked_ns) / 1e6 for instant in (message.exposed_ns, arrived_ns))
            raise no_fresh_frame(
                self._endpoint,
                f"its picture is dated {exposed_ms:+.1f} ms from the request and arrived after {arrived_ms:.1f} ms",
            )
        name = f"{message.boot_id}/{message.frame_id}"
        return Frame(message.pixels(), message.exposed_ns, arrived_ns, "trigger", name)

    def _wait_for_peer(self, deadline_ns: int) -> None:
        while not self._can_send(min(_POLL_S, left_s(deadline_ns))):
            if self._closed.is_set():
                raise camera_closed(self._endpoint)
            if left_s(deadline_ns) == 0:
                raise camera_lost(self._endpoint, "nothing answers there")

    def _wait_for_reply(self, deadline_ns: int) -> tuple[FrameMessage, int]:
        while True:
            if self._socket.poll(_ms(min(_POLL_S, left_s(deadline_ns))), zmq.POLLIN):
                parts = self._socket.recv_multipart()
                arrived_ns = time.monotonic_ns()
                reply = decode_reply(parts)
                if reply.request == self._request:
                    if isinstance(reply, ErrorReply):
                        raise no_fresh_frame(self._endpoint, f"it answered: {reply.error}")
                    return reply, arrived_ns
            elif not self._can_send(0.0):
                raise camera_lost(self._endpoint, "the connection broke after the request")
            if self._closed.is_set():
                raise camera_closed(self._endpoint)
            if left_s(deadline_ns) == 0:
                raise no_fresh_frame(self._endpoint, "it is connected but did not answer in time")

    def _can_send(self, timeout_s: float) -> bool:
        return bool(self._socket.poll(_ms(timeout_s), zmq.POLLOUT))

    def _begin_epoch(self, trouble: str) -> None:
        self._trouble = trouble
        if not self._closed.is_set():
            self._socket.close(linger=0)
            with contextlib.suppress(zmq.ZMQError):
                self._socket = self._connect()

    def _connect(self) -> zmq.Socket[bytes]:
        socket = self._context.socket(zmq.DEALER)
        socket.setsockopt(zmq.LINGER, 0)
        socket.setsockopt(zmq.IMMEDIATE, 1)
        socket.setsockopt(zmq.RECONNECT_IVL, 50)
        socket.setsockopt(zmq.MAXMSGSIZE, MOST_FRAME_BYTES)
        socket.setsockopt(zmq.HEARTBEAT_IVL, 500)
        socket.setsockopt(zmq.HEARTBEAT_TIMEOUT, round(2.0 * NS_PER_S / 1e6))
        try:
            socket.connect(self._endpoint)
        except zmq.ZMQError:
            socket.close(linger=0)
            raise
        return socket


def _ms(seconds: float) -> int:
    # Rounded up: a poll of 0 ms in a loop would spin until the deadline.
    return math.ceil(seconds * 1000)
