"""Video devices and network streams through OpenCV: frames without a timestamp, dated by their arrival.

Such a frame is used only once ``freshness.ArrivalGate`` finds the arrivals regular. Devices are opened by number or
path, streams by address, both with bounded waiting.
"""

from __future__ import annotations

import os
import re
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import cv2

from eyebolt.cameras.camera import (
    Frame,
    FreshnessMethod,
    camera_closed,
    camera_lost,
    copy_pixels,
    no_fresh_frame,
    wrong_size_status,
)
from eyebolt.cameras.freshness import ArrivalGate
from eyebolt.deadline import NS_PER_S
from eyebolt.errors import CameraFault, InputFault, MachineFault
from eyebolt.protocol import LinkStatus

# Measured: streams on the loopback took up to 0.19 s in the median (H.264 over RTSP), USB cameras buffer one to three
# frames. Half a second covers an exposure of 0.1 s and three frames at 10 Hz; a slower camera must be measured.
DEFAULT_MAX_LATENCY_S = 0.5

_MIN_RETRY_S = 0.1
_MAX_RETRY_S = 2.0


@dataclass(frozen=True)
class DriverSettings:
    """What the driver of a video device states about itself; None where it states nothing."""

    has_fixed_exposure: bool | None
    """The exposure time is fixed, not regulated."""
    has_fixed_focus: bool | None
    """The focus is fixed, not regulated."""


@dataclass
class _Request:
    not_before_ns: int
    frame: Frame | None = None


