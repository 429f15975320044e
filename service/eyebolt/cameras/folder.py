"""Recorded images from a folder, one for each request."""

from __future__ import annotations

import re
import threading
import time
from pathlib import Path

import cv2

from eyebolt.cameras.camera import (
    Frame,
    FreshnessMethod,
    Pixels,
    camera_closed,
    copy_pixels,
    no_fresh_frame,
    wrong_size,
)
from eyebolt.cameras.image_header import read_image_size
from eyebolt.deadline import Deadline
from eyebolt.errors import CameraFault, InputFault
from eyebolt.protocol import LinkStatus

IMAGE_SUFFIXES = frozenset({".png", ".jpg", ".jpeg", ".bmp", ".tif", ".tiff", ".webp", ".pgm", ".ppm"})

_DIGITS = re.compile(r"([0-9]+)")


def natural_sort_key(name: str) -> tuple[tuple[tuple[int, int, str], ...], str]:
    """Sort key of an image name: runs of digits compare as numbers, so that ``img2`` comes before ``img10``."""
    parts = (part for part in _DIGITS.split(name) if part)
    return tuple((0, int(part), "") if part[0] in "0123456789" else (1, 0, part) for part in parts), name


def read_image(path: Path, size_px: tuple[int, int] | None = None) -> Pixels:
    """The pixels of an image file; gray images stay gray, alpha is dropped.

    Raises OSError, ValueError or cv2.error for what cannot be read; CameraFault ``image-size`` for another size than
    ``size_px`` (width, height), which is read from the header before anything is decoded.
    """
    found_px = read_image_size(path)
    if size_px is not None and found_px != size_px:
        raise wrong_size(path.name, found_px, size_px)
    read = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    if read is None:
        raise ValueError("it is damaged or not an image")
    return copy_pixels(read)


class FolderCamera:
    """Each grab takes the next image of ``path`` by name; its exposure instant is the delivery, method REPLAY.

    The folder is read at each grab and never rewound: the next image is the first whose name comes after the last one
    taken. ``start_after`` is the name of the last image of this folder that an earlier run used. An unreadable image
    counts as taken, so that the n-th request keeps meaning the n-th image. Symbolic links in ``path`` are followed now,
    not at each grab. Gray images stay gray; alpha is dropped. The size in a file's header is read before its pixels:
    another one than ``size_px`` (width, height) is refused, and so is one that is absurd.
    Raises InputFault ``camera-folder`` if ``path`` is not a folder.
    """

    def __init__(
        self, path: Path | str, start_after: str | None = None, size_px: tuple[int, int] | None = None
    ) -> None:
        # A link that is set to another folder meanwhile must not carry the place in this one over.
        self._folder = Path(path).resolve()
        if not self._folder.is_dir():
            raise InputFault(
                "camera-folder",
                f"{path} is not a folder",
                "put the images there or correct path in [camera] of the station file.",
                path=str(path),
            )
        self._last_name = start_after
        self._size_px = size_px
        self._closed = threading.Event()

    def grab(self, not_before_ns: int, timeout_s: float) -> Frame:
        """The next image; see Camera.grab. Faults: ``images-exhausted``, ``image-unreadable``, ``image-size``."""
        if not Deadline.after(timeout_s).sleep_until(not_before_ns, self._closed):
            if self._closed.is_set():
                raise camera_closed(str(self._folder))
            raise no_fresh_frame(str(self._folder), "the requested instant lies beyond the time-out")
        remaining = self._remaining_names()
        if not remaining:
            raise CameraFault(
                "images-exhausted",
                f"no image is left in {self._folder} after {self._last_name or 'the start: it holds none'}",
                "add images whose names come later, or end the session.",
                last=self._last_name,
            )
        name = remaining[0]
        self._last_name = name
        delivered_ns = time.monotonic_ns()
        try:
            pixels = read_image(self._folder / name, self._size_px)
        except (cv2.error, OSError, ValueError) as error:
            detail = error.err if isinstance(error, cv2.error) else str(error)
            raise CameraFault(
                "image-unreadable",
                f"the image {self._folder / name} cannot be used: {detail}",
                "replace or remove the file; the next request takes the image after it.",
                name=name,
            ) from None
        return Frame(pixels, delivered_ns, time.monotonic_ns(), FreshnessMethod.REPLAY, name, str(self._folder))

    def health(self) -> LinkStatus:
        """The number of images left."""
        if self._closed.is_set():
            return LinkStatus(is_connected=False, message=f"{self._folder}: closed")
        left = len(self._remaining_names())
        message = f"{left} images left" if left else "exhausted"
        return LinkStatus(is_connected=left > 0, message=f"{self._folder}: {message}")

    def close(self) -> None:
        """Delivers no more images."""
        self._closed.set()

    def _remaining_names(self) -> list[str]:
        try:
            names = [p.name for p in self._folder.iterdir() if p.suffix.lower() in IMAGE_SUFFIXES and p.is_file()]
        except OSError:
            return []
        names = [name for name in names if not name.startswith(".")]
        if self._last_name is not None:
            names = [name for name in names if natural_sort_key(name) > natural_sort_key(self._last_name)]
        return sorted(names, key=natural_sort_key)
