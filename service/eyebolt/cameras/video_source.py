"""Opening what OpenCV can read: devices by number or path, streams by address, with bounded waiting."""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass
from pathlib import Path

import cv2

from eyebolt.errors import InputFault, MachineFault

# V4L2_CID_EXPOSURE_ABSOLUTE counts in 100 us, V4L2_CID_EXPOSURE_AUTO 1 is manual: Linux kernel documentation,
# "Camera Control Reference". OpenCV passes both numbers on as they are.
_EXPOSURE_UNIT_US = 100
_EXPOSURE_MANUAL = 1


@dataclass(frozen=True)
class VideoSource:
    """Where pictures come from: ``target`` for OpenCV, ``shown`` for people (no password), ``is_device``."""

    target: str | int
    shown: str
    is_device: bool


def video_source(path: str | int) -> VideoSource:
    """Tell a device number, a device path and an address apart.

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
            f"{text} is a recording: its pictures were exposed long before any request",
            "name a device or an address, or play the file one picture for each request (open_camera does).",
            path=text,
        )
    raise InputFault(
        "camera-path",
        f'"{text}" is no camera',
        'write path = "0" (number), path = "/dev/video0" (device) or path = "rtsp://..." (stream).',
        path=text,
    )


def open_video(source: VideoSource, open_timeout_s: float, read_timeout_s: float) -> cv2.VideoCapture | None:
    """An open capture, or None if the source does not answer. The time-outs hold for streams; a device has its own."""
    try:
        if source.is_device:
            capture = cv2.VideoCapture(source.target, cv2.CAP_V4L2 if sys.platform == "linux" else cv2.CAP_ANY)
        else:
            # Time-outs count only when given at opening; more decoder threads would each hold a frame back.
            wishes = {
                cv2.CAP_PROP_OPEN_TIMEOUT_MSEC: round(open_timeout_s * 1000),
                cv2.CAP_PROP_READ_TIMEOUT_MSEC: round(read_timeout_s * 1000),
                cv2.CAP_PROP_N_THREADS: 1,
            }
            capture = cv2.VideoCapture(
                str(source.target), cv2.CAP_FFMPEG, [number for wish in wishes.items() for number in wish]
            )
    except cv2.error:
        return None
    if capture.isOpened():
        return capture
    capture.release()
    return None


def set_exposure(capture: cv2.VideoCapture, exposure_us: float) -> str:
    """Set a fixed exposure time; returns what the driver made of it if that differs by more than 5 %, else ""."""
    units = max(1, round(exposure_us / _EXPOSURE_UNIT_US))
    capture.set(cv2.CAP_PROP_AUTO_EXPOSURE, _EXPOSURE_MANUAL)
    capture.set(cv2.CAP_PROP_EXPOSURE, units)
    taken_us = capture.get(cv2.CAP_PROP_EXPOSURE) * _EXPOSURE_UNIT_US
    if abs(taken_us - exposure_us) <= max(0.05 * exposure_us, _EXPOSURE_UNIT_US / 2):
        return ""
    return f"the driver did not take exposure_us = {exposure_us:g} (it says {taken_us:g})"