class DeviceCamera:
    """A video device (number or "/dev/..." path) or a stream (address), drained by a thread so that no frame queues.

    The thread takes every frame off the source as it comes; a frame is decoded only for a request, once the arrivals
    are regular (see ``freshness``) and the frame cannot have been exposed before the request. Method ARRIVAL;
    ``exposed_ns`` of a frame is its arrival minus ``max_latency_s``, a lower bound.

    ``max_latency_s``: the longest time from the start of an exposure to the arrival of its frame. The promise of a
    fresh frame is only as good as this number: measure it for each camera (film a clock) or keep the cautious default.
    ``frames_per_s``: the frame rate if it is known; otherwise it is learned, one second after each opening.
    ``exposure_us``: for Linux devices; a stream's exposure is set in its camera. ``gain_db`` is refused: the gain of a
    video device is in driver-specific units. ``read_timeout_s``: after so long a silence the source counts as lost and
    is reopened; a device driver may block the thread longer (10 s), but never a grab. ``size_px``: (width, height) that
    is wanted; the first image after each opening is decoded, so that ``health`` names another size before any request.
    Raises InputFault ``camera-setting``, ``camera-path``, ``camera-not-live``; MachineFault ``no-video-reader``.
    """

    def __init__(
        self,
        path: str | int,
        exposure_us: float | None = None,
        gain_db: float | None = None,
        *,
        max_latency_s: float = DEFAULT_MAX_LATENCY_S,
        frames_per_s: float | None = None,
        open_timeout_s: float = 5.0,
        read_timeout_s: float = 2.0,
        size_px: tuple[int, int] | None = None,
    ) -> None:
        self._source = parse_video_source(path)
        _check_settings(exposure_us, gain_db, self._source.is_device)
        self._exposure_us = exposure_us
        self._max_latency_ns = round(max_latency_s * NS_PER_S)
        self._period_ns = None if frames_per_s is None else NS_PER_S / frames_per_s
        self._timeouts_s = open_timeout_s, read_timeout_s
        self._condition = threading.Condition()
        self._closed = threading.Event()
        self._request: _Request | None = None
        self._spectator: _Request | None = None
        self._epoch = 0
        self._frames = 0
        self._last_arrival_ns: int | None = None
        self._rate_message = ""
        self._last_error = "being opened"
        self._remedy = ""
        self._size_px = size_px
        self._found_px: tuple[int, int] | None = None
        self._settings_note = ""
        self._driver_settings: DriverSettings | None = None
        name = f"eyebolt-camera-device {self._source.display_name}"
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def grab(self, not_before_ns: int, timeout_s: float) -> Frame:
        """The first frame that cannot be older than ``not_before_ns``; see Camera.grab."""
        request = _Request(not_before_ns)
        with self._condition:
            self._request = request
            self._condition.wait_for(lambda: self._closed.is_set() or request.frame is not None, max(timeout_s, 0.0))
            self._request = None
            if request.frame is not None:
                return request.frame
            if self._closed.is_set():
                raise camera_closed(self._source.display_name)
            raise self._no_fresh_frame_fault()

    def observe(self, after_ns: int, timeout_s: float) -> Frame | None:
        """The next frame whose lower bound is after ``after_ns``; see StreamingCamera.observe."""
        spectator = _Request(after_ns + 1)
        with self._condition:
            self._spectator = spectator
            self._condition.wait_for(lambda: self._closed.is_set() or spectator.frame is not None, max(timeout_s, 0.0))
            self._spectator = None
            if self._closed.is_set():
                raise camera_closed(self._source.display_name)
        return spectator.frame

    def health(self) -> LinkStatus:
        """Whether frames arrive and at what rate, or why not."""
        with self._condition:
            if self._closed.is_set():
                return LinkStatus(is_connected=False, message=f"{self._source.display_name}: closed")
            is_alive = self._is_alive()
            if is_alive and self._size_px is not None and self._found_px not in (None, self._size_px):
                return wrong_size_status(self._source.display_name, self._found_px, self._size_px)
            message = self._rate_message if is_alive else self._silence_message()
            note = f"; {self._settings_note}" if self._settings_note else ""
            text, remedy = f"{self._source.display_name}: {message}{note}", "" if is_alive else self._remedy
            return LinkStatus(is_connected=is_alive, message=text, remedy=remedy)

    @property
    def driver_settings(self) -> DriverSettings | None:
        """Settings of the device as it was last opened; None before that, and of a stream."""
        with self._condition:
            return self._driver_settings

    def close(self) -> None:
        """Ends the thread; waits no longer than one opening or one read may take."""
        with self._condition:
            self._closed.set()
            self._condition.notify_all()
        self._thread.join(sum(self._timeouts_s) + 1.0)

    def _run(self) -> None:
        retry_s = _MIN_RETRY_S
        while not self._closed.is_set():
            capture = open_video(self._source, *self._timeouts_s)
            if capture is None:
                self._set_error(*_open_problem(self._source))
            else:
                try:
                    if self._read_one_epoch(capture):
                        retry_s = _MIN_RETRY_S
                except (cv2.error, ValueError) as error:
                    # An undecodable frame ends the epoch like any other error; the thread must outlive it.
                    self._set_error(str(error.err if isinstance(error, cv2.error) else error))
                finally:
                    capture.release()
            self._closed.wait(retry_s)
            retry_s = min(2 * retry_s, _MAX_RETRY_S)

    def _read_one_epoch(self, capture: cv2.VideoCapture) -> bool:
        """Reads until the source fails or the camera is closed; True if any frame came.

        A failed read is the only sign of a failure: isOpened stays true after a stream broke.
        """
        gate = ArrivalGate(self._max_latency_ns, self._period_ns)
        if self._exposure_us is not None:
            self._settings_note = set_exposure(capture, self._exposure_us)
        if self._source.device_path is not None:
            with self._condition:
                self._driver_settings = read_driver_settings(capture)
        self._epoch += 1
        self._frames = 0
        while not self._closed.is_set():
            if not capture.grab():
                self._set_error("it stopped sending")
                break
            arrived_ns = time.monotonic_ns()
            gate.add_arrival(arrived_ns)
            self._frames += 1
            if self._frames == 1 and self._size_px is not None:
                self._note_size(capture)
            request = self._satisfied_request(gate, arrived_ns)
            if request is None:
                continue
            decoded, image = capture.retrieve()
            if not decoded:
                self._set_error("a frame could not be decoded")
                break
            name = f"{self._epoch}/{self._frames}"
            frame = Frame(
                copy_pixels(image), arrived_ns - self._max_latency_ns, arrived_ns, FreshnessMethod.ARRIVAL, name
            )
            with self._condition:
                request.frame = frame
                self._condition.notify_all()
        return self._frames > 0

    def _note_size(self, capture: cv2.VideoCapture) -> None:
        decoded, image = capture.retrieve()
        with self._condition:
            self._found_px = (image.shape[1], image.shape[0]) if decoded else None

    def _satisfied_request(self, gate: ArrivalGate, arrived_ns: int) -> _Request | None:
        """The waiting request, if the frame that just arrived was certainly exposed after it; or the spectator's."""
        period_ns = gate.frame_period_ns()
        earliest_ns = gate.earliest_exposure_ns()
        with self._condition:
            self._last_arrival_ns = arrived_ns
            self._last_error = ""
            self._rate_message = (
                "learning the frame rate" if period_ns is None else f"one frame every {period_ns / 1e6:.0f} ms"
            )
            if earliest_ns is None and period_ns is not None:
                self._rate_message += ", arrivals irregular"
            request = self._request
            if request is None:
                # Nothing is decoded for a spectator while a grab waits.
                return self._satisfied_spectator(arrived_ns)
            if request.frame is not None or earliest_ns is None or earliest_ns < request.not_before_ns:
                return None
            return request

    def _satisfied_spectator(self, arrived_ns: int) -> _Request | None:
        spectator = self._spectator
        if (
            spectator is None
            or spectator.frame is not None
            or arrived_ns - self._max_latency_ns < spectator.not_before_ns
        ):
            return None
        return spectator

    def _set_error(self, error: str, remedy: str = "") -> None:
        with self._condition:
            self._last_error = error
            self._remedy = remedy

    def _is_alive(self) -> bool:
        if self._last_arrival_ns is None or self._last_error:
            return False
        return time.monotonic_ns() - self._last_arrival_ns <= self._timeouts_s[1] * NS_PER_S

    def _silence_message(self) -> str:
        if self._last_arrival_ns is None:
            return self._last_error
        silent_s = (time.monotonic_ns() - self._last_arrival_ns) / NS_PER_S
        return f"silent for {silent_s:.0f} s" + (f"; {self._last_error}" if self._last_error else "")

    def _no_fresh_frame_fault(self) -> CameraFault:
        if self._is_alive():
            latency_ms = self._max_latency_ns / 1e6
            detail = f"{self._rate_message}; none is trusted until {latency_ms:.0f} ms after the request"
            return no_fresh_frame(self._source.display_name, detail)
        return camera_lost(self._source.display_name, self._silence_message(), self._remedy)


