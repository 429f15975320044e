"""The drawn board against its definition, and against OpenCV's own drawing."""

from typing import Any

import cv2
import numpy as np
import pytest

from eyebolt.boards import board_from_mm
from eyebolt.boards.charuco import charuco_pattern
from eyebolt.boards.marker_dictionary import marker_dictionary
from eyebolt.errors import InputFault
from eyebolt.testing.draw_board import draw_board


def test_a_drawn_chessboard_has_exact_edges_a_black_first_square_and_a_white_margin(chessboard):
    drawn = draw_board(chessboard, 10, margin_squares=1.5)
    assert drawn.image.shape == (7 * 10 + 30, 8 * 10 + 30)
    assert drawn.origin_px == (14.5, 14.5)
    rows, columns = np.indices((7, 8))
    inside = np.kron(np.where((rows + columns) % 2 == 0, 0, 255), np.ones((10, 10)))
    np.testing.assert_array_equal(drawn.image[15:-15, 15:-15], inside)
    without = drawn.image.copy()
    without[15:-15, 15:-15] = 255
    assert (without == 255).all()


def test_pixel_of_gives_the_edge_between_two_pixels(chessboard):
    drawn = draw_board(chessboard, 10, margin_squares=0)
    np.testing.assert_allclose(drawn.to_pixels([0, 0, 0]), [-0.5, -0.5])
    np.testing.assert_allclose(drawn.to_pixels(chessboard.corners_m()[0]), [9.5, 9.5])
    # Corner 0 lies between pixels 9 and 10, where black turns white and back.
    assert drawn.image[9:11, 9:11].tolist() == [[0, 255], [255, 0]]


@pytest.mark.evidence
@pytest.mark.parametrize("order", ["current", "legacy"])
@pytest.mark.parametrize(("columns", "rows"), [(8, 6), (7, 6), (6, 7), (7, 5)])
def test_a_drawn_charuco_board_is_the_one_that_opencv_draws(columns, rows, order):
    # Source: cv2.aruco.CharucoBoard.generateImage, at a size where squares and marker cells fill whole pixels.
    board: Any = board_from_mm("charuco", columns, rows, 20, 14, "5X5_100", order)
    theirs = charuco_pattern(board).generateImage((columns * 40, rows * 40), marginSize=0, borderBits=1)
    np.testing.assert_array_equal(draw_board(board, 40, margin_squares=0).image, theirs)


@pytest.mark.evidence
@pytest.mark.parametrize("order", ["current", "legacy"])
@pytest.mark.parametrize(("columns", "rows"), [(8, 6), (7, 6), (6, 7)])
def test_corner_numbers_are_those_of_opencv(columns, rows, order):
    # Source: cv2.aruco.CharucoBoard.getChessboardCorners.
    board: Any = board_from_mm("charuco", columns, rows, 20, 14, "5X5_100", order)
    np.testing.assert_allclose(
        np.asarray(charuco_pattern(board).getChessboardCorners()).reshape(-1, 3) * board.square_m,
        board.corners_m(),
        atol=1e-7,
    )


def test_marker_edges_are_within_half_a_pixel_at_any_size(charuco):
    drawn = draw_board(charuco, 37, margin_squares=0).image
    square = drawn[:37, 37:74]
    dark = np.flatnonzero((square == 0).any(axis=0))
    first, last = (1 - 0.75) / 2 * 37 - 0.5, (1 + 0.75) / 2 * 37 - 0.5
    assert abs(dark[0] - 0.5 - first) <= 0.5
    assert abs(dark[-1] + 0.5 - last) <= 0.5


@pytest.mark.parametrize(("pixels", "margin"), [(0, 1), (7, 1), (20, -1), (100_000, 1)])
def test_sizes_that_cannot_be_drawn_are_refused(chessboard, pixels, margin):
    with pytest.raises(InputFault) as fault:
        draw_board(chessboard, pixels, margin)
    assert fault.value.code == "board-drawing"


def test_the_first_marker_is_number_zero(charuco):
    square = draw_board(charuco, 56, margin_squares=0).image[:56, 56:112]
    detector = cv2.aruco.ArucoDetector(marker_dictionary(charuco.dictionary))
    _, ids, _ = detector.detectMarkers(cv2.copyMakeBorder(square, 20, 20, 20, 20, cv2.BORDER_CONSTANT, value=255))
    assert np.asarray(ids).ravel().tolist() == [0]
