"""A video file, one image for each request."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import cv2

from eyebolt.cameras.camera import Frame, FreshnessMethod, camera_closed, copy_pixels, no_fresh_frame
from eyebolt.deadline import Deadline
from eyebolt.errors import CameraFault, InputFault
from eyebolt.protocol import LinkStatus


class VideoFileCamera:
    """Each grab takes the next image of the file ``path``; its exposure instant is the delivery, method REPLAY.

    Images are named "<file name>#<number from 0>"; ``start_after`` is the name of the last one that an earlier run
    used. Raises InputFault ``camera-recording`` if the file cannot be read as video or ``start_after`` names no image
    of this file.
    """

    def __init__(self, path: Path | str, start_after: str | None = None) -> None:
        self._path = Path(path)
        self._source_path = str(self._path.resolve())
        self._closed = threading.Event()
        self._lock = threading.Lock()
        self._next_index = 0
        self._capture = cv2.VideoCapture(str(self._path), cv2.CAP_FFMPEG)
        if not self._capture.isOpened():
            raise _video_file_fault(f"{self._path} cannot be read as video")
        if start_after is not None:
            name, mark, number = start_after.rpartition("#")
            if name != self._path.name or not mark or not (number.isascii() and number.isdigit()):
                raise _video_file_fault(f'"{start_after}" is not an image of {self._path}')
            # Seeking is inexact in many container formats; decoding frame by frame is exact.
            while self._next_index <= int(number) and self._capture.grab():
                self._next_index += 1

    def grab(self, not_before_ns: int, timeout_s: float) -> Frame:
        """The next image; see Camera.grab. Fault ``images-exhausted`` at the end of the file."""
        if not Deadline.after(timeout_s).sleep_until(not_before_ns, self._closed) and not self._closed.is_set():
            raise no_fresh_frame(str(self._path), "the requested instant lies beyond the time-out")
        with self._lock:
            if self._closed.is_set():
                raise camera_closed(str(self._path))
            delivered_ns = time.monotonic_ns()
            read, image = self._capture.read()
            if not read:
                raise CameraFault(
                    "images-exhausted",
                    f"no image is left in {self._path} after the first {self._next_index}",
                    "end the session, or use a longer recording.",
                )
            name = f"{self._path.name}#{self._next_index}"
            self._next_index += 1
            arrived_ns = time.monotonic_ns()
            return Frame(copy_pixels(image), delivered_ns, arrived_ns, FreshnessMethod.REPLAY, name, self._source_path)

    def health(self) -> LinkStatus:
        """The number of images delivered."""
        if self._closed.is_set():
            return LinkStatus(is_connected=False, message=f"{self._path}: closed")
        return LinkStatus(is_connected=True, message=f"{self._path}: {self._next_index} images delivered")

    def close(self) -> None:
        """Closes the file."""
        self._closed.set()
        with self._lock:
            self._capture.release()


def _video_file_fault(message: str) -> InputFault:
    return InputFault(
        "camera-recording", message, "correct path in [camera] of the station file, or begin a new session."
    )