def _check_settings(exposure_us: float | None, gain_db: float | None, is_device: bool) -> None:
    if gain_db is not None:
        raise InputFault(
            "camera-setting",
            "gain_db cannot be set here: the gain of a video device is not in decibels",
            "remove gain_db from [camera] and set the gain in the camera or with the driver's own tool.",
        )
    if exposure_us is not None and not is_device:
        raise InputFault(
            "camera-setting",
            "exposure_us cannot be set through a network stream",
            "remove exposure_us from [camera] and set the exposure in the camera itself.",
        )


# V4L2_CID_EXPOSURE_ABSOLUTE counts in 100 us, V4L2_CID_EXPOSURE_AUTO 1 is manual: Linux kernel documentation,
# "Camera Control Reference". OpenCV passes both numbers on as they are.
_EXPOSURE_UNIT_US = 100
_EXPOSURE_MANUAL = 1
# V4L2_CID_FOCUS_AUTO, same source: 0 is off, 1 continuous. OpenCV gives a negative number for a control that is absent.
_FOCUS_MANUAL = 0


@dataclass(frozen=True)
class VideoSource:
    """A source that OpenCV can open."""

    target: str | int
    """Argument for OpenCV."""
    display_name: str
    """Name in messages, without a password."""
    is_device: bool
    """A local device, not a stream."""

    @property
    def device_path(self) -> Path | None:
        """File of a local device under Linux, else None."""
        if not self.is_device or sys.platform != "linux":
            return None
        return Path(f"/dev/video{self.target}" if isinstance(self.target, int) else self.target)


