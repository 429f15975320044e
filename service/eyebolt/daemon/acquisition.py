"""Taking a picture and measuring it: what the camera's thread and the worker do for one request.

Where the session asks for a glance, a picture is taken before the one that counts; the board is found in it while the
camera's thread waits for the next one, so that comparing the two costs the robot no time of its own.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, replace

import structlog

from eyebolt.boards import NoSighting, Sighting, as_gray, find_board
from eyebolt.cameras import Camera, Frame, Pixels
from eyebolt.context import StationInputs
from eyebolt.errors import CameraFault, EyeboltError
from eyebolt.observations import Stillness, compare_pictures, measure_view
from eyebolt.session import STILL_FOR_NS
from eyebolt.session import messages as msg

# Below the 30 s in which every request must have its final code, with room for board and solve.
GRAB_WITHIN_S = 10.0

Found = Sighting | NoSighting

_log = structlog.get_logger("session")


@dataclass(frozen=True)
class _Glance:
    exposed_ns: int
    found: Future[Found]


class Picturing:
    """Keeps the pixels of the newest picture between the steps. ``in_worker`` runs a function in the worker."""

    def __init__(
        self, inputs: StationInputs, camera: Camera, in_worker: Callable[[Callable[[], Found]], Future[Found]]
    ) -> None:
        self._inputs = inputs
        self._camera = camera
        self._in_worker = in_worker
        self._frames: dict[int, Frame] = {}
        self._glances: dict[int, _Glance] = {}

    def frame(self, task: int) -> Frame | None:
        """The picture of a task, while it is the newest one."""
        return self._frames.get(task)

    def grab(self, command: msg.Grab) -> msg.Event:
        """In the camera's thread: Grabbed or GrabFailed."""
        try:
            frame = self._take(command)
        except CameraFault as fault:
            return msg.GrabFailed(command.task, fault.code, fault.message)
        except Exception as error:
            _log.exception("a camera broke down")
            return msg.GrabFailed(command.task, "camera-lost", f"the camera's reader broke down: {error!r}")
        if frame.exposed_ns < command.not_before_ns:
            return msg.GrabFailed(command.task, "no-fresh-frame", "the camera handed out an older picture")
        # Only the newest picture is kept in memory; all are on disk.
        self._frames = {command.task: frame}
        return msg.Grabbed(command.task, frame.exposed_ns, frame.arrived_ns, frame.method, frame.name)

    def detect(self, command: msg.Detect, load: Callable[[str], Pixels]) -> msg.Event:
        """In the worker: Detected or WorkFailed. ``load`` reads a picture that is no longer in memory."""
        try:
            frame = self.frame(command.task)
            pixels = frame.pixels if frame is not None else load(command.name)
            begun_ns = time.monotonic_ns()
            seen = find_board(pixels, self._inputs.board)
            found_ns = time.monotonic_ns()
            still, still_says = self._compare(command.task, frame, seen)
            view = measure_view(as_gray(pixels), seen, self._inputs.lens, self._inputs.board, still, still_says)
            return msg.Detected(command.task, seen, view, found_ns - begun_ns, time.monotonic_ns() - found_ns)
        except EyeboltError as fault:
            return msg.WorkFailed(command.task, fault.message)
        except Exception as error:
            _log.exception("finding the board broke down")
            return msg.WorkFailed(command.task, f"finding the board broke down: {error!r}")

    def _take(self, command: msg.Grab) -> Frame:
        self._glances = {}
        if command.glance_ns is None:
            return self._grab(command.not_before_ns)
        first = self._grab(command.glance_ns)
        if first.method == "replay":
            # Recorded pictures come one for each request: this is the one.
            time.sleep(max(0.0, (command.not_before_ns - time.monotonic_ns()) / 1e9))
            handed_out_ns = time.monotonic_ns()
            return replace(first, exposed_ns=handed_out_ns, arrived_ns=handed_out_ns)
        found = self._in_worker(lambda: find_board(first.pixels, self._inputs.board))
        self._glances = {command.task: _Glance(first.exposed_ns, found)}
        return self._grab(max(command.not_before_ns, first.exposed_ns + STILL_FOR_NS))

    def _grab(self, not_before_ns: int) -> Frame:
        wait_s = max(0.0, (not_before_ns - time.monotonic_ns()) / 1e9)
        return self._camera.grab(not_before_ns, GRAB_WITHIN_S + wait_s)

    def _compare(self, task: int, frame: Frame | None, seen: Found) -> tuple[Stillness | None, str]:
        """What the glance tells, or why it tells nothing."""
        glance = self._glances.pop(task, None)
        if glance is None or frame is None:
            return None, "one picture only: whether the board was still is not known"
        try:
            # The worker does one thing after the other: this was done before.
            earlier = glance.found.result(timeout=0)
        except Exception as error:
            return None, f"the picture before could not be used: {error!r}"
        if isinstance(earlier, NoSighting) or isinstance(seen, NoSighting):
            return None, "the board was not seen in both pictures"
        still = compare_pictures(earlier, seen, (frame.exposed_ns - glance.exposed_ns) / 1e6)
        return still, "" if still is not None else "too few corners were seen in both pictures"
