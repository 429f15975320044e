"""Finding a plain chessboard, which must be in view as a whole, and numbering its corners."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.corner_fit import fit_corners
from eyebolt.boards.detection import LocatedCorners, SearchImage
from eyebolt.boards.exposure import GrayImage
from eyebolt.boards.family import BoardKind, draw_squares, inner_corners, square_m
from eyebolt.boards.homography import fit_plane
from eyebolt.boards.roi import downsampled, pyramid_factor
from eyebolt.errors import InputFault
from eyebolt.geometry import Array

if TYPE_CHECKING:
    from eyebolt.boards.board import Board

# The searches take seconds on large crowded pictures and need no more detail than this; measuring uses all of it.
_FAST_SIZE_PX, _THOROUGH_SIZE_PX = 820, 1300
_TRACKED_SQUARE_PX = 12.0
_MAX_SIGMA_PX = 0.3
# Share of corners whose colours may contradict the numbering (glare, a finger) before it is no chessboard.
_MAX_CONTRADICTING_SHARE = 0.1
# Points at which a square's colour is read, in squares from the corner: away from edges and their blur.
_COLOUR_AT_SQUARES = 0.35


def detect_chessboard(search_image: SearchImage, board: Board) -> LocatedCorners | None:
    """Corners of ``board`` in a picture; None if not all of it is found."""
    grid = _tracked(search_image, board)
    located = None if grid is None else _fitted_corners(search_image, grid, board)
    if located is not None:
        return located
    found = _search(search_image.gray_8bit, board)
    return None if found is None else _fitted_corners(search_image, found, board)


def _fitted_corners(search_image: SearchImage, found: Array, board: Board) -> LocatedCorners | None:
    grid = _oriented(_refine_grid(search_image.gray_8bit, found), search_image.gray, board)
    if grid is None:
        return None
    along_x_px, along_y_px = _grid_steps(grid)
    start_px = grid.reshape(-1, 2)
    fits = fit_corners(search_image.gray, start_px, along_x_px.reshape(-1, 2), along_y_px.reshape(-1, 2))
    min_spacing_px = _min_spacing_px(grid)
    moved_px = np.linalg.norm(fits.corners_px - start_px, axis=1)
    valid = (fits.sigma_px < _MAX_SIGMA_PX) & (moved_px < np.maximum(1.0, 0.15 * min_spacing_px))
    return LocatedCorners(
        ids=np.arange(board.corner_count),
        corners_px=np.where(valid[:, None], fits.corners_px, start_px),
        blur_px=float(np.median(fits.blur_px)),
        half_turn_ambiguous=board.half_turn_ambiguous,
    )


def _tracked(search_image: SearchImage, board: Board) -> Array | None:
    """The grid where it was last seen, if every corner is still there within a third of a square."""
    near = search_image.near
    if near is None or len(near.ids) != board.corner_count:
        return None
    last = near.corners_px.reshape(board.rows - 1, board.columns - 1, 2)
    factor = pyramid_factor(_min_spacing_px(last) / _TRACKED_SQUARE_PX)
    margin = 2 * _TRACKED_SQUARE_PX * factor
    region = search_image.crop(near.corners_px.min(axis=0) - margin, near.corners_px.max(axis=0) + margin, factor)
    start = region.from_full_image(last)
    size = np.array(region.image.shape[::-1])
    if (start < 0).any() or (start > size - 1).any():
        return None
    half = int(np.clip(0.35 * _min_spacing_px(start), 2, 6))
    moved = _refine_grid(region.image, start, half)
    plane_fit = fit_plane(inner_corners(board), moved.reshape(-1, 2))
    if plane_fit is None or np.linalg.norm(plane_fit[0].residual_px, axis=1).max() > 0.25 * _min_spacing_px(start):
        # Not a flat grid any more: some corner went to a neighbour or got lost.
        return None
    return region.to_full_image(moved)


def _search(image: NDArray[np.uint8], board: Board) -> Array | None:
    """A grid of corners (rows - 1, columns - 1, 2), good to a few pixels, in the finder's order."""
    for longest_px, find in ((_FAST_SIZE_PX, _find_by_quads), (_THOROUGH_SIZE_PX, _find_by_saddles)):
        small = downsampled(image, pyramid_factor(2 * max(image.shape) / longest_px - 1e-9))
        found, corners = find(small.image, (board.columns - 1, board.rows - 1))
        if found and corners is not None:
            grid = np.asarray(corners, dtype=np.float64).reshape(board.rows - 1, board.columns - 1, 2)
            return grid if small.scale == 1 else small.to_full_image(_refine_grid(small.image, grid))
    return None


