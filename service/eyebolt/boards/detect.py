"""Detection of a board in one image: the entry point of this package."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.board import Board
from eyebolt.boards.detection import Detection, NoDetection
from eyebolt.boards.exposure import GrayImage, measure_exposure, not_found_reason
from eyebolt.boards.other_markers import find_other_markers
from eyebolt.boards.roi import SearchImage
from eyebolt.errors import InputFault, MachineFault

# A square needs four pixels to show its two edges; smaller images also break OpenCV's filters.
_MIN_PX_PER_SQUARE = 4


def find_board(pixels: NDArray[Any], board: Board, *, is_quick: bool = False) -> Detection | NoDetection:
    """Detect ``board`` in an image: (H, W) grey or (H, W, 3) blue-green-red, uint8 or uint16 filling its range.

    ``is_quick``: only the quickest search is run, on the most reduced image, and no other markers are looked for. A
    board that it finds is measured as by the whole search.

    Deterministic: the same image and board always give the same result. Raises InputFault ``image-format`` for an array
    that is not such an image, MachineFault ``image-library`` if OpenCV fails on it.
    """
    gray = to_gray(pixels)
    height, width = gray.shape
    size = (width, height)
    located = markers = None
    search_image = SearchImage(gray, is_quick)
    if min(size) >= _MIN_PX_PER_SQUARE * min(board.columns, board.rows):
        try:
            located = board.locate(search_image)
            if located is None and not is_quick and not_found_reason(measure_exposure(gray, None)) == "no-board":
                markers = find_other_markers(search_image, board)
        except cv2.error as error:
            raise MachineFault(
                "image-library",
                f"OpenCV {cv2.__version__} failed on an image of {width} x {height} px: {error}",
                "keep the image; check that the machine has memory to spare and that OpenCV is the version installed"
                " with this program.",
            ) from error
    if located is None:
        exposure = measure_exposure(gray, None)
        return NoDetection(not_found_reason(exposure), exposure, size, markers)
    return Detection(
        ids=located.ids,
        corners_px=located.corners_px,
        exposure=measure_exposure(gray, located.corners_px),
        image_size_px=size,
        blur_px=located.blur_px,
        half_turn_ambiguous=board.half_turn_ambiguous,
    )


def to_gray(pixels: NDArray[Any]) -> GrayImage:
    """The image as (H, W) at its own depth. Raises InputFault ``image-format``."""
    remedy = "give a grey or blue-green-red image with 8 or 16 bits per value."
    if not isinstance(pixels, np.ndarray):
        raise InputFault("image-format", f"the image is of type {type(pixels).__name__}, not an array", remedy)
    if pixels.size == 0:
        raise InputFault("image-format", f"the image is empty: shape {pixels.shape}", remedy)
    if pixels.dtype not in (np.uint8, np.uint16):
        raise InputFault("image-format", f"the values of the image are {pixels.dtype}", remedy)
    if pixels.ndim == 3 and pixels.shape[2] == 1:
        pixels = pixels[:, :, 0]
    if pixels.ndim == 3 and pixels.shape[2] == 3:
        pixels = np.asarray(cv2.cvtColor(np.ascontiguousarray(pixels), cv2.COLOR_BGR2GRAY))
    if pixels.ndim != 2:
        raise InputFault("image-format", f"the image has the shape {pixels.shape}", remedy)
    return np.ascontiguousarray(pixels)
