"""Image sources behind one promise: a frame exposed after the request, or a fault that states why there is none.

Instants are CLOCK_MONOTONIC nanoseconds of this computer (``time.monotonic_ns()``). See README.md beside this file.
"""

from eyebolt.cameras.camera import Camera, Frame, FreshnessMethod, Pixels, StreamingCamera, wrong_size
from eyebolt.cameras.device import DeviceCamera, DriverSettings
from eyebolt.cameras.factory import open_camera, replay_path
from eyebolt.cameras.folder import IMAGE_SUFFIXES, natural_sort_key, read_image
from eyebolt.cameras.frame_message import (
    FrameHeader,
    FrameRequest,
    decode_request,
    encode_error,
    encode_frame,
)
from eyebolt.cameras.genicam import FoundCamera, find_cameras
from eyebolt.cameras.image_header import image_size

__all__ = [
    "IMAGE_SUFFIXES",
    "Camera",
    "DeviceCamera",
    "DriverSettings",
    "FoundCamera",
    "Frame",
    "FrameHeader",
    "FrameRequest",
    "FreshnessMethod",
    "Pixels",
    "StreamingCamera",
    "decode_request",
    "encode_error",
    "encode_frame",
    "find_cameras",
    "image_size",
    "natural_sort_key",
    "open_camera",
    "read_image",
    "replay_path",
    "wrong_size",
]
