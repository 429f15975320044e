"""A video file, one picture for each request."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import cv2

from eyebolt.cameras.camera import (
    CameraHealth,
    Frame,
    camera_closed,
    deadline_after,
    no_fresh_frame,
    owned_pixels,
    wait_for_instant,
)
from eyebolt.errors import CameraFault, InputFault


class RecordingCamera:
    """Each grab takes the next picture of the file ``path``; its exposure instant is the hand-out, method "replay".

    Pictures are named "<file name>#<number from 0>"; ``start_after`` is the name of the last one that an earlier run
    used. Raises InputFault ``camera-recording`` if the file cannot be read as video or the name is not one of its own.
    """

    def __init__(self, path: Path | str, start_after: str | None = None) -> None:
        self._path = Path(path)
        self._closed = threading.Event()
        self._reading = threading.Lock()
        self._next = 0
        self._capture = cv2.VideoCapture(str(self._path), cv2.CAP_FFMPEG)
        if not self._capture.isOpened():
            raise _no_recording(f"{self._path} cannot be read as video")
        if start_after is not None:
            name, mark, number = start_after.rpartition("#")
            if name != self._path.name or not mark or not (number.isascii() and number.isdigit()):
                raise _no_recording(f'"{start_after}" is no picture of {self._path}')
            # Seeking is inexact in many formats; walking is not.
            while self._next <= int(number) and self._capture.grab():
                self._next += 1

    def grab(self, asked_ns: int, timeout_s: float) -> Frame:
        """The next picture; see Camera.grab. Fault ``pictures-exhausted`` at the end of the file."""
        if not wait_for_instant(asked_ns, deadline_after(timeout_s), self._closed) and not self._closed.is_set():
            raise no_fresh_frame(str(self._path), "the requested instant lies beyond the time-out")
        with self._reading:
            if self._closed.is_set():
                raise camera_closed(str(self._path))
            handed_out_ns = time.monotonic_ns()
            read, picture = self._capture.read()
            if not read:
                raise CameraFault(
                    "pictures-exhausted",
                    f"no picture is left in {self._path} after the first {self._next}",
                    "end the session, or use a longer recording.",
                )
            name = f"{self._path.name}#{self._next}"
            self._next += 1
            return Frame(owned_pixels(picture), handed_out_ns, time.monotonic_ns(), "replay", name)

    def describe(self) -> CameraHealth:
        """How many pictures were used."""
        if self._closed.is_set():
            return CameraHealth(False, f"{self._path}: closed")
        return CameraHealth(True, f"{self._path}: {self._next} pictures used")

    def close(self) -> None:
        """Close the file."""
        self._closed.set()
        with self._reading:
            self._capture.release()


def _no_recording(what: str) -> InputFault:
    return InputFault("camera-recording", what, "correct path in [camera] of the station file, or begin a new session.")
