"""What a board is and which descriptions of one are refused."""

import numpy as np
import pytest

from eyebolt.board.definition import Board
from eyebolt.errors import InputFault

CHARUCO = {"kind": "charuco", "columns": 8, "rows": 6, "square_mm": 20, "marker_mm": 15, "dictionary": "5X5_100"}
CHESSBOARD = {"kind": "chessboard", "columns": 10, "rows": 7, "square_mm": 25}


def test_corners_are_numbered_row_by_row_from_the_corner_next_to_the_origin():
    corners = Board.from_mm(**CHESSBOARD).corners_m()
    assert corners.shape == (54, 3)
    np.testing.assert_allclose(corners[0], [0.025, 0.025, 0], atol=1e-15)
    np.testing.assert_allclose(corners[1], [0.050, 0.025, 0], atol=1e-15)
    np.testing.assert_allclose(corners[9], [0.025, 0.050, 0], atol=1e-15)
    np.testing.assert_allclose(corners[53], [0.225, 0.150, 0], atol=1e-15)


def test_lengths_are_taken_in_millimetres():
    board = Board.from_mm(**CHARUCO)
    assert (board.square_m, board.marker_m, board.corner_count) == (0.020, 0.015, 35)


@pytest.mark.parametrize(
    ("order", "rows", "black"),
    [("current", 6, True), ("current", 7, True), ("legacy", 7, True), ("legacy", 6, False)],
)
def test_first_square_of_a_charuco_board_is_white_only_in_legacy_order_with_even_rows(order, rows, black):
    board = Board.from_mm(**{**CHARUCO, "rows": rows, "corner_order": order})
    assert board.first_square_black is black
    assert board.square_is_black(0, 0) is black
    assert board.square_is_black(1, 0) is not black


@pytest.mark.parametrize(
    ("columns", "rows", "ambiguous"), [(8, 7, False), (7, 8, False), (8, 6, True), (9, 7, True), (8, 8, True)]
)
def test_half_turn_is_ambiguous_where_both_counts_are_odd_or_both_even(columns, rows, ambiguous):
    assert Board.from_mm("chessboard", columns, rows, 20).half_turn_ambiguous is ambiguous


@pytest.mark.parametrize("name", ["5X5_100", "DICT_5X5_100", "5x5_100", "APRILTAG_36h11", "4X4_50", "ARUCO_ORIGINAL"])
def test_dictionaries_are_found_by_name(name):
    markers = Board.from_mm(**{**CHARUCO, "dictionary": name}).marker_dictionary()
    assert markers.bytesList.shape[0] >= 24


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"kind": "grid"}, "board-kind"),
        ({"kind": "circles"}, "board-kind"),
        ({"kind": "dots"}, "board-kind"),
        ({"columns": 2}, "board-size"),
        ({"rows": 6.0}, "board-size"),
        ({"rows": True}, "board-size"),
        ({"columns": 5000}, "board-size"),
        ({"square_mm": 0}, "board-size"),
        ({"square_mm": -20}, "board-size"),
        ({"square_mm": float("nan")}, "board-size"),
        ({"square_mm": "20"}, "board-size"),
        ({"marker_mm": None}, "board-marker"),
        ({"marker_mm": 20}, "board-marker"),
        ({"marker_mm": 0}, "board-marker"),
        ({"dictionary": None}, "board-dictionary"),
        ({"dictionary": "5X5_99"}, "board-dictionary"),
        ({"columns": 20, "rows": 20}, "board-dictionary"),
        ({"corner_order": "old"}, "board-corner-order"),
    ],
)
def test_impossible_charuco_boards_are_refused(change, code):
    with pytest.raises(InputFault) as fault:
        Board.from_mm(**{**CHARUCO, **change})
    assert fault.value.code == code
    assert fault.value.remedy


@pytest.mark.parametrize(
    ("change", "code"),
    [({"rows": 3}, "board-size"), ({"columns": 7, "rows": 7}, "board-size"), ({"marker_mm": 10}, "board-marker")],
)
def test_impossible_chessboards_are_refused(change, code):
    with pytest.raises(InputFault) as fault:
        Board.from_mm(**{**CHESSBOARD, **change})
    assert fault.value.code == code


def test_later_kinds_say_what_to_use_instead():
    with pytest.raises(InputFault, match=r"cannot be found yet[\s\S]*charuco or chessboard"):
        Board.from_mm("circles", 8, 6, 20)


def test_a_chessboard_has_no_dictionary_whatever_the_file_says():
    assert Board.from_mm(**CHESSBOARD, dictionary="5X5_100") == Board.from_mm(**CHESSBOARD)
