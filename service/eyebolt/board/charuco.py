"""Finding a chessboard with markers in its white squares, whole or in part."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.board.corners import ClearStrip, CornerFits, fit_corners
from eyebolt.board.definition import Board
from eyebolt.board.light import Pixels
from eyebolt.board.located import Located
from eyebolt.geometry.rigid import Array

# A corner further than this from where the markers put it belongs to a marker that was misread.
_FARTHEST_SQUARES = 0.5
_MISREAD_SQUARES = 1.5
# The fit begins within a pixel or so; one that wanders off has found something else.
_FARTHEST_MOVE_SQUARES = 0.25
_WORST_SIGMA_PX = 0.3
_FAINTEST_STEP = 0.3
_BLURRED_PX = 1.1
_SMALLEST_PERIMETER_PX = 36.0


def locate_charuco(gray: Pixels, for_finder: NDArray[np.uint8], board: Board) -> Located | None:
    """Corners of ``board`` in ``gray`` (H, W); ``for_finder`` is the same picture in 8 bits. None if there are none."""
    pattern = charuco_pattern(board)
    corners, ids, markers, marker_ids = _detector(pattern, for_finder).detectBoard(for_finder)
    if ids is None or len(ids) == 0 or marker_ids is None or len(marker_ids) == 0:
        return None
    corner_ids = np.asarray(ids, dtype=np.int64).reshape(-1)
    start_px = np.asarray(corners, dtype=np.float64).reshape(-1, 2)
    read = _trusted_markers(pattern, board, markers, np.asarray(marker_ids, np.int64).ravel())
    if read is None:
        return None
    expected_px, along_x_px, along_y_px = _around(board.corner_squares(corner_ids)[:, :2], *read)
    facing = along_x_px[:, 0] * along_y_px[:, 1] - along_x_px[:, 1] * along_y_px[:, 0]
    if np.median(facing) <= 0:
        # Seen from behind: a mirror image.
        return None
    square_px = np.sqrt(np.maximum(facing, 1e-12))
    near = (facing > 0) & (np.linalg.norm(start_px - expected_px, axis=1) < _FARTHEST_SQUARES * square_px)
    if not near.any():
        return None
    corner_ids, start_px, square_px = corner_ids[near], start_px[near], square_px[near]
    fits = _fit(gray, start_px, along_x_px[near], along_y_px[near], board)
    sound = _sound(fits, start_px, square_px, _brighter_towards_end(board, corner_ids))
    if not sound.any():
        return None
    order = np.argsort(corner_ids[sound])
    return Located(
        ids=corner_ids[sound][order],
        corners_px=fits.corners_px[sound][order],
        blur_px=float(np.median(fits.blur_px[sound])),
        half_turn_ambiguous=False,
    )


def charuco_pattern(board: Board) -> cv2.aruco.CharucoBoard:
    """OpenCV's board for ``board``, in units of one square.

    Its corner numbers and its origin are ours in both orders: from the upper left of the print, row by row.
    """
    if board.marker_m is None:
        raise ValueError("a board without markers has no marker pattern")
    pattern = cv2.aruco.CharucoBoard(
        (board.columns, board.rows), 1.0, board.marker_m / board.square_m, board.marker_dictionary()
    )
    pattern.setLegacyPattern(board.corner_order == "legacy")
    return pattern


def _detector(pattern: cv2.aruco.CharucoBoard, picture: NDArray[np.uint8]) -> cv2.aruco.CharucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    # The library's smallest marker is a share of the picture, which on a large sensor excludes readable ones.
    share = _SMALLEST_PERIMETER_PX / max(picture.shape)
    parameters.minMarkerPerimeterRate = min(parameters.minMarkerPerimeterRate, share)
    return cv2.aruco.CharucoDetector(pattern, detectorParams=parameters)


def _trusted_markers(
    pattern: cv2.aruco.CharucoBoard, board: Board, markers: Sequence[Any], marker_ids: NDArray[np.int64]
) -> tuple[Array, Array] | None:
    """Marker corners (M, 2) in squares and in pixels, without markers that lie far from where the others put them."""
    known = pattern.getObjPoints()
    usable = [k for k, marker_id in enumerate(marker_ids) if 0 <= marker_id < len(known)]
    if not usable:
        return None
    squares = np.concatenate([np.asarray(known[marker_ids[k]], dtype=float).reshape(-1, 3)[:, :2] for k in usable])
    pixels = np.concatenate([np.asarray(markers[k], dtype=float).reshape(-1, 2) for k in usable])
    sides = np.linalg.norm(np.diff(pixels.reshape(-1, 4, 2), axis=1), axis=2)
    square_px = float(np.median(sides)) / (board.marker_m or board.square_m) * board.square_m
    # Wide enough for a lens that bends the board, too narrow for a marker read as another.
    homography, agrees = cv2.findHomography(squares, pixels, cv2.RANSAC, max(4.0, _MISREAD_SQUARES * square_px))
    if homography is None or agrees is None:
        return None
    trusted = np.asarray(agrees).ravel().astype(bool)
    return squares[trusted], pixels[trusted]


def _around(squares: Array, marker_squares: Array, marker_px: Array) -> tuple[Array, Array, Array]:
    """Where the markers nearby put board points (K, 2), and the picture's change per square along x and y, (K, 2).

    An affine map for each point, fitted with weights that fall off with distance, because a lens bends the board.
    """
    offset = marker_squares - squares[:, None]
    distance2 = np.sum(offset**2, axis=-1)
    weight = np.exp(-(distance2 - distance2.min(axis=1, keepdims=True)) / 2) + 1e-6
    design = np.concatenate([np.ones((*weight.shape, 1)), offset], axis=-1)
    weighted = np.swapaxes(design * weight[..., None], 1, 2)
    affine = np.linalg.solve(weighted @ design, weighted @ marker_px)
    return affine[:, 0], affine[:, 1], affine[:, 2]


def _fit(gray: Pixels, start_px: Array, along_x_px: Array, along_y_px: Array, board: Board) -> CornerFits:
    clear = ClearStrip((1 - (board.marker_m or 0.0) / board.square_m) / 2)
    fits = fit_corners(gray, start_px, along_x_px, along_y_px, clear)
    blur_px = float(np.median(fits.blur_px))
    if blur_px > _BLURRED_PX:
        # The borders of the markers reach further towards the edges than assumed.
        fits = fit_corners(gray, start_px, along_x_px, along_y_px, ClearStrip(clear.squares, 2 * blur_px))
    return fits


def _brighter_towards_end(board: Board, ids: NDArray[np.int64]) -> Array:
    """+1 where the square after the corner (towards +x +y) is white, -1 where it is black."""
    row, column = np.divmod(ids, board.columns - 1)
    black_after = ((column + row) % 2 == 0) == board.first_square_black
    return np.where(black_after, -1.0, 1.0)


def _sound(fits: CornerFits, start_px: Array, square_px: Array, sign: Array) -> NDArray[np.bool_]:
    """Which fits are corners of this board: where they were expected, of the right colours, and sharp enough."""
    moved_px = np.linalg.norm(fits.corners_px - start_px, axis=1)
    step = fits.step * sign
    sound: NDArray[np.bool_] = (
        np.isfinite(fits.sigma_px)
        & (fits.sigma_px < _WORST_SIGMA_PX)
        & (moved_px < np.maximum(1.5, _FARTHEST_MOVE_SQUARES * square_px))
        & (step > _FAINTEST_STEP * np.median(np.abs(fits.step)))
    )
    return sound
