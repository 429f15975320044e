"""The camera's picture in pixels, where the terminal has a graphics protocol; by the library textual-image, an extra.

The marks are those of the picture in cells: circles where the board is seen, crosses where the result in use puts it.
"""

from __future__ import annotations

import io
import logging
import time
from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from rich.console import Console

from eyebolt.monitor.picture import decoded_gray
from eyebolt.monitor.screen import PictureSize
from eyebolt.monitor.subscriber import ReceivedView

# Of a picture before it is drawn, px: more is not seen in a terminal, and takes the time of the encoder.
_MAX_WIDTH_PX = 640
# A picture is drawn when this many times the processor time of the last one has passed: below 8 % of a core.
_PAUSE = 12
_MARK_EVERY_PX = 14
_SIXEL_START, _SIXEL_END = "\x1bP", "\x1b\\"


class GraphicsPicture:
    """Draws pictures by a graphics protocol."""

    def __init__(self, image_type: Callable[..., Any]) -> None:
        """``image_type``: class of textual-image for a protocol."""
        self._image_type = image_type
        self._image: Any = None
        self._due_s = float("-inf")

    @classmethod
    def of_terminal(cls) -> GraphicsPicture | None:
        """For the protocol of this terminal, which is asked for it; None without one, or without the library."""
        # Its warnings would be written over the screen.
        logging.getLogger("textual_image").addHandler(logging.NullHandler())
        try:
            # Asks the terminal while it is imported.
            from textual_image import renderable
        except ImportError:
            return None
        known = (renderable.SixelImage, renderable.TGPImage)
        return cls(renderable.Image) if renderable.Image in known else None

    @property
    def is_due(self) -> bool:
        """Whether the share of a core allows a further picture."""
        return time.monotonic() >= self._due_s

    def lines(self, view: ReceivedView, size: PictureSize) -> list[str]:
        """What draws the picture, to be written where each line of its area begins; empty where there is none."""
        begun_s = time.process_time()
        pixels = marked_picture(view)
        # A picture in the last line of a terminal would scroll it.
        rows = size.rows - 1
        if pixels is None or rows < 1:
            return []
        from PIL import Image

        before = self._image
        self._image = self._image_type(Image.fromarray(pixels), width=size.columns, height=rows)
        written = io.StringIO()
        Console(file=written, force_terminal=True, color_system="truecolor", width=size.columns + 1).print(self._image)
        if before is not None:
            before.cleanup()
        self._due_s = time.monotonic() + _PAUSE * (time.process_time() - begun_s)
        text = written.getvalue()
        start, end = text.find(_SIXEL_START), text.rfind(_SIXEL_END)
        if start >= 0:
            return [text[start : end + len(_SIXEL_END)]]
        return text.rstrip("\n").split("\n")


def marked_picture(view: ReceivedView) -> NDArray[np.uint8] | None:
    """The picture (height, width, 3) with the marks in it; None where there is none, or it is damaged."""
    gray = decoded_gray(view.jpeg)
    if gray is None:
        return None
    scale = min(_MAX_WIDTH_PX / gray.shape[1], 1.0)
    gray = np.asarray(cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
    pixels = cv2.cvtColor(gray, cv2.COLOR_GRAY2RGB)
    message = view.message
    for point in np.array(message.corners_px, float).reshape(-1, 2) * scale:
        _mark(pixels, point, lambda canvas, at, colour, width: cv2.circle(canvas, at, 1, colour, width))
    for outline, draw in (
        (message.board_outline_px, lambda canvas, at, colour, width: cv2.circle(canvas, at, 4, colour, width)),
        (
            message.predicted_outline_px,
            lambda canvas, at, colour, width: cv2.drawMarker(canvas, at, colour, cv2.MARKER_CROSS, 11, width),
        ),
    ):
        if outline is not None:
            for point in _points_along(np.array(outline, float) * scale, gray.shape[1], gray.shape[0]):
                _mark(pixels, point, draw)
    return np.asarray(pixels, np.uint8)


def _mark(pixels: Any, point: NDArray[np.float64], draw: Callable[[Any, tuple[int, int], Any, int], Any]) -> None:
    """White on black, so that it is seen on any picture."""
    height, width = pixels.shape[:2]
    if 0 <= point[0] < width and 0 <= point[1] < height:
        at = (int(point[0]), int(point[1]))
        draw(pixels, at, (0, 0, 0), 3)
        draw(pixels, at, (255, 255, 255), 1)


def _points_along(outline: NDArray[np.float64], width: int, height: int) -> NDArray[np.float64]:
    """Points on the sides of an outline (4, 2), evenly spaced."""
    points = []
    for start, end in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        # A side far outside is longer than any that is seen.
        length = min(float(np.abs(end - start).max()), 4.0 * (width + height))
        points.append(np.linspace(start, end, 2 + int(length / _MARK_EVERY_PX)))
    return np.concatenate(points)
