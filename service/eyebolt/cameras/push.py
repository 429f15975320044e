"""Images that another program on this computer sends, each with the instant of its exposure."""

from __future__ import annotations

import errno
import threading
import time
from collections import deque
from dataclasses import dataclass
from pathlib import Path

import zmq

from eyebolt.cameras.camera import (
    Frame,
    FreshnessMethod,
    camera_closed,
    camera_lost,
    no_fresh_frame,
    wrong_size,
    wrong_size_status,
)
from eyebolt.cameras.frame_message import MAX_FRAME_BYTES, FrameHeader, FrameMessage, decode_frame
from eyebolt.deadline import NS_PER_S
from eyebolt.errors import CameraFault, EyeboltError, InputFault, MachineFault
from eyebolt.protocol import LinkStatus
from eyebolt.security import ZapAuthenticator

_POLL_MS = 50
_RATE_WINDOW = 30
_REJECTION_SHOWN_S = 10.0


@dataclass(frozen=True)
class _ReceivedFrame:
    message: FrameMessage
    arrived_ns: int


class PushCamera:
    """Binds a ZeroMQ PULL socket at ``endpoint`` ("tcp://127.0.0.1:4760", "ipc:///run/cell/camera"); senders PUSH.

    Messages are those of ``frame_message``. A thread drains the socket and keeps the newest frame only. A frame whose
    exposure is not before its arrival is rejected; so is one from a sender that another has replaced: a new ``boot_id``
    begins a new epoch and ends the previous one for good. Method TIMESTAMP. The instants are comparable on one computer
    only: a sender on another one is rejected if its clock is ahead, and never fresh if its clock is behind.
    ``silence_timeout_s``: after so long without a frame the source counts as gone.
    ``keys``: the station's key folder, for an endpoint that other computers can reach. ``size_px``: (width, height)
    that is wanted; the pixels of another size are dropped on arrival, and ``grab`` refuses it.
    Raises InputFault ``camera-endpoint`` or one about keys, or MachineFault ``port-taken``.
    """

    def __init__(
        self,
        endpoint: str,
        silence_timeout_s: float = 2.0,
        keys: Path | None = None,
        size_px: tuple[int, int] | None = None,
    ) -> None:
        self._size_px = size_px
        self._endpoint = endpoint
        self._silence_timeout_ns = round(silence_timeout_s * NS_PER_S)
        self._context = zmq.Context()
        self._socket = self._context.socket(zmq.PULL)
        self._socket.setsockopt(zmq.LINGER, 0)
        self._socket.setsockopt(zmq.RCVHWM, 2)
        self._socket.setsockopt(zmq.MAXMSGSIZE, MAX_FRAME_BYTES)
        self._authenticator = ZapAuthenticator(self._context, "camera")
        try:
            self._authenticator.bind(self._socket, endpoint, keys)
        except (zmq.ZMQError, EyeboltError) as error:
            self._authenticator.close()
            self._context.destroy(linger=0)
            raise (_bind_fault(endpoint, error) if isinstance(error, zmq.ZMQError) else error) from None
        self._condition = threading.Condition()
        self._closed = False
        self._newest: _ReceivedFrame | None = None
        self._boot_id: str | None = None
        self._replaced_boot_ids: deque[str] = deque(maxlen=64)
        self._arrival_times_ns: deque[int] = deque(maxlen=_RATE_WINDOW)
        self._rejection = ""
        self._rejected_ns = 0
        self._thread = threading.Thread(target=self._receive_loop, name=f"eyebolt-camera-push {endpoint}", daemon=True)
        self._thread.start()

    def grab(self, not_before_ns: int, timeout_s: float) -> Frame:
        """The newest frame, once its exposure began at or after ``not_before_ns``; see Camera.grab."""
        with self._condition:
            self._condition.wait_for(
                lambda: self._closed or self._fresh_frame(not_before_ns) is not None, max(timeout_s, 0.0)
            )
            if self._closed:
                raise camera_closed(self._endpoint)
            fresh = self._fresh_frame(not_before_ns)
            if fresh is None:
                raise self._no_fresh_frame_fault(not_before_ns)
        return self._frame(fresh)

    def observe(self, after_ns: int, timeout_s: float) -> Frame | None:
        """The newest frame exposed after ``after_ns``; see StreamingCamera.observe."""
        with self._condition:
            self._condition.wait_for(
                lambda: self._closed or self._fresh_frame(after_ns + 1) is not None, max(timeout_s, 0.0)
            )
            if self._closed:
                raise camera_closed(self._endpoint)
            fresh = self._fresh_frame(after_ns + 1)
        return None if fresh is None else self._frame(fresh)

    def health(self) -> LinkStatus:
        """Whether frames arrive, at what rate, and the reason of the latest rejection."""
        with self._condition:
            if self._closed:
                return LinkStatus(is_connected=False, message=f"{self._endpoint}: closed")
            is_alive, message = self._connection_state()
            rejection = self._recent_rejection()
            text = f"{self._endpoint}: {message}" + (f"; rejected: {rejection}" if rejection else "")
            if is_alive and self._newest is not None and self._size_px is not None:
                header = self._newest.message.header
                if header.size_px != self._size_px:
                    return wrong_size_status(self._endpoint, header.size_px, self._size_px)
            return LinkStatus(is_connected=is_alive, message=text)

    def close(self) -> None:
        """Ends the thread and frees the port."""
        with self._condition:
            self._closed = True
            self._condition.notify_all()
        self._thread.join()

    def _receive_loop(self) -> None:
        try:
            while not self._closed:
                if self._socket.poll(_POLL_MS):
                    frames = self._socket.recv_multipart(copy=False)
                    arrived_ns = time.monotonic_ns()
                    if self._authenticator.is_authorized(frames[0]):
                        self._receive([frame.bytes for frame in frames], arrived_ns)
                    else:
                        self._reject_revoked(arrived_ns)
        finally:
            self._authenticator.close()
            self._context.destroy(linger=0)

    def _receive(self, parts: list[bytes], arrived_ns: int) -> None:
        with self._condition:
            try:
                message = decode_frame(parts)
            except CameraFault as fault:
                self._newest = None
                self._reject(fault.message, arrived_ns)
                return
            header = message.header
            rejection = self._rejection_reason(header, arrived_ns)
            if rejection:
                self._reject(rejection, arrived_ns)
                return
            if header.boot_id != self._boot_id:
                if self._boot_id is not None:
                    self._replaced_boot_ids.append(self._boot_id)
                self._boot_id = header.boot_id
                self._newest = None
                self._arrival_times_ns.clear()
                self._rejection = ""
            self._arrival_times_ns.append(arrived_ns)
            if self._newest is None or header.exposed_ns > self._newest.message.header.exposed_ns:
                if self._size_px is not None and header.size_px != self._size_px:
                    message = FrameMessage(header, b"")
                self._newest = _ReceivedFrame(message, arrived_ns)
                self._condition.notify_all()

    def _reject_revoked(self, arrived_ns: int) -> None:
        self._authenticator.log_revoked("", self._endpoint)
        with self._condition:
            self._reject("the sender's key is no longer authorized", arrived_ns)

    def _reject(self, reason: str, arrived_ns: int) -> None:
        self._rejection = reason
        self._rejected_ns = arrived_ns

    def _recent_rejection(self) -> str:
        recent = time.monotonic_ns() - self._rejected_ns <= _REJECTION_SHOWN_S * NS_PER_S
        return self._rejection if recent else ""

    def _rejection_reason(self, header: FrameHeader, arrived_ns: int) -> str:
        if header.boot_id in self._replaced_boot_ids:
            return f"sender {header.boot_id} still sends although {self._boot_id} took over; let one program send"
        if header.exposed_ns > arrived_ns:
            ahead_ms = (header.exposed_ns - arrived_ns) / 1e6
            return f"an image dated {ahead_ms:.1f} ms after its arrival: exposed_ns is not this computer's clock"
        return ""

    def _frame(self, received: _ReceivedFrame) -> Frame:
        """Raises CameraFault ``image-size``."""
        message, header = received.message, received.message.header
        if self._size_px is not None and header.size_px != self._size_px:
            raise wrong_size(message.name, header.size_px, self._size_px)
        return Frame(message.pixels(), header.exposed_ns, received.arrived_ns, FreshnessMethod.TIMESTAMP, message.name)

    def _fresh_frame(self, not_before_ns: int) -> _ReceivedFrame | None:
        newest = self._newest
        return newest if newest is not None and newest.message.header.exposed_ns >= not_before_ns else None

    def _connection_state(self) -> tuple[bool, str]:
        if not self._arrival_times_ns:
            return False, "no sender yet"
        silent_ns = time.monotonic_ns() - self._arrival_times_ns[-1]
        if silent_ns > self._silence_timeout_ns:
            return False, f"silent for {silent_ns / NS_PER_S:.0f} s"
        span_ns = self._arrival_times_ns[-1] - self._arrival_times_ns[0]
        if span_ns <= 0:
            return True, "the first image arrived"
        return True, f"{(len(self._arrival_times_ns) - 1) * NS_PER_S / span_ns:.1f} images per second"

    def _no_fresh_frame_fault(self, not_before_ns: int) -> CameraFault:
        is_alive, message = self._connection_state()
        rejection = self._recent_rejection()
        detail = f"{message}; rejected: {rejection}" if rejection else message
        if self._newest is not None:
            early_s = (not_before_ns - self._newest.message.header.exposed_ns) / NS_PER_S
            detail += f"; the newest image was exposed {early_s:.3f} s before the request"
        # A sender whose every message is rejected is connected, but delivers no usable frame.
        if is_alive or rejection:
            return no_fresh_frame(self._endpoint, detail)
        return camera_lost(self._endpoint, detail)


def _bind_fault(endpoint: str, error: zmq.ZMQError) -> InputFault | MachineFault:
    if error.errno == zmq.EADDRINUSE:
        return MachineFault(
            "port-taken",
            f"another program listens at the camera endpoint {endpoint}",
            "end it, or choose another endpoint in [camera] of the station file.",
            endpoint=endpoint,
        )
    # libzmq has a number of its own for an address that no interface has.
    is_elsewhere = error.errno in (errno.ENODEV, errno.EADDRNOTAVAIL)
    reason = "this computer has no such address" if is_elsewhere else error.strerror
    return InputFault(
        "camera-endpoint",
        f"cannot listen at the camera endpoint {endpoint}: {reason}",
        'write it as "tcp://127.0.0.1:4760" or "ipc:///path/to/file", with an address of this computer.',
        endpoint=endpoint,
    )
