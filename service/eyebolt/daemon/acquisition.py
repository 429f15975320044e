"""Taking an image and detecting the board in it: the work of the camera thread and of the detection thread.

Where the session commands it, a preview frame is taken before the image. The board is searched in it while the camera
thread waits for the image, so that the comparison of the two costs the robot no time.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, replace

import structlog

from eyebolt.boards import Detection, NoDetection, find_board, to_gray
from eyebolt.cameras import Camera, Frame, Pixels, wrong_size
from eyebolt.context import StationContext
from eyebolt.errors import CameraFault, EyeboltError
from eyebolt.observations import BoardPose, MotionCheck, View, compare_images, measure_view
from eyebolt.session import PREVIEW_LEAD_NS
from eyebolt.session import messages as msg

# A request has its final reply within 30 s: detection, solve and disk need the rest.
GRAB_TIMEOUT_S = 10.0

# Images that are followed are kept until the live poses show whether the arm stood still: a third of a second of them,
# and the longest delay of the poses.
MAX_FOLLOWED_IMAGES = 24
MAX_FOLLOWED_BYTES = 160_000_000

DetectionResult = Detection | NoDetection

_log = structlog.get_logger("session")


@dataclass(frozen=True)
class _Preview:
    exposed_ns: int
    """When its exposure began."""
    found: Future[DetectionResult]
    """The board in it."""


@dataclass(frozen=True)
class SearchedImage:
    """An image in which the board was searched."""

    frame: Frame
    detection: DetectionResult
    view: View | None
    """Its measures; None if they were not measured."""
    board_pose: BoardPose | None
    """Pose of the board; None if it was not fitted, or the corners allow none."""
    is_followed: bool
    """The image is one of those that a guided arm is followed in, not that of a request."""


class ImageAcquisition:
    """Keeps the pixels of the newest image between the steps. ``submit`` runs a function in the detection thread."""

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
        # By number: the image and what was found in it, once it was searched.
        self._followed: dict[int, tuple[Frame, DetectionResult]] = {}
        self._followed_lock = threading.Lock()
        self.newest_searched: SearchedImage | None = None
        """The newest image that was searched for a request or for guided capture; may be read in any thread."""

    def follow(self, not_before_ns: int) -> Frame:
        """In the camera thread: the next image of a guided session. Raises CameraFault."""
        return self._grab(not_before_ns)

    def keep_followed(self, number: int, frame: Frame, detection: DetectionResult) -> int:
        """Keeps an image that was searched, for a pair; returns the number of the oldest one that is still kept."""
        self.newest_searched = SearchedImage(frame, detection, None, None, is_followed=True)
        with self._followed_lock:
            self._followed[number] = frame, detection
            limit = max(3, min(MAX_FOLLOWED_IMAGES, MAX_FOLLOWED_BYTES // max(frame.pixels.nbytes, 1)))
            while len(self._followed) > limit:
                del self._followed[next(iter(self._followed))]
            return next(iter(self._followed))

    def forget_followed(self) -> None:
        """Drops the images of a guided session."""
        with self._followed_lock:
            self._followed.clear()

    def frame(self, task: int) -> Frame | None:
        """The image of a task, while it is the newest one."""
        return self._frames.get(task)

    def grab(self, command: msg.Grab) -> msg.Event:
        """In the camera thread: Grabbed or GrabFailed."""
        try:
            frame = self._grab_with_preview(command)
        except CameraFault as fault:
            return msg.GrabFailed(command.task, fault.code, fault.message)
        except Exception as error:
            _log.exception("camera reader failed unexpectedly")
            return msg.GrabFailed(command.task, "camera-lost", f"the camera reader failed unexpectedly: {error!r}")
        if frame.exposed_ns < command.not_before_ns:
            return msg.GrabFailed(
                command.task, "no-fresh-frame", "the camera delivered an image exposed before the request"
            )
        # Only the newest image is kept in memory; all are on disk.
        self._frames = {command.task: frame}
        return msg.Grabbed(
            command.task, frame.exposed_ns, frame.arrived_ns, frame.method, frame.name, frame.source_path
        )

    def detect(self, command: msg.Detect, load: Callable[[str], Pixels]) -> msg.Event:
        """In the detection thread: Detected or WorkerFailed. ``load`` reads an image that is no longer in memory."""
        try:
            frame = self.frame(command.task)
            pixels = frame.pixels if frame is not None else load(command.name)
            started_ns = time.monotonic_ns()
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
            if frame is not None:
                self.newest_searched = SearchedImage(frame, detection, view, board_pose, is_followed=False)
            return msg.Detected(
                command.task, detection, view, board_pose, found_ns - started_ns, time.monotonic_ns() - found_ns
            )
        except EyeboltError as fault:
            return msg.WorkerFailed(command.task, fault.message)
        except Exception as error:
            _log.exception("board detection failed unexpectedly")
            return msg.WorkerFailed(command.task, f"board detection failed unexpectedly: {error!r}")

    def _grab_with_preview(self, command: msg.Grab) -> Frame:
        self._previews = {}
        if command.followed_image is not None:
            return self._followed_frame(command, command.followed_image)
        if command.preview_not_before_ns is None:
            return self._grab(command.not_before_ns)
        first = self._grab(command.preview_not_before_ns)
        if first.method == "replay":
            # Recorded images come one for each request: this is the one.
            time.sleep(max(0.0, (command.not_before_ns - time.monotonic_ns()) / 1e9))
            handed_out_ns = time.monotonic_ns()
            return replace(first, exposed_ns=handed_out_ns, arrived_ns=handed_out_ns)
        found = self._submit(lambda: find_board(first.pixels, self._context.board))
        self._previews = {command.task: _Preview(first.exposed_ns, found)}
        return self._grab(max(command.not_before_ns, first.exposed_ns + PREVIEW_LEAD_NS))

    def _followed_frame(self, command: msg.Grab, number: int) -> Frame:
        """The image of a guided pair; the one before it takes the place of the preview frame."""
        with self._followed_lock:
            kept = self._followed.get(number)
            before = next((self._followed[n] for n in sorted(self._followed, reverse=True) if n < number), None)
        if kept is None:
            raise CameraFault(
                "no-fresh-frame",
                "the image at which the arm stood still is no longer in memory",
                "hold the arm still again; if it persists, this computer is too slow for the camera's images.",
            )
        if before is not None and command.preview_not_before_ns is not None:
            found: Future[DetectionResult] = Future()
            found.set_result(before[1])
            self._previews = {command.task: _Preview(before[0].exposed_ns, found)}
        return kept[0]

    def _grab(self, not_before_ns: int) -> Frame:
        wait_s = max(0.0, (not_before_ns - time.monotonic_ns()) / 1e9)
        frame = self._camera.grab(not_before_ns, GRAB_TIMEOUT_S + wait_s)
        # Sources that do not know the size beforehand: the image is neither stored nor searched.
        wanted_px = self._context.session_config.lens_size_px
        shape: tuple[int, ...] = getattr(frame.pixels, "shape", ())
        if len(shape) >= 2 and (shape[1], shape[0]) != wanted_px:
            raise wrong_size(frame.name, (shape[1], shape[0]), wanted_px)
        return frame

    def _compare_with_preview(
        self, task: int, frame: Frame | None, detection: DetectionResult
    ) -> tuple[MotionCheck | None, str]:
        """The comparison with the preview frame, or why there is none."""
        preview = self._previews.pop(task, None)
        if preview is None or frame is None:
            return None, "one image only: motion cannot be determined"
        try:
            # The detection thread works in order: the preview frame was searched before this image.
            earlier = preview.found.result(timeout=0)
        except Exception as error:
            return None, f"the preview frame could not be used: {error!r}"
        if isinstance(earlier, NoDetection) or isinstance(detection, NoDetection):
            return None, "the board was not detected in both images"
        motion_check = compare_images(earlier, detection, (frame.exposed_ns - preview.exposed_ns) / 1e6)
        return motion_check, "" if motion_check is not None else "too few corners were detected in both images"