def _find_by_quads(image: NDArray[np.uint8], size: tuple[int, int]) -> tuple[bool, Any]:
    """OpenCV's older finder: joins black squares; finds tilted and small boards, slow on large crowded pictures."""
    return cv2.findChessboardCorners(image, size, flags=cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE)


def _find_by_saddles(image: NDArray[np.uint8], size: tuple[int, int]) -> tuple[bool, Any]:
    """OpenCV's sector finder: joins saddle points; bears blur and noise better."""
    return cv2.findChessboardCornersSB(image, size, flags=cv2.CALIB_CB_NORMALIZE_IMAGE)


def _refine_grid(image: NDArray[np.uint8], grid: Array, half: int | None = None) -> Array:
    """The grid moved onto the corners by the orthogonality of gradients, in a window that sees one corner only."""
    half = half or int(np.clip(0.4 * _min_spacing_px(grid), 2, 5))
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-3)
    start = grid.reshape(-1, 1, 2).astype(np.float32)
    moved = np.asarray(cv2.cornerSubPix(image, start, (half, half), (-1, -1), criteria), dtype=np.float64)
    return moved.reshape(grid.shape)


def _oriented(grid: Array, gray: GrayImage, board: Board) -> Array | None:
    """The grid in the board's own order, or None if its colours are not those of a chessboard."""
    along_x, along_y = _grid_steps(grid)
    handedness = np.sum(along_x[..., 0] * along_y[..., 1] - along_x[..., 1] * along_y[..., 0])
    if handedness < 0:
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


def _first_square_is_black(grid: Array, gray: GrayImage) -> bool | None:
    """Colour of the square before the first corner, by the vote of all corners; None if they do not agree."""
    along_x, along_y = _grid_steps(grid)
    brightness = {
        (i, j): _sample(gray, grid + _COLOUR_AT_SQUARES * (i * along_x + j * along_y)) for i in (-1, 1) for j in (-1, 1)
    }
    same = brightness[-1, -1] + brightness[1, 1] - brightness[-1, 1] - brightness[1, -1]
    row, column = np.indices(same.shape)
    vote = np.where((row + column) % 2 == 0, same, -same)
    black_share = float(np.mean(vote < 0))
    if _MAX_CONTRADICTING_SHARE < black_share < 1 - _MAX_CONTRADICTING_SHARE:
        return None
    return black_share > 0.5


def _sample(gray: GrayImage, points_px: Array) -> Array:
    x = np.clip(np.round(points_px[..., 0]).astype(int), 0, gray.shape[1] - 1)
    y = np.clip(np.round(points_px[..., 1]).astype(int), 0, gray.shape[0] - 1)
    out: Array = gray[y, x].astype(np.float64)
    return out


def _grid_steps(grid: Array) -> tuple[Array, Array]:
    """The picture's change per square along the board's x and y, each (rows - 1, columns - 1, 2)."""
    return np.gradient(grid, axis=1), np.gradient(grid, axis=0)


def _min_spacing_px(grid: Array) -> float:
    across = np.linalg.norm(np.diff(grid, axis=1), axis=-1).min()
    return float(min(across, np.linalg.norm(np.diff(grid, axis=0), axis=-1).min()))


def _check(board: Board) -> None:
    if board.columns == board.rows and board.columns % 2 == 1:
        raise InputFault(
            "board-size",
            f"a chessboard of {board.columns} x {board.rows} squares looks the same after a quarter turn",
            "use a board with an odd number of squares one way and an even number the other way.",
        )


CHESSBOARD = BoardKind(
    kind="chessboard",
    required_fields=("square_m",),
    min_count=4,
    counted_noun="squares (not the inner corners)",
    check=_check,
    pitch_m=square_m,
    points=inner_corners,
    half_turn_ambiguous=lambda board: (board.columns + board.rows) % 2 == 0,
    detect=detect_chessboard,
    artwork=lambda board, size: (draw_squares(board, size), (0.0, 0.0)),
)
