"""Pictures that another program on this computer sends, each with the instant of its exposure."""

from __future__ import annotations

import threading
import time
from collections import deque
from dataclasses import dataclass
from pathlib import Path

import zmq

from eyebolt.cameras.camera import NS_PER_S, CameraHealth, Frame, camera_closed, camera_lost, no_fresh_frame
from eyebolt.cameras.frame_message import MOST_FRAME_BYTES, FrameMessage, decode
from eyebolt.errors import CameraFault, EyeboltError, InputFault, MachineFault
from eyebolt.security import Guard

_POLL_MS = 50
_RATE_WINDOW = 30
_REFUSALS_SHOWN_S = 10.0


@dataclass(frozen=True)
class _Arrival:
    message: FrameMessage
    arrived_ns: int


class PushCamera:
    """Binds a ZeroMQ PULL socket at ``endpoint`` ("tcp://127.0.0.1:4760", "ipc:///run/cell/camera"); senders PUSH.

    Messages are those of ``frame_message``. A thread drains the socket and keeps the newest frame only. A frame whose
    exposure is not before its arrival is refused; so is one from a sender that another has replaced: a new ``boot_id``
    begins a new epoch and ends the one before for good. Method "instant". The instants mean something on one computer
    only; a sender on another one with a later clock is refused, with an earlier clock it is never fresh.
    ``silent_after_s``: no frame for so long means that the source is gone.
    ``keys``: the station's folder of keys, for an endpoint that other computers reach.
    Raises InputFault ``camera-endpoint`` or one about keys, or MachineFault ``port-taken``.
    """

    def __init__(self, endpoint: str, silent_after_s: float = 2.0, keys: Path | None = None) -> None:
        self._endpoint = endpoint
        self._silent_after_ns = round(silent_after_s * NS_PER_S)
        self._context = zmq.Context()
        self._socket = self._context.socket(zmq.PULL)
        self._socket.setsockopt(zmq.LINGER, 0)
        self._socket.setsockopt(zmq.RCVHWM, 2)
        self._socket.setsockopt(zmq.MAXMSGSIZE, MOST_FRAME_BYTES)
        self._guard = Guard(self._context, "camera")
        try:
            self._guard.bind(self._socket, endpoint, keys)
        except (zmq.ZMQError, EyeboltError) as why:
            self._guard.close()
            self._context.destroy(linger=0)
            raise (_cannot_bind(endpoint, why) if isinstance(why, zmq.ZMQError) else why) from None
        self._changed = threading.Condition()
        self._closed = False
        self._newest: _Arrival | None = None
        self._boot_id: str | None = None
        self._replaced: deque[str] = deque(maxlen=64)
        self._arrivals: deque[int] = deque(maxlen=_RATE_WINDOW)
        self._refusal = ""
        self._refused_ns = 0
        self._thread = threading.Thread(target=self._drain, name=f"eyebolt-camera-push {endpoint}", daemon=True)
        self._thread.start()

    def grab(self, asked_ns: int, timeout_s: float) -> Frame:
        """The newest frame, once its exposure began at or after ``asked_ns``; see Camera.grab."""
        with self._changed:
            self._changed.wait_for(lambda: self._closed or self._fresh(asked_ns) is not None, max(timeout_s, 0.0))
            if self._closed:
                raise camera_closed(self._endpoint)
            fresh = self._fresh(asked_ns)
            if fresh is None:
                raise self._nothing_fresh(asked_ns)
        message = fresh.message
        name = f"{message.boot_id}/{message.frame_id}"
        return Frame(message.pixels(), message.exposed_ns, fresh.arrived_ns, "instant", name)

    def describe(self) -> CameraHealth:
        """Whether frames come, how often, and what was refused last."""
        with self._changed:
            if self._closed:
                return CameraHealth(False, f"{self._endpoint}: closed")
            alive, says = self._state()
            refusal = self._refused_lately()
            return CameraHealth(alive, f"{self._endpoint}: {says}" + (f"; refused: {refusal}" if refusal else ""))

    def close(self) -> None:
        """End the thread and free the port."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
        self._thread.join()

    def _drain(self) -> None:
        try:
            while not self._closed:
                if self._socket.poll(_POLL_MS):
                    parts = self._socket.recv_multipart()
                    self._take(parts, time.monotonic_ns())
        finally:
            self._guard.close()
            self._context.destroy(linger=0)

    def _take(self, parts: list[bytes], arrived_ns: int) -> None:
        with self._changed:
            try:
                message = decode(parts)
            except CameraFault as fault:
                self._newest = None
                self._refuse(fault.message, arrived_ns)
                return
            refusal = self._why_refused(message, arrived_ns)
            if refusal:
                self._refuse(refusal, arrived_ns)
                return
            if message.boot_id != self._boot_id:
                if self._boot_id is not None:
                    self._replaced.append(self._boot_id)
                self._boot_id = message.boot_id
                self._newest = None
                self._arrivals.clear()
                self._refusal = ""
            self._arrivals.append(arrived_ns)
            if self._newest is None or message.exposed_ns > self._newest.message.exposed_ns:
                self._newest = _Arrival(message, arrived_ns)
                self._changed.notify_all()

    def _refuse(self, why: str, arrived_ns: int) -> None:
        self._refusal = why
        self._refused_ns = arrived_ns

    def _refused_lately(self) -> str:
        recent = time.monotonic_ns() - self._refused_ns <= _REFUSALS_SHOWN_S * NS_PER_S
        return self._refusal if recent else ""

    def _why_refused(self, message: FrameMessage, arrived_ns: int) -> str:
        if message.boot_id in self._replaced:
            return f"sender {message.boot_id} goes on although {self._boot_id} took over; let one program send"
        if message.exposed_ns > arrived_ns:
            ahead_ms = (message.exposed_ns - arrived_ns) / 1e6
            return f"a picture dated {ahead_ms:.1f} ms after its arrival: exposed_ns is not this computer's clock"
        return ""

    def _fresh(self, asked_ns: int) -> _Arrival | None:
        newest = self._newest
        return newest if newest is not None and newest.message.exposed_ns >= asked_ns else None

    def _state(self) -> tuple[bool, str]:
        if not self._arrivals:
            return False, "no sender yet"
        silent_ns = time.monotonic_ns() - self._arrivals[-1]
        if silent_ns > self._silent_after_ns:
            return False, f"silent for {silent_ns / NS_PER_S:.0f} s"
        span_ns = self._arrivals[-1] - self._arrivals[0]
        if span_ns <= 0:
            return True, "the first picture came"
        return True, f"{(len(self._arrivals) - 1) * NS_PER_S / span_ns:.1f} pictures a second"

    def _nothing_fresh(self, asked_ns: int) -> CameraFault:
        alive, says = self._state()
        refusal = self._refused_lately()
        detail = f"{says}; refused: {refusal}" if refusal else says
        if self._newest is not None:
            early_s = (asked_ns - self._newest.message.exposed_ns) / NS_PER_S
            detail += f"; the newest picture was exposed {early_s:.3f} s before the request"
        # A sender whose every message is refused is there, but has nothing to give.
        if alive or refusal:
            return no_fresh_frame(self._endpoint, detail)
        return camera_lost(self._endpoint, detail)


def _cannot_bind(endpoint: str, why: zmq.ZMQError) -> InputFault | MachineFault:
    if why.errno == zmq.EADDRINUSE:
        return MachineFault(
            "port-taken",
            f"another program listens at the camera endpoint {endpoint}",
            "end it, or choose another endpoint in [camera] of the station file.",
            endpoint=endpoint,
        )
    return InputFault(
        "camera-endpoint",
        f"cannot listen at the camera endpoint {endpoint}: {why.strerror}",
        'write it as "tcp://127.0.0.1:4760" or "ipc:///path/to/file", with an address of this computer.',
        endpoint=endpoint,
    )
