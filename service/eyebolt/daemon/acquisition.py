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

from eyebolt.boards import Detection, NoDetection, find_board, to_gray
from eyebolt.cameras import Camera, Frame, Pixels
from eyebolt.context import StationContext
from eyebolt.errors import CameraFault, EyeboltError
from eyebolt.observations import MotionCheck, compare_images, measure_view
from eyebolt.session import PREVIEW_LEAD_NS
from eyebolt.session import messages as msg

# Below the 30 s in which every request must have its final code, with room for board and solve.
GRAB_TIMEOUT_S = 10.0

DetectionResult = Detection | NoDetection

_log = structlog.get_logger("session")


@dataclass(frozen=True)
class _Preview:
    exposed_ns: int
    found: Future[DetectionResult]


class ImageAcquisition:
    """Keeps the pixels of the newest picture between the steps. ``submit`` runs a function in the worker."""

    def __init__(
        self,
        context: StationContext,
        camera: Camera,
        submit: Callable[[Callable[[], DetectionResult]], Future[DetectionResult]],
    ) -> None:
        self._context = context
        self._camera = camera
        self._submit = submit
        self._frames: dict[int, Frame] = {}
        self._previews: dict[int, _Preview] = {}

    def frame(self, task: int) -> Frame | None:
        """The picture of a task, while it is the newest one."""
        return self._frames.get(task)

    def grab(self, command: msg.Grab) -> msg.Event:
        """In the camera's thread: Grabbed or GrabFailed."""
        try:
            frame = self._grab_with_preview(command)
        except CameraFault as fault:
            return msg.GrabFailed(command.task, fault.code, fault.message)
        except Exception as error:
            _log.exception("camera reader failed unexpectedly")
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
            detection = find_board(pixels, self._context.board)
            found_ns = time.monotonic_ns()
            motion_check, motion_unchecked_reason = self._compare_with_preview(command.task, frame, detection)
            view, board_pose = measure_view(
                to_gray(pixels),
                detection,
                self._context.lens,
                self._context.board,
                motion_check,
                motion_unchecked_reason,
            )
            return msg.Detected(
                command.task, detection, view, board_pose, found_ns - begun_ns, time.monotonic_ns() - found_ns
            )
        except EyeboltError as fault:
            return msg.WorkerFailed(command.task, fault.message)
        except Exception as error:
            _log.exception("board detection failed unexpectedly")
            return msg.WorkerFailed(command.task, f"finding the board broke down: {error!r}")

    def _grab_with_preview(self, command: msg.Grab) -> Frame:
        self._previews = {}
        if command.preview_not_before_ns is None:
            return self._grab(command.not_before_ns)
        first = self._grab(command.preview_not_before_ns)
        if first.method == "replay":
            # Recorded pictures come one for each request: this is the one.
            time.sleep(max(0.0, (command.not_before_ns - time.monotonic_ns()) / 1e9))
            handed_out_ns = time.monotonic_ns()
            return replace(first, exposed_ns=handed_out_ns, arrived_ns=handed_out_ns)
        found = self._submit(lambda: find_board(first.pixels, self._context.board))
        self._previews = {command.task: _Preview(first.exposed_ns, found)}
        return self._grab(max(command.not_before_ns, first.exposed_ns + PREVIEW_LEAD_NS))

    def _grab(self, not_before_ns: int) -> Frame:
        wait_s = max(0.0, (not_before_ns - time.monotonic_ns()) / 1e9)
        return self._camera.grab(not_before_ns, GRAB_TIMEOUT_S + wait_s)

    def _compare_with_preview(
        self, task: int, frame: Frame | None, detection: DetectionResult
    ) -> tuple[MotionCheck | None, str]:
        """What the glance tells, or why it tells nothing."""
        preview = self._previews.pop(task, None)
        if preview is None or frame is None:
            return None, "one picture only: whether the board was still is not known"
        try:
            # The worker does one thing after the other: this was done before.
            earlier = preview.found.result(timeout=0)
        except Exception as error:
            return None, f"the picture before could not be used: {error!r}"
        if isinstance(earlier, NoDetection) or isinstance(detection, NoDetection):
            return None, "the board was not seen in both pictures"
        motion_check = compare_images(earlier, detection, (frame.exposed_ns - preview.exposed_ns) / 1e6)
        return motion_check, "" if motion_check is not None else "too few corners were seen in both pictures"
