"""The interface of every image source, and the faults common to all of them.

The promise: ``grab`` returns a frame whose exposure began at or after the requested instant, or raises CameraFault; it
does either within its time-out (plus the time to decode one image). The caller owns the pixels. After any error a
source discards what it learned about latency and frame rate, and reopens its connection.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from eyebolt.errors import CameraFault
from eyebolt.protocol import LinkStatus

Pixels = NDArray[Any]
"""(H, W) gray or (H, W, 3) blue-green-red; uint8 or uint16."""


class FreshnessMethod(StrEnum):
    """How a source establishes that a frame is fresh, strongest first."""

    TRIGGER = "trigger"
    """The source exposes on request."""
    TIMESTAMP = "timestamp"
    """The source dates the start of each exposure."""
    ARRIVAL = "arrival"
    """The latency is bounded and the arrivals are regular, see ``freshness``."""
    REPLAY = "replay"
    """A recorded image: no claim about the exposure."""


@dataclass(frozen=True, eq=False)
class Frame:
    """One image with its instants, in monotonic nanoseconds."""

    pixels: Pixels
    """(H, W) gray or (H, W, 3) BGR, uint8 or uint16, owned by the holder of the frame."""
    exposed_ns: int
    """Start of the exposure; with method ARRIVAL a lower bound of it, with REPLAY the instant of delivery."""
    arrived_ns: int
    """When this process had the complete image."""
    method: FreshnessMethod
    """How the freshness was established."""
    name: str
    """The source's own identifier of the image."""
    source_path: str | None = None
    """Absolute path, without symbolic links, of the folder or video file that it is from; None of a live camera."""


class Camera(Protocol):
    """An image source. One thread at a time may call ``grab``; others may call ``health`` and ``close`` meanwhile."""

    def grab(self, not_before_ns: int, timeout_s: float) -> Frame:
        """The image exposed at or after ``not_before_ns`` (possibly in the future), within ``timeout_s`` of the call.

        Raises CameraFault: ``no-fresh-frame`` if the source is alive but nothing fresh came in time, ``camera-lost``
        if it is gone or closed, ``images-exhausted`` or ``image-unreadable`` from recorded images. A source that can
        tell the size before it reads the pixels raises ``image-size`` for one that is not wanted.
        """
        ...

    def health(self) -> LinkStatus:
        """The state of the source; cheap, never waits."""
        ...

    def close(self) -> None:
        """Releases the source and ends its thread. Closing twice has no effect."""
        ...


@runtime_checkable
class StreamingCamera(Camera, Protocol):
    """A source that delivers frames by itself, whether or not one is requested."""

    def observe(self, after_ns: int, timeout_s: float) -> Frame | None:
        """The newest frame that is dated after ``after_ns``; None if none came within ``timeout_s``.

        For a spectator, in another thread than that of ``grab``: a grab that waits gets its frame first and no later.
        Of method ARRIVAL it may be a frame that ``grab`` would not trust. Raises CameraFault ``image-size`` as ``grab``
        does, ``camera-lost`` once the source is closed.
        """
        ...


def no_fresh_frame(source: str, detail: str, **data: object) -> CameraFault:
    """The source is alive, but nothing exposed after the request came in time."""
    return CameraFault(
        "no-fresh-frame",
        f"no image exposed after the request came from {source}: {detail}",
        "stand still and capture again; if it persists, check the camera's frame rate, cable and sending program.",
        **data,
    )


def camera_lost(source: str, detail: str, remedy: str = "") -> CameraFault:
    """The source is gone; ``remedy``: if more is known than to check power and cable."""
    return CameraFault(
        "camera-lost",
        f"the camera at {source} is gone: {detail}",
        remedy
        or "check its power, its cable or its sending program; it is reopened automatically as soon as it answers.",
    )


def wrong_size(source: str, found_px: tuple[int, int], wanted_px: tuple[int, int]) -> CameraFault:
    """The source delivers images of another size (width, height) than the lens file is for."""
    return CameraFault(
        "image-size",
        "the image has {} x {} pixels, the lens file is for {} x {}".format(*found_px, *wanted_px),
        "set the camera to the image size of the lens calibration, or use the lens file of this size.",
        source=source,
    )


def wrong_size_status(source: str, found_px: tuple[int, int], wanted_px: tuple[int, int]) -> LinkStatus:
    """The state of a source whose images have another size: none of them can be used."""
    fault = wrong_size(source, found_px, wanted_px)
    return LinkStatus(is_connected=False, message=f"{source}: {fault.message}", remedy=fault.remedy)


def camera_closed(source: str) -> CameraFault:
    """``close`` was called."""
    return CameraFault(
        "camera-lost",
        f"the camera at {source} was closed",
        "restart the service: a closed camera is not reopened.",
    )


def copy_pixels(array: Pixels) -> Pixels:
    """A copy of a decoded image in one of the allowed shapes: alpha is dropped, a single channel is flattened.

    ``array``: (H, W), (H, W, 1), (H, W, 3) or (H, W, 4). Raises ValueError for any other shape or type.
    """
    if array.dtype not in (np.dtype(np.uint8), np.dtype(np.uint16)):
        raise ValueError(f"its pixels are {array.dtype}, not 8 or 16 bit integers")
    if array.ndim == 3 and array.shape[2] == 1:
        array = array[:, :, 0]
    elif array.ndim == 3 and array.shape[2] == 4:
        array = array[:, :, :3]
    if array.size == 0 or not (array.ndim == 2 or (array.ndim == 3 and array.shape[2] == 3)):
        raise ValueError(f"its shape {array.shape} is not that of a gray or colour image")
    return array.copy(order="C")