def parse_video_source(path: str | int) -> VideoSource:
    """The source that a device number, a device path or an address names.

    Raises InputFault ``camera-not-live`` for a file, ``camera-path`` for anything else, and MachineFault
    ``no-video-reader`` if this OpenCV cannot read streams.
    """
    text = str(path).strip()
    if re.fullmatch(r"[0-9]{1,4}", text):
        return VideoSource(int(text), f"video device {text}", True)
    if re.match(r"[a-z][a-z0-9+.-]*://", text, re.IGNORECASE):
        if not cv2.videoio_registry.hasBackend(cv2.CAP_FFMPEG):
            raise MachineFault(
                "no-video-reader",
                "this build of OpenCV cannot read video streams",
                "install the package opencv-python from PyPI, which can.",
            )
        return VideoSource(text, re.sub(r"//[^/@]*@", "//", text), False)
    if text.startswith("/dev/"):
        return VideoSource(text, text, True)
    if Path(text).is_file():
        raise InputFault(
            "camera-not-live",
            f"{text} is a recording: its images were exposed long before any request",
            "name a device or an address, or play the file one image for each request (open_camera does).",
            path=text,
        )
    raise InputFault(
        "camera-path",
        f'"{text}" is not a camera',
        'write path = "0" (number), path = "/dev/video0" (device) or path = "rtsp://..." (stream).',
        path=text,
    )


def open_video(source: VideoSource, open_timeout_s: float, read_timeout_s: float) -> cv2.VideoCapture | None:
    """An open capture, or None if the source does not answer. The time-outs apply to streams; a device has its own."""
    # The libraries write to stderr at each attempt; ``_open_problem`` and ``health`` have the reason.
    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
    os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")
    try:
        if source.is_device:
            capture = cv2.VideoCapture(source.target, cv2.CAP_V4L2 if sys.platform == "linux" else cv2.CAP_ANY)
        else:
            # Time-outs take effect only when given at opening; every further decoder thread would delay by one frame.
            properties = {
                cv2.CAP_PROP_OPEN_TIMEOUT_MSEC: round(open_timeout_s * 1000),
                cv2.CAP_PROP_READ_TIMEOUT_MSEC: round(read_timeout_s * 1000),
                cv2.CAP_PROP_N_THREADS: 1,
            }
            capture = cv2.VideoCapture(
                str(source.target), cv2.CAP_FFMPEG, [number for item in properties.items() for number in item]
            )
    except cv2.error:
        return None
    if capture.isOpened():
        return capture
    capture.release()
    return None


def _open_problem(source: VideoSource) -> tuple[str, str]:
    """Why a source cannot be opened, and what to do about it, as far as this computer shows."""
    path = source.device_path
    if path is None:
        return "it does not answer", ""
    if not path.exists():
        others = sorted(str(other) for other in Path("/dev").glob("video[0-9]*"))
        found = f"this computer has {', '.join(others)}" if others else "this computer has no video device"
        name = "it" if source.display_name == str(path) else path
        return (
            f"{name} does not exist; {found}",
            "plug the camera in, or correct path in [camera] of the station file.",
        )
    if not os.access(path, os.R_OK | os.W_OK):
        return (
            f"this user may not open {path}",
            "add the user that runs eyebolt to the group of that file (often video), and log in again.",
        )
    return (
        "it does not answer",
        "end other programs that use it; unplug the camera and plug it in again; a camera often has several devices,"
        " of which only the first delivers images.",
    )


def set_exposure(capture: cv2.VideoCapture, exposure_us: float) -> str:
    """Sets a fixed exposure time; returns a message if the driver's value differs by more than 5 %, else ""."""
    units = max(1, round(exposure_us / _EXPOSURE_UNIT_US))
    capture.set(cv2.CAP_PROP_AUTO_EXPOSURE, _EXPOSURE_MANUAL)
    capture.set(cv2.CAP_PROP_EXPOSURE, units)
    actual_us = capture.get(cv2.CAP_PROP_EXPOSURE) * _EXPOSURE_UNIT_US
    if abs(actual_us - exposure_us) <= max(0.05 * exposure_us, _EXPOSURE_UNIT_US / 2):
        return ""
    return f"the driver did not accept exposure_us = {exposure_us:g} (it reports {actual_us:g})"


def read_driver_settings(capture: cv2.VideoCapture) -> DriverSettings:
    """The settings of an open video device under Linux."""
    exposure, focus = capture.get(cv2.CAP_PROP_AUTO_EXPOSURE), capture.get(cv2.CAP_PROP_AUTOFOCUS)
    return DriverSettings(
        None if exposure < 0 else exposure == _EXPOSURE_MANUAL, None if focus < 0 else focus == _FOCUS_MANUAL
    )
