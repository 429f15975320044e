"""A plain chessboard: detected as a whole only, because nothing else numbers its corners."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, ClassVar

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.artwork import Artwork, Cells
from eyebolt.boards.board import Board, BoardFault, BoardValues, LocatedCorners, inner_corners
from eyebolt.boards.corner_fit import fit_corners
from eyebolt.boards.exposure import GrayImage
from eyebolt.boards.roi import SearchImage, downsampled, pyramid_factor
from eyebolt.geometry import Array

# Longest side of the image searched by each of the two methods. On large images of cluttered scenes the search takes
# seconds; it needs no more detail than this, and the corners are measured on the full image.
_FAST_SIZE_PX, _THOROUGH_SIZE_PX = 820, 1300
# A larger standard deviation of a fitted corner means that two edges do not cross there.
_MAX_SIGMA_PX = 0.3
# Share of corners whose colours may contradict the numbering (glare, a finger) before the grid is rejected.
_MAX_CONTRADICTING_SHARE = 0.1
# Distance from the corner, in squares along x and y, at which a square's colour is read: clear of edges and their blur.
_COLOUR_AT_SQUARES = 0.35


@dataclass(frozen=True)
class Chessboard(Board):
    """Squares in chessboard colours; the first square is black.

    Origin: the outer corner of the first square. Corners: those between squares, row by row.
    """

    kind: ClassVar[str] = "chessboard"
    # OpenCV's search needs at least 3 x 3 inner corners.
    min_count: ClassVar[int] = 4
    counted: ClassVar[str] = "squares (not the inner corners)"

    square_m: float
    """Side of a square, m."""

    @property
    def pitch_m(self) -> float:
        """Side of a square, m."""
        return self.square_m

    @property
    def half_turn_ambiguous(self) -> bool:
        """Both ends begin with the same colour: columns and rows are both even or both odd."""
        return (self.columns + self.rows) % 2 == 0

    @property
    def black_squares(self) -> NDArray[np.bool_]:
        """(rows, columns)."""
        row, column = np.indices((self.rows, self.columns))
        out: NDArray[np.bool_] = (row + column) % 2 == 0
        return out

    def corners(self) -> Array:
        """Corners between squares (K, 2), in squares."""
        return inner_corners(self.columns, self.rows)

    def locate(self, search_image: SearchImage) -> LocatedCorners | None:
        """All corners of the board; None unless all of it is in view."""
        found = _search(search_image, self)
        if found is None:
            return None
        grid = _oriented(_refine_grid(search_image.gray_8bit, found), search_image.gray, self)
        if grid is None:
            return None
        along_x_px, along_y_px = _grid_steps(grid)
        start_px = grid.reshape(-1, 2)
        fits = fit_corners(search_image.gray, start_px, along_x_px.reshape(-1, 2), along_y_px.reshape(-1, 2))
        min_spacing_px = _min_spacing_px(grid)
        moved_px = np.linalg.norm(fits.corners_px - start_px, axis=1)
        valid = (fits.sigma_px < _MAX_SIGMA_PX) & (moved_px < np.maximum(1.0, 0.15 * min_spacing_px))
        return LocatedCorners(
            ids=np.arange(self.corner_count),
            corners_px=np.where(valid[:, None], fits.corners_px, start_px),
            blur_px=float(np.median(fits.blur_px)),
        )

    def artwork(self) -> Artwork:
        """The squares."""
        squares = Cells(0, 0, 0.0, float(self.columns), self.black_squares)
        return Artwork((0.0, 0.0), (float(self.columns), float(self.rows)), (squares,))

    @classmethod
    def _check_combinations(cls, values: BoardValues) -> Iterator[BoardFault]:
        columns, rows = values.get("columns"), values.get("rows")
        if columns is not None and columns == rows and columns % 2 == 1:
            yield BoardFault(
                "rows",
                f"{rows}, as many as columns",
                "an even number of squares one way and an odd number the other way: this board looks the same after a"
                " quarter turn",
            )


def _search(search_image: SearchImage, board: Chessboard) -> Array | None:
    """A grid of corners (rows - 1, columns - 1, 2), good to a few pixels, in the order in which OpenCV returns them."""
    image = search_image.gray_8bit
    methods = ((_FAST_SIZE_PX, _find_by_quads), (_THOROUGH_SIZE_PX, _find_by_saddles))
    for longest_px, find in methods[:1] if search_image.is_quick else methods:
        small = downsampled(image, pyramid_factor(2 * max(image.shape) / longest_px - 1e-9))
        found, corners = find(small.image, (board.columns - 1, board.rows - 1))
        if found and corners is not None:
            grid = np.asarray(corners, dtype=np.float64).reshape(board.rows - 1, board.columns - 1, 2)
            return grid if small.scale == 1 else small.to_full_image(_refine_grid(small.image, grid))
    return None


def _find_by_quads(image: NDArray[np.uint8], size: tuple[int, int]) -> tuple[bool, Any]:
    """OpenCV's search by quadrilaterals: copes with tilted and small boards, slow on large cluttered images."""
    return cv2.findChessboardCorners(image, size, flags=cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE)


def _find_by_saddles(image: NDArray[np.uint8], size: tuple[int, int]) -> tuple[bool, Any]:
    """OpenCV's sector-based search: joins saddle points; more robust against blur and noise."""
    return cv2.findChessboardCornersSB(image, size, flags=cv2.CALIB_CB_NORMALIZE_IMAGE)


def _refine_grid(image: NDArray[np.uint8], grid: Array) -> Array:
    """The grid moved onto the corners by the orthogonality of gradients, in windows that contain one corner each."""
    half = int(np.clip(0.4 * _min_spacing_px(grid), 2, 5))
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-3)
    start = grid.reshape(-1, 1, 2).astype(np.float32)
    moved = np.asarray(cv2.cornerSubPix(image, start, (half, half), (-1, -1), criteria), dtype=np.float64)
    return moved.reshape(grid.shape)


def _oriented(grid: Array, gray: GrayImage, board: Chessboard) -> Array | None:
    """The grid in the board's order; None if the colours around it are not those of this board."""
    along_x, along_y = _grid_steps(grid)
    handedness = np.sum(along_x[..., 0] * along_y[..., 1] - along_x[..., 1] * along_y[..., 0])
    if handedness < 0:
        # A board is never seen from behind, so OpenCV has returned its rows backwards.
        grid = grid[:, ::-1]
    black_first = _first_square_is_black(grid, gray)
    if black_first is None:
        return None
    if black_first:
        return grid
    if board.columns == board.rows:
        return np.rot90(grid).copy()
    if board.half_turn_ambiguous:
        # Both ends begin with a white square: a board of the same size in the opposite colours.
        return None
    return grid[::-1, ::-1]


def _first_square_is_black(grid: Array, gray: GrayImage) -> bool | None:
    """Colour of the square before the first corner, by majority of all corners; None if too many contradict it."""
    along_x, along_y = _grid_steps(grid)
    brightness = {
        (i, j): _sample(gray, grid + _COLOUR_AT_SQUARES * (i * along_x + j * along_y)) for i in (-1, 1) for j in (-1, 1)
    }
    # Negative where the squares before and beyond a corner are darker than its other two.
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
    """Derivative of the image position by the board's x and y, px per square, each (rows - 1, columns - 1, 2)."""
    return np.gradient(grid, axis=1), np.gradient(grid, axis=0)


def _min_spacing_px(grid: Array) -> float:
    across = np.linalg.norm(np.diff(grid, axis=1), axis=-1).min()
    return float(min(across, np.linalg.norm(np.diff(grid, axis=0), axis=-1).min()))
