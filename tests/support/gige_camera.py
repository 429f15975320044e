"""A GigE Vision camera that this project did not write: that of Aravis (Debian's `libaravis-0.8-0`), with our images.

    python -m support.gige_camera INTERFACE [--serial NAME] [--size WIDTH HEIGHT] [--images FILE --shown FILE]

The library's fill function is replaced through ctypes. Each image carries the instant of its exposure
(``support.camera_fixtures.paint``), or is that one of ``--images`` (.npy) whose number stands in the file ``--shown``.
"""

from __future__ import annotations

import argparse
import contextlib
import ctypes
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from support.camera_fixtures import paint

LIBRARY = "libaravis-0.8.so.0"
# The stock camera answers triggers on a grid of 40 ms.
_TRIGGER_HZ = 1000.0
# Registers of the camera's own description.
_WIDTH_REGISTER, _HEIGHT_REGISTER = 0x100, 0x104
_FILL = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.c_void_p, ctypes.c_uint32, ctypes.c_uint32, ctypes.c_uint32)


def load() -> ctypes.CDLL:
    """The library. Raises OSError where it is not installed."""
    aravis = ctypes.CDLL(LIBRARY)
    pointer = ctypes.c_void_p
    aravis.arv_gv_fake_camera_new.restype = pointer
    aravis.arv_gv_fake_camera_new.argtypes = [ctypes.c_char_p, ctypes.c_char_p]
    aravis.arv_gv_fake_camera_is_running.argtypes = [pointer]
    aravis.arv_gv_fake_camera_get_fake_camera.restype = pointer
    aravis.arv_gv_fake_camera_get_fake_camera.argtypes = [pointer]
    aravis.arv_fake_camera_write_register.argtypes = [pointer, ctypes.c_uint32, ctypes.c_uint32]
    aravis.arv_fake_camera_set_trigger_frequency.argtypes = [pointer, ctypes.c_double]
    aravis.arv_fake_camera_set_fill_pattern.argtypes = [pointer, _FILL, pointer]
    aravis.arv_buffer_get_data.restype = pointer
    aravis.arv_buffer_get_data.argtypes = [pointer, pointer]
    for name in ("arv_buffer_get_image_width", "arv_buffer_get_image_height"):
        getattr(aravis, name).argtypes = [pointer]
    return aravis


@contextlib.contextmanager
def running(*options: str) -> Iterator[subprocess.Popen[str]]:
    """The camera in a process of its own, at 127.0.0.1."""
    command = [sys.executable, "-m", "support.gige_camera", "127.0.0.1", *options]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            if process.stdout.readline() != "serving\n":
                raise OSError("the GigE Vision camera did not start; another one may hold its port")
            yield process
        finally:
            # A process that is stopped takes no other signal.
            process.kill()


def main() -> None:
    """Serves images until it is ended."""
    parser = argparse.ArgumentParser()
    parser.add_argument("interface")
    parser.add_argument("--serial", default="GV01")
    parser.add_argument("--size", type=int, nargs=2, default=(512, 512))
    parser.add_argument("--images", type=Path)
    parser.add_argument("--shown", type=Path)
    given = parser.parse_args()
    expose = _painted if given.images is None else _recorded(np.load(given.images), given.shown)
    aravis = load()

    def fill(buffer: int, _data: int, _exposure_us: int, _gain: int, pixel_format: int) -> None:
        # The library has not set the size of the data yet.
        address = aravis.arv_buffer_get_data(buffer, None)
        image = expose(aravis.arv_buffer_get_image_height(buffer), aravis.arv_buffer_get_image_width(buffer))
        # Bits of a pixel, by the Pixel Format Naming Convention of GenICam; only gray ones are served.
        is_16_bit = pixel_format >> 16 & 0xFF == 16
        data = (image.astype(np.uint16) << 8 if is_16_bit else image).tobytes()
        ctypes.memmove(address, data, len(data))

    kept = _FILL(fill)
    camera = aravis.arv_gv_fake_camera_new(given.interface.encode(), given.serial.encode())
    if not aravis.arv_gv_fake_camera_is_running(camera):
        sys.exit("the port of GigE Vision is in use")
    fake = aravis.arv_gv_fake_camera_get_fake_camera(camera)
    for register, side in zip((_WIDTH_REGISTER, _HEIGHT_REGISTER), given.size, strict=True):
        aravis.arv_fake_camera_write_register(fake, register, side)
    aravis.arv_fake_camera_set_trigger_frequency(fake, _TRIGGER_HZ)
    aravis.arv_fake_camera_set_fill_pattern(fake, kept, None)
    print("serving", flush=True)
    while True:
        time.sleep(3600)


def _painted(height: int, width: int) -> np.ndarray:
    return paint(time.monotonic_ns(), height, width)


def _recorded(images: np.ndarray, shown: Path) -> Callable[[int, int], np.ndarray]:
    def expose(height: int, width: int) -> np.ndarray:
        image: np.ndarray = images[int(shown.read_text())]
        assert image.shape == (height, width)
        return image

    return expose


if __name__ == "__main__":
    main()
