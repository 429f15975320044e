"""Image sources behind one promise: a frame exposed after the request, or a fault that states why there is none.

A source returns a frame with ``exposed_ns >= asked_ns`` or raises CameraFault, in bounded time; it never returns an
older frame. Instants are CLOCK_MONOTONIC nanoseconds of this computer (``time.monotonic_ns()``).
"""

from eyebolt.cameras.camera import FRESHNESS_METHODS, NS_PER_S, Camera, CameraHealth, Frame, Pixels
from eyebolt.cameras.factory import open_camera
from eyebolt.cameras.frame_message import decode_request, encode, encode_error

__all__ = [
    "FRESHNESS_METHODS",
    "NS_PER_S",
    "Camera",
    "CameraHealth",
    "Frame",
    "Pixels",
    "decode_request",
    "encode",
    "encode_error",
    "open_camera",
]
