"""Views between captures, in a thread of its own, while somebody subscribes to them; and views for the live proof.

A request comes first: while one is in progress nothing is taken, searched or published here, and work that was begun is
dropped before its next step. Between two views the thread rests for three times as long as it worked, so that it
takes a quarter of a processor at most. Its priority is that of the others: at a lower one it could be suspended while
it holds the interpreter, and the loop would wait for it.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

import structlog

from eyebolt.boards import Detection, GrayImage, NoDetection, to_gray
from eyebolt.cameras import Camera, Frame, StreamingCamera
from eyebolt.context import StationContext
from eyebolt.daemon.acquisition import SearchedImage
from eyebolt.daemon.camera_view import SeenBoard, ViewComposer, measure_board
from eyebolt.daemon.proving import ResultProver
from eyebolt.errors import CameraFault
from eyebolt.guidance import THOROUGH_INTERVAL_S, BoardFollower
from eyebolt.protocol import Code, ViewMessage
from eyebolt.session import code_without_image

_INTERVAL_S = 0.1
# The newest view again, for who subscribed meanwhile, and the reason why there is none.
_REPEAT_S = 1.0
_REST_FACTOR = 3.0
_BUSY_POLL_S = 0.02
_OBSERVE_TIMEOUT_S = 0.5
# A camera of one frame a second is not silent.
_SILENT_S = 2.0
# The size of the images that THOROUGH_INTERVAL_S is meant for; smaller ones are searched in less time.
_THOROUGH_MEGAPIXELS = 5.0
# Between two looks at the live poses, while nobody subscribes.
_FOLLOWING_S = 0.25
# Images of a guided arm that are older have been superseded by those of the camera.
_MAX_FOLLOWED_AGE_S = 0.3

_log = structlog.get_logger("view")


class _RequestCameError(Exception):
    """A request is in progress: the view is dropped."""


@dataclass(frozen=True)
class _Found:
    frame: Frame
    seen: SeenBoard
    is_of_capture: bool


class LiveView:
    """Publishes what the camera sees. ``newest_searched`` returns the newest image that was searched for a request.

    ``is_wanted``: whether anybody subscribes; ``is_busy``: whether a request is in progress; ``publish`` hands over a
    message and its JPEG. All are called in the thread.
    """

    def __init__(
        self,
        context: StationContext,
        camera: Camera,
        prover: ResultProver,
        newest_searched: Callable[[], SearchedImage | None],
        is_wanted: Callable[[], bool],
        is_busy: Callable[[], bool],
        publish: Callable[[bytes, bytes], None],
    ) -> None:
        self._context = context
        self._camera = camera
        self._prover = prover
        self._newest_searched = newest_searched
        self._is_wanted = is_wanted
        self._is_busy = is_busy
        self._publish = publish
        self._composer = ViewComposer(context)
        megapixels = context.lens.width_px * context.lens.height_px / 1e6
        self._follower = BoardFollower(context.board, THOROUGH_INTERVAL_S * megapixels / _THOROUGH_MEGAPIXELS)
        self._last_missing: NoDetection | None = None
        self._last_exposed_ns = 0
        self._last_frame_s = time.monotonic()
        self._last_searched: SearchedImage | None = None
        self._last_message: tuple[bytes, bytes] | None = None
        self._sent_s = 0.0
        self._wake = threading.Event()
        self._closed = threading.Event()
        self._thread = threading.Thread(target=self._run, name="eyebolt-view", daemon=True)

    def start(self) -> None:
        """Begins."""
        self._thread.start()

    def wake(self) -> None:
        """Somebody has subscribed, or the prover has something to do; may be called in any thread."""
        self._wake.set()

    def close(self) -> None:
        """Ends the thread; to be called once the camera is closed."""
        self._closed.set()
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join()

    def _run(self) -> None:
        while not self._closed.is_set():
            is_shown = self._is_wanted()
            if not is_shown:
                # Who subscribes next gets the newest image again.
                self._last_message = self._last_searched = None
            if not (is_shown or self._prover.has_news or self._prover.is_following):
                self._wake.wait()
                self._wake.clear()
                self._last_frame_s = time.monotonic()
                continue
            if self._is_busy():
                # The image of the request and its reply are what is seen next.
                self._closed.wait(_BUSY_POLL_S)
                continue
            begun_s = time.monotonic()
            worked_s = 0.0
            interval_s = _INTERVAL_S if is_shown else _FOLLOWING_S
            try:
                worked_s = self._show_next() if is_shown else self._prove_next()
            except _RequestCameError:
                continue
            except Exception:
                _log.exception("view failed unexpectedly")
                self._closed.wait(_REPEAT_S)
            elapsed_s = time.monotonic() - begun_s
            self._closed.wait(max(interval_s - elapsed_s, _REST_FACTOR * worked_s))

    def _show_next(self) -> float:
        """Publishes what there is to see now, if anything; the seconds of work that it took."""
        self._prover.refresh()
        try:
            taken = self._next_frame()
        except CameraFault as fault:
            code, remedy = code_without_image(fault.code)
            self._show_fault(code, fault.message, remedy)
            return 0.0
        begun_s = time.monotonic()
        if taken is None:
            self._show_silence()
            return 0.0
        found = self._search(taken) if isinstance(taken, Frame) else taken
        if found is None:
            return time.monotonic() - begun_s
        self._give_way()
        predicted = self._prover.predict(found.frame, found.seen)
        if not found.is_of_capture:
            self._prover.note_view(found.frame, found.seen)
        self._give_way()
        message, jpeg = self._composer.compose(
            found.frame,
            found.seen,
            is_of_capture=found.is_of_capture,
            predicted=predicted,
            proof=self._prover.proof,
        )
        self._give_way()
        self._send(message, jpeg)
        return time.monotonic() - begun_s

    def _prove_next(self) -> float:
        """Takes a view for the proof alone, where the arm stands still at a place that was not proven lately."""
        begun_s = time.monotonic()
        self._prover.refresh()
        if not self._prover.wants_view or not isinstance(self._camera, StreamingCamera):
            return time.monotonic() - begun_s
        try:
            frame = self._camera.observe(self._last_exposed_ns, _OBSERVE_TIMEOUT_S)
        except CameraFault:
            return 0.0
        if frame is None:
            return 0.0
        begun_s = time.monotonic()
        self._note_frame(frame)
        found = self._search(frame)
        if found is not None:
            self._prover.note_view(frame, found.seen)
        return time.monotonic() - begun_s

    def _next_frame(self) -> Frame | _Found | None:
        """An image that was searched already, or a frame of the camera; None if there is no new one."""
        searched = self._newest_searched()
        is_streaming = isinstance(self._camera, StreamingCamera)
        if searched is not None and searched is not self._last_searched:
            age_s = (time.monotonic_ns() - searched.frame.arrived_ns) / 1e9
            if not is_streaming or (searched.is_followed and age_s < _MAX_FOLLOWED_AGE_S):
                self._last_searched = searched
                self._note_frame(searched.frame)
                return _Found(searched.frame, self._measured(searched), not is_streaming and not searched.is_followed)
        if not isinstance(self._camera, StreamingCamera):
            return None
        frame = self._camera.observe(self._last_exposed_ns, _OBSERVE_TIMEOUT_S)
        if frame is not None:
            self._note_frame(frame)
        return frame

    def _note_frame(self, frame: Frame) -> None:
        self._last_exposed_ns, self._last_frame_s = frame.exposed_ns, time.monotonic()

    def _measured(self, searched: SearchedImage) -> SeenBoard:
        if searched.view is not None:
            return SeenBoard(searched.detection, searched.view, searched.board_pose)
        return measure_board(self._context, searched.frame.pixels, searched.detection)

    def _search(self, frame: Frame) -> _Found | None:
        self._give_way()
        gray: GrayImage = to_gray(frame.pixels)
        self._give_way()
        detection = self._follower.find(gray, frame.exposed_ns / 1e9)
        self._give_way()
        if detection is None:
            # Searched in vain a moment ago.
            detection = self._last_missing
        if detection is None:
            return None
        self._last_missing = None if isinstance(detection, Detection) else detection
        return _Found(frame, measure_board(self._context, gray, detection), False)

    def _give_way(self) -> None:
        if self._is_busy() or self._closed.is_set():
            raise _RequestCameError

    def _show_silence(self) -> None:
        """There is no new frame: the newest view once more, or the reason."""
        now_s = time.monotonic()
        if not isinstance(self._camera, StreamingCamera):
            if self._last_searched is None:
                self._show_first()
            elif now_s - self._sent_s >= _REPEAT_S:
                self._send_again()
            return
        if now_s - self._last_frame_s < _SILENT_S:
            return
        health = self._camera.health()
        code = Code.NO_FRESH_FRAME if health.is_connected else Code.CAMERA_LOST
        message = f"no image for {now_s - self._last_frame_s:.0f} s: {health.message}"
        self._show_fault(code, message, health.remedy or code.remedy)

    def _show_first(self) -> None:
        """No image was searched since the daemon started, and this camera gives one at a request only."""
        health = self._camera.health()
        if not health.is_connected:
            self._show_fault(Code.CAMERA_LOST, health.message, health.remedy or Code.CAMERA_LOST.remedy)
            return
        message = "this camera gives an image at each capture only, and there was none since the daemon started"
        self._show_fault(Code.NO_FRESH_FRAME, message, "Capture once: its image is shown.")

    def _show_fault(self, code: Code, message: str, remedy: str) -> None:
        if time.monotonic() - self._sent_s >= _REPEAT_S:
            self._send(self._composer.without_image(code, message, remedy, self._prover.proof), b"")

    def _send(self, message: ViewMessage, jpeg: bytes) -> None:
        self._last_message = message.to_json(), jpeg
        self._send_again()

    def _send_again(self) -> None:
        if self._last_message is not None:
            self._publish(*self._last_message)
            self._sent_s = time.monotonic()
