"""What every picture source promises, and the faults that all of them raise.

The promise: ``grab`` returns a frame that was exposed at or after the request, or raises CameraFault; it returns or
raises within its time-out (plus the time that decoding one picture takes); the pixels belong to the caller; after
any error a source forgets what it knew about delays and gaps and opens its connection anew.

Waiting on the monotonic clock.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from eyebolt.errors import CameraFault

Pixels = NDArray[Any]
"""(H, W) gray or (H, W, 3) blue-green-red; uint8 or uint16."""

FRESHNESS_METHODS = ("trigger", "timestamp", "arrival", "replay")
"""How freshness is known, best first: the source exposed on request; the source dated the exposure; the arrivals are
steady and the delay is bounded; a recorded picture, about which no claim is made."""


@dataclass(frozen=True, eq=False)
class Frame:
    """One picture.

    ``pixels``: (H, W) or (H, W, 3) BGR, uint8 or uint16, owned by whoever holds the frame.
    ``exposed_ns``: the exposure began then, or (method "steady") no earlier than then; monotonic nanoseconds.
    ``arrived_ns``: when this process had it. ``method``: one of METHODS. ``name``: the source's own id of the picture.
    """

    pixels: Pixels
    exposed_ns: int
    arrived_ns: int
    method: str
    name: str


@dataclass(frozen=True)
class CameraHealth:
    """``alive``: the source gave signs of life lately; ``message``: one line about it for the status display."""

    alive: bool
    message: str


class Camera(Protocol):
    """A picture source. One thread may call ``grab``; ``health`` and ``close`` may come from any other meanwhile."""

    def grab(self, not_before_ns: int, timeout_s: float) -> Frame:
        """The picture exposed at or after ``not_before_ns`` (which may lie in the future), within ``timeout_s`` of the call.

        Raises CameraFault: ``no-fresh-frame`` if the source lives but nothing fresh came in time, ``camera-lost`` if
        it is gone or closed, ``pictures-exhausted`` or ``picture-unreadable`` from recorded pictures.
        """
        ...

    def health(self) -> CameraHealth:
        """The state of the source; cheap, never waits."""
        ...

    def close(self) -> None:
        """Let go of the source and end its thread. Closing twice is nothing."""
        ...


def no_fresh_frame(source: str, detail: str, **data: object) -> CameraFault:
    """The source lives, but nothing exposed after the request came in time."""
    return CameraFault(
        "no-fresh-frame",
        f"no picture exposed after the request came from {source}: {detail}",
        "stand still and capture again; if it stays, look at the camera's frame rate, cable and sender.",
        **data,
    )


def camera_lost(source: str, detail: str, **data: object) -> CameraFault:
    """The source is gone."""
    return CameraFault(
        "camera-lost",
        f"the camera at {source} is gone: {detail}",
        "check its power, its cable or its sending program; it is opened again by itself as soon as it answers.",
        **data,
    )


def camera_closed(source: str) -> CameraFault:
    """Somebody closed the camera here."""
    return CameraFault(
        "camera-lost",
        f"the camera at {source} was closed",
        "start the service again: a closed camera is not opened again.",
    )


def copy_pixels(array: Pixels) -> Pixels:
    """A copy of a decoded picture in one of the allowed shapes: alpha is dropped, a single channel is flattened.

    ``array``: (H, W), (H, W, 1), (H, W, 3) or (H, W, 4). Raises ValueError if it is no such picture.
    """
    if array.dtype not in (np.dtype(np.uint8), np.dtype(np.uint16)):
        raise ValueError(f"its pixels are {array.dtype}, not 8 or 16 bit integers")
    if array.ndim == 3 and array.shape[2] == 1:
        array = array[:, :, 0]
    elif array.ndim == 3 and array.shape[2] == 4:
        array = array[:, :, :3]
    if array.size == 0 or not (array.ndim == 2 or (array.ndim == 3 and array.shape[2] == 3)):
        raise ValueError(f"its shape {array.shape} is no gray or colour picture")
    return array.copy(order="C")


NS_PER_S = 1_000_000_000


def deadline_after(timeout_s: float) -> int:
    """The monotonic instant (ns) ``timeout_s`` from now."""
    return time.monotonic_ns() + round(max(timeout_s, 0.0) * NS_PER_S)


def remaining_s(deadline_ns: int) -> float:
    """Seconds until ``deadline_ns``, never negative."""
    return max(0.0, (deadline_ns - time.monotonic_ns()) / NS_PER_S)


def wait_until(instant_ns: int, deadline_ns: int, closed: threading.Event) -> bool:
    """Sleep until ``instant_ns``; False as soon as ``closed`` is set, or if the deadline comes first."""
    while time.monotonic_ns() < instant_ns:
        if time.monotonic_ns() >= deadline_ns or closed.wait(remaining_s(min(instant_ns, deadline_ns))):
            return False
    return not closed.is_set()
