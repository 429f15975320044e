"""Rendered views of a board whose corners are known exactly, made without the package's own geometry."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from eyebolt.boards import Board, board_from_mm
from eyebolt.testing.draw_board import draw_board

PIXELS_PER_SQUARE = 64
SUPERSAMPLING = 4


@dataclass
class RenderedView:
    """One rendered image."""

    image: NDArray[np.uint8]
    """(480, 640)"""
    truth_px: NDArray[np.float64]
    """(K, 2), the true corners"""


class Renderer:
    """A pinhole camera of 640 x 480 px and f = 900 px looking at the middle of a board."""

    width, height, focal_px = 640, 480, 900.0

    def homography(
        self,
        board: Board,
        square_px: float,
        tilt_rad: float,
        axis_rad: float,
        roll_rad: float,
        aside: tuple[float, float] = (0.0, 0.0),
    ) -> NDArray[np.float64]:
        """From squares to pixels: tilted about an axis in the image, rolled, moved aside by some squares."""
        tilt, _ = cv2.Rodrigues(np.array([np.cos(axis_rad), np.sin(axis_rad), 0.0]) * tilt_rad)
        roll, _ = cv2.Rodrigues(np.array([0.0, 0.0, roll_rad]))
        rotation = tilt @ roll
        middle = np.array([board.columns / 2, board.rows / 2, 0.0])
        translation = np.array([*aside, self.focal_px / square_px]) - rotation @ middle
        camera = np.array([[self.focal_px, 0, self.width / 2], [0, self.focal_px, self.height / 2], [0, 0, 1]])
        homography: np.ndarray = camera @ np.column_stack([rotation[:, 0], rotation[:, 1], translation])
        return homography

    def view(
        self,
        board: Board,
        rng: np.random.Generator,
        square_px: float = 30.0,
        tilt_rad: float = 0.4,
        axis_rad: float = 0.0,
        roll_rad: float = 0.0,
        aside: tuple[float, float] = (0.0, 0.0),
        **appearance: float,
    ) -> RenderedView:
        """One view of the board: image and true corners."""
        image_H_squares = self.homography(board, square_px, tilt_rad, axis_rad, roll_rad, aside)
        column, row = np.meshgrid(np.arange(1, board.columns), np.arange(1, board.rows))
        corners: np.ndarray = np.column_stack([column.ravel(), row.ravel(), np.ones(column.size)]) @ image_H_squares.T
        return RenderedView(self.image(board, image_H_squares, rng, **appearance), corners[:, :2] / corners[:, 2:])

    def image(
        self,
        board: Board,
        image_H_squares: NDArray[np.float64],
        rng: np.random.Generator,
        dark: float = 30.0,
        bright: float = 200.0,
        blur_px: float = 0.6,
        noise: float = 2.0,
        ground: float = 128,
    ) -> NDArray[np.uint8]:
        """Blurred by the lens, then averaged over the area of each pixel, then noisy, then rounded: in this order.

        Blurring the pixels instead would make straight edges along them come out up to 0.02 px off.
        """
        drawn = draw_board(board, PIXELS_PER_SQUARE, margin_squares=1.0).image
        p, s = PIXELS_PER_SQUARE, SUPERSAMPLING
        # The centre of pixel (i, j) of the drawing is (i + 1/2) / p - 1 squares from the origin: one square of margin.
        squares_H_drawing = np.array([[1 / p, 0, 0.5 / p - 1], [0, 1 / p, 0.5 / p - 1], [0, 0, 1]])
        fine_H_image = np.array([[s, 0, (s - 1) / 2], [0, s, (s - 1) / 2], [0, 0, 1.0]])
        fine = cv2.warpPerspective(
            drawn,
            fine_H_image @ image_H_squares @ squares_H_drawing,
            (self.width * s, self.height * s),
            flags=cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=ground,
        )
        blurred = cv2.GaussianBlur(fine, (0, 0), blur_px * s)
        seen = dark + (bright - dark) / 255 * blurred.reshape(self.height, s, self.width, s).mean(axis=(1, 3))
        image: np.ndarray = np.clip(np.round(seen + rng.normal(0, noise, seen.shape)), 0, 255).astype(np.uint8)
        return image


@pytest.fixture(scope="session")
def renderer() -> Renderer:
    return Renderer()


@pytest.fixture
def charuco() -> Board:
    return board_from_mm("charuco", 8, 6, 20, 15, "5X5_100")


@pytest.fixture
def chessboard() -> Board:
    return board_from_mm("chessboard", 8, 7, 20)
