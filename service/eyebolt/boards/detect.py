"""The one question the rest of the house asks: where is the board in this picture?"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from eyebolt.boards.board import Board
from eyebolt.boards.detection import Detection, NoDetection, SearchImage
from eyebolt.boards.exposure import GrayImage, measure_exposure, not_found_reason
from eyebolt.errors import InputFault, MachineFault

# Four pixels are the least a square can have; smaller pictures upset the library's filters.
_MIN_PX_PER_SQUARE = 4


def find_board(
    pixels: np.typing.NDArray[Any], board: Board, *, near: Detection | NoDetection | None = None
) -> Detection | NoDetection:
    """Find ``board`` in a picture: (H, W) grey or (H, W, 3) blue-green-red, uint8 or uint16 filling its range.

    ``near``: what a picture just before this one showed. It makes finding quicker where the board has hardly moved,
    and never hides a board that is somewhere else. The same picture, board and guess always give the same answer.
    Raises InputFault ``picture-pixels`` for what is no such
    picture, MachineFault ``picture-library`` if OpenCV gives up on it.
    """
    gray = to_gray(pixels)
    height, width = gray.shape
    size = (width, height)
    located = None
    if min(size) >= _MIN_PX_PER_SQUARE * min(board.columns, board.rows):
        try:
            prior = near if isinstance(near, Detection) and near.image_size_px == size else None
            search_image = SearchImage(gray, prior)
            located = board.board_kind.detect(search_image, board)
        except cv2.error as problem:
            raise MachineFault(
                "image-library",
                f"OpenCV {cv2.__version__} failed on a picture of {width} x {height} px: {problem}",
                "keep the picture and check that the machine has memory to spare and the library is the one installed"
                " with this program.",
            ) from problem
    if located is None:
        exposure = measure_exposure(gray, None)
        return NoDetection(not_found_reason(exposure), exposure, size)
    return Detection(
        ids=located.ids,
        corners_px=located.corners_px,
        exposure=measure_exposure(gray, located.corners_px),
        image_size_px=size,
        blur_px=located.blur_px,
        half_turn_ambiguous=located.half_turn_ambiguous,
    )


def to_gray(pixels: np.typing.NDArray[Any]) -> GrayImage:
    """The picture as (H, W) in its own depth. Raises InputFault ``picture-pixels``."""
    remedy = "give a grey or blue-green-red picture with 8 or 16 bits a value."
    if not isinstance(pixels, np.ndarray):
        raise InputFault("image-format", f"a picture came as {type(pixels).__name__}, not as an array", remedy)
    if pixels.size == 0:
        raise InputFault("image-format", f"the picture is empty: {pixels.shape}", remedy)
    if pixels.dtype not in (np.uint8, np.uint16):
        raise InputFault("image-format", f"the picture's values are {pixels.dtype}", remedy)
    if pixels.ndim == 3 and pixels.shape[2] == 1:
        pixels = pixels[:, :, 0]
    if pixels.ndim == 3 and pixels.shape[2] == 3:
        pixels = np.asarray(cv2.cvtColor(np.ascontiguousarray(pixels), cv2.COLOR_BGR2GRAY))
    if pixels.ndim != 2:
        raise InputFault("image-format", f"the picture has the shape {pixels.shape}", remedy)
    return np.ascontiguousarray(pixels)
