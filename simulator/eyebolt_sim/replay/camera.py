"""The camera of a replay: pushes the recorded picture of the line in work, as often as a live camera would."""

from __future__ import annotations

import contextlib
import threading
import time
import uuid
from dataclasses import dataclass
from types import TracebackType

import numpy as np
import zmq

from eyebolt.cameras import Pixels, encode_frame
from eyebolt_sim.replay.line_faults import ReplayFault

_PERIOD_S = 0.05
_DROPPED_NS = 500_000_000
# A board that moves is back where it was after so many pictures, and steps no farther than this between two.
_STEPS, _MOST_STEP_PX = 16, 4


@dataclass(frozen=True)
class CameraView:
    """What the camera sees from ``since_ns`` on, and the fault laid over it.

    The board moves by ``step_px`` to the right from one picture to the next.
    """

    pixels: Pixels
    since_ns: int
    fault: ReplayFault | None = None
    step_px: int = 0


class ReplayCamera:
    """Pushes to ``endpoint`` from a thread of its own while it is open (use it in a ``with``)."""

    def __init__(self, endpoint: str) -> None:
        self._endpoint = endpoint
        self._context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        self._socket = self._context.socket(zmq.PUSH)
        self._socket.setsockopt(zmq.SNDHWM, 1)
        self._socket.setsockopt(zmq.LINGER, 0)
        self._socket.connect(endpoint)
        self._boot_id = uuid.uuid4().hex
        self._number = 0
        self._view: CameraView | None = None
        self._changed = threading.Event()
        self._stop = False
        self._thread = threading.Thread(target=self._push, name="replayed pictures", daemon=True)

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

    def show(self, pixels: Pixels, fault: ReplayFault | None = None) -> None:
        """From now on the camera sees ``pixels`` (H, W) or (H, W, 3), and this fault is laid over it."""
        self._set_view(CameraView(pixels, time.monotonic_ns(), fault))

    def show_moving(self, pixels: Pixels, shift_px: float) -> None:
        """The same for a board that does not stand still: it moved by ``shift_px`` between two looks."""
        step_px = min(max(1, round(shift_px)), _MOST_STEP_PX)
        self._set_view(CameraView(pixels, time.monotonic_ns(), step_px=step_px))

    def _set_view(self, view: CameraView) -> None:
        before = self._view
        if before is not None and before.fault is not None and before.fault.name == "camera-lost":
            self._boot_id = uuid.uuid4().hex
        self._view = view
        self._changed.set()

    def _push(self) -> None:
        while not self._stop:
            self._changed.clear()
            # Nobody may be listening yet.
            with contextlib.suppress(zmq.Again):
                self._expose()
            self._changed.wait(_PERIOD_S)

    def _expose(self) -> None:
        # The clock before the view: what was in view earlier never bears a later date.
        exposed_ns = time.monotonic_ns()
        view = self._view
        if view is None:
            return
        fault = "" if view.fault is None else view.fault.name
        if fault == "camera-lost" or (fault == "dropped" and exposed_ns < view.since_ns + _DROPPED_NS):
            return
        pixels = view.pixels
        if view.step_px:
            pixels = np.roll(pixels, view.step_px * (self._number % _STEPS), axis=1)
        stamp_ns = view.since_ns if fault == "stale" else exposed_ns
        header, raw = encode_frame(pixels, frame_id=self._number, boot_id=self._boot_id, exposed_ns=stamp_ns)
        self._number += 1
        self._socket.send_multipart([header, raw[:-7] if fault == "truncated" else raw], zmq.NOBLOCK)
