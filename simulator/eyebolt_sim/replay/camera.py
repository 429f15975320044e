"""The camera of a replay: pushes the recorded image of the current line at the rate of a live camera."""

from __future__ import annotations

import contextlib
import threading
import time
import uuid
from dataclasses import dataclass
from types import TracebackType

import numpy as np
import zmq

from eyebolt.addresses import is_ipv6_endpoint
from eyebolt.cameras import Pixels, encode_frame
from eyebolt_sim.replay.faults import ImageFault

_PERIOD_S = 0.05
# A moving board returns after this many images, and moves by at most this many pixels between two.
_STEPS, _MAX_STEP_PX = 16, 4


@dataclass(frozen=True)
class CameraView:
    """What the camera exposes."""

    pixels: Pixels
    """the image, (H, W) or (H, W, 3)"""
    since_ns: int
    """start of the view, monotonic nanoseconds"""
    fault: ImageFault | None = None
    """injected fault"""
    step_px: int = 0
    """shift to the right from one image to the next"""


class ReplayCamera:
    """Pushes images to ``endpoint`` from a thread; a context manager."""

    def __init__(self, endpoint: str) -> None:
        self._endpoint = endpoint
        self._context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        self._socket = self._context.socket(zmq.PUSH)
        self._socket.setsockopt(zmq.SNDHWM, 1)
        self._socket.setsockopt(zmq.LINGER, 0)
        self._socket.setsockopt(zmq.IPV6, is_ipv6_endpoint(endpoint))
        self._socket.connect(endpoint)
        self._boot_id = uuid.uuid4().hex
        self._frame_id = 0
        self._view: CameraView | None = None
        self._changed = threading.Event()
        self._stop = False
        self._thread = threading.Thread(target=self._push, name="replay camera", daemon=True)

    def __enter__(self) -> ReplayCamera:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop = True
        self._changed.set()
        self._thread.join()
        self._context.destroy(linger=0)

    def show(self, pixels: Pixels, fault: ImageFault | None = None) -> None:
        """From now on expose ``pixels`` (H, W) or (H, W, 3), with a fault if one is given."""
        self._set_view(CameraView(pixels, time.monotonic_ns(), fault))

    def show_moving(self, pixels: Pixels, shift_px: float) -> None:
        """From now on expose ``pixels``, shifted by about ``shift_px`` from one image to the next."""
        step_px = min(max(1, round(shift_px)), _MAX_STEP_PX)
        self._set_view(CameraView(pixels, time.monotonic_ns(), step_px=step_px))

    def _set_view(self, view: CameraView) -> None:
        before = self._view
        if before is not None and before.fault is not None and before.fault.restarts_camera:
            self._boot_id = uuid.uuid4().hex
        self._view = view
        self._changed.set()

    def _push(self) -> None:
        while not self._stop:
            self._changed.clear()
            # The send fails while no daemon is connected.
            with contextlib.suppress(zmq.Again):
                self._expose()
            self._changed.wait(_PERIOD_S)

    def _expose(self) -> None:
        # The clock is read before the view, so that an earlier view never gets a later timestamp.
        exposed_ns = time.monotonic_ns()
        view = self._view
        if view is None:
            return
        fault = view.fault
        if fault is not None and not fault.delivers(exposed_ns - view.since_ns):
            return
        pixels = view.pixels
        if view.step_px:
            pixels = np.roll(pixels, view.step_px * (self._frame_id % _STEPS), axis=1)
        timestamp_ns = exposed_ns if fault is None else fault.timestamp_ns(exposed_ns, view.since_ns)
        header, raw = encode_frame(pixels, frame_id=self._frame_id, boot_id=self._boot_id, exposed_ns=timestamp_ns)
        self._frame_id += 1
        self._socket.send_multipart([header, raw if fault is None else fault.payload(raw)], zmq.NOBLOCK)
