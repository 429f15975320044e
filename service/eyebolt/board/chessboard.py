"""Finding a plain chessboard, which must be in view as a whole, and numbering its corners."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.board.corners import fit_corners
from eyebolt.board.definition import Board
from eyebolt.board.light import Pixels
from eyebolt.board.located import Located
from eyebolt.geometry.rigid import Array

# The searches take seconds on large crowded pictures and need no more detail than this; measuring uses all of it.
_QUICK_SIZE_PX, _THOROUGH_SIZE_PX = 820, 1300
_WORST_SIGMA_PX = 0.3
# Share of corners whose colours may contradict the numbering (glare, a finger) before it is no chessboard.
_MOST_CONTRADICTING = 0.1
# Points at which a square's colour is read, in squares from the corner: away from edges and their blur.
_COLOUR_AT_SQUARES = 0.35


def locate_chessboard(gray: Pixels, for_finder: NDArray[np.uint8], board: Board) -> Located | None:
    """Corners of ``board`` in ``gray`` (H, W); ``for_finder`` is the same picture in 8 bits. None if not found."""
    found = _search(for_finder, board)
    if found is None:
        return None
    grid = _numbered(_sharpen(for_finder, found), gray, board)
    if grid is None:
        return None
    along_x_px, along_y_px = _steps(grid)
    start_px = grid.reshape(-1, 2)
    fits = fit_corners(gray, start_px, along_x_px.reshape(-1, 2), along_y_px.reshape(-1, 2))
    smallest = _smallest_step(grid)
    moved_px = np.linalg.norm(fits.corners_px - start_px, axis=1)
    sound = (fits.sigma_px < _WORST_SIGMA_PX) & (moved_px < np.maximum(1.0, 0.15 * smallest))
    return Located(
        ids=np.arange(board.corner_count),
        corners_px=np.where(sound[:, None], fits.corners_px, start_px),
        blur_px=float(np.median(fits.blur_px)),
        half_turn_ambiguous=board.half_turn_ambiguous,
    )


def _search(picture: NDArray[np.uint8], board: Board) -> Array | None:
    """A grid of corners (rows - 1, columns - 1, 2), good to a few pixels, in the finder's order."""
    for longest_px, find in ((_QUICK_SIZE_PX, _by_squares), (_THOROUGH_SIZE_PX, _by_sectors)):
        scale = -(-max(picture.shape) // longest_px)
        # Whole blocks only, so that the scale is exact.
        height, width = (side // scale for side in picture.shape)
        small = picture
        if scale > 1:
            whole = picture[: height * scale, : width * scale]
            small = np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)
        found, corners = find(small, (board.columns - 1, board.rows - 1))
        if found and corners is not None:
            grid = np.asarray(corners, dtype=np.float64).reshape(board.rows - 1, board.columns - 1, 2)
            return grid if scale == 1 else (_sharpen(small, grid) + 0.5) * scale - 0.5
    return None


def _by_squares(picture: NDArray[np.uint8], size: tuple[int, int]) -> tuple[bool, Any]:
    """OpenCV's older finder: joins black squares; finds tilted and small boards, slow on large crowded pictures."""
    return cv2.findChessboardCorners(picture, size, flags=cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE)


def _by_sectors(picture: NDArray[np.uint8], size: tuple[int, int]) -> tuple[bool, Any]:
    """OpenCV's sector finder: joins saddle points; bears blur and noise better."""
    return cv2.findChessboardCornersSB(picture, size, flags=cv2.CALIB_CB_NORMALIZE_IMAGE)


def _sharpen(picture: NDArray[np.uint8], grid: Array) -> Array:
    """The grid moved onto the corners by the orthogonality of gradients, in a window that sees one corner only."""
    half = int(np.clip(0.4 * _smallest_step(grid), 2, 5))
    until = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-3)
    start = grid.reshape(-1, 1, 2).astype(np.float32)
    moved = np.asarray(cv2.cornerSubPix(picture, start, (half, half), (-1, -1), until), dtype=np.float64)
    return moved.reshape(grid.shape)


def _numbered(grid: Array, gray: Pixels, board: Board) -> Array | None:
    """The grid in the board's own order, or None if its colours are not those of a chessboard."""
    along_x, along_y = _steps(grid)
    facing = np.sum(along_x[..., 0] * along_y[..., 1] - along_x[..., 1] * along_y[..., 0])
    if facing < 0:
        # The board cannot be seen from behind, so the finder went along its rows backwards.
        grid = grid[:, ::-1]
    black_first = _first_square_is_black(grid, gray)
    if black_first is None:
        return None
    if black_first:
        return grid
    if board.columns == board.rows:
        return np.rot90(grid).copy()
    if board.half_turn_ambiguous:
        # Either end begins with a white square: a board of the same size in the opposite colours.
        return None
    return grid[::-1, ::-1]


def _first_square_is_black(grid: Array, gray: Pixels) -> bool | None:
    """Colour of the square before the first corner, by the vote of all corners; None if they do not agree."""
    along_x, along_y = _steps(grid)
    brightness = {
        (i, j): _read(gray, grid + _COLOUR_AT_SQUARES * (i * along_x + j * along_y)) for i in (-1, 1) for j in (-1, 1)
    }
    same = brightness[-1, -1] + brightness[1, 1] - brightness[-1, 1] - brightness[1, -1]
    row, column = np.indices(same.shape)
    vote = np.where((row + column) % 2 == 0, same, -same)
    black_share = float(np.mean(vote < 0))
    if _MOST_CONTRADICTING < black_share < 1 - _MOST_CONTRADICTING:
        return None
    return black_share > 0.5


def _read(gray: Pixels, points_px: Array) -> Array:
    x = np.clip(np.round(points_px[..., 0]).astype(int), 0, gray.shape[1] - 1)
    y = np.clip(np.round(points_px[..., 1]).astype(int), 0, gray.shape[0] - 1)
    out: Array = gray[y, x].astype(np.float64)
    return out


def _steps(grid: Array) -> tuple[Array, Array]:
    """The picture's change per square along the board's x and y, each (rows - 1, columns - 1, 2)."""
    return np.gradient(grid, axis=1), np.gradient(grid, axis=0)


def _smallest_step(grid: Array) -> float:
    across = np.linalg.norm(np.diff(grid, axis=1), axis=-1).min()
    return float(min(across, np.linalg.norm(np.diff(grid, axis=0), axis=-1).min()))
