"""The points of each kind of board, and the descriptions of boards that are rejected."""

from typing import Any

import numpy as np
import pytest

from eyebolt.boards import CharucoBoard, Chessboard, board_from_mm, dictionary_names
from eyebolt.boards.marker_dictionary import dictionary_size
from eyebolt.errors import InputFault

CHARUCO = {"kind": "charuco", "columns": 8, "rows": 6, "square_mm": 20, "marker_mm": 15, "dictionary": "5X5_100"}
CHESSBOARD = {"kind": "chessboard", "columns": 10, "rows": 7, "square_mm": 25}


def test_corners_are_numbered_row_by_row_from_the_corner_next_to_the_origin():
    corners = board_from_mm(**CHESSBOARD).corners_m()
    assert corners.shape == (54, 3)
    np.testing.assert_allclose(corners[0], [0.025, 0.025, 0], atol=1e-15)
    np.testing.assert_allclose(corners[1], [0.050, 0.025, 0], atol=1e-15)
    np.testing.assert_allclose(corners[9], [0.025, 0.050, 0], atol=1e-15)
    np.testing.assert_allclose(corners[53], [0.225, 0.150, 0], atol=1e-15)


def test_lengths_are_taken_in_millimetres():
    board: Any = board_from_mm(**CHARUCO)
    assert (board.square_m, board.marker_m, board.corner_count) == (0.020, 0.015, 35)


@pytest.mark.parametrize(
    ("order", "rows", "black"),
    [("current", 6, True), ("current", 7, True), ("legacy", 7, True), ("legacy", 6, False)],
)
def test_first_square_of_a_charuco_board_is_white_only_in_legacy_order_with_even_rows(order, rows, black):
    board: Any = board_from_mm(**{**CHARUCO, "rows": rows, "corner_order": order})
    assert board.first_square_black is black
    assert bool(board.black_squares[0, 0]) is black
    assert bool(board.black_squares[0, 1]) is not black


@pytest.mark.parametrize(
    ("columns", "rows", "ambiguous"), [(8, 7, False), (7, 8, False), (8, 6, True), (9, 7, True), (8, 8, True)]
)
def test_half_turn_is_ambiguous_where_both_counts_are_odd_or_both_even(columns, rows, ambiguous):
    assert board_from_mm("chessboard", columns, rows, 20).half_turn_ambiguous is ambiguous


@pytest.mark.parametrize(
    ("name", "canonical"),
    [
        ("5X5_100", "5X5_100"),
        ("DICT_5X5_100", "5X5_100"),
        ("5x5_100", "5X5_100"),
        ("APRILTAG_36h11", "APRILTAG_36h11"),
        ("APRILTAG_36H11", "APRILTAG_36h11"),
        ("4X4_50", "4X4_50"),
        ("ARUCO_ORIGINAL", "ARUCO_ORIGINAL"),
    ],
)
def test_dictionaries_are_found_by_name(name, canonical):
    board: Any = board_from_mm(**{**CHARUCO, "dictionary": name})
    assert board.dictionary == canonical
    assert board == board_from_mm(**{**CHARUCO, "dictionary": canonical})
    assert board.marker_bits().shape[0] == 24


@pytest.mark.evidence
def test_dictionary_sizes_are_those_that_opencv_documents():
    # Source: OpenCV documentation, module objdetect, enum PredefinedDictionaryType.
    sizes = {f"{n}X{n}_{size}": size for n in (4, 5, 6, 7) for size in (50, 100, 250, 1000)} | {
        "APRILTAG_16h5": 30,
        "APRILTAG_25h9": 35,
        "APRILTAG_36h10": 2320,
        "APRILTAG_36h11": 587,
        "ARUCO_ORIGINAL": 1024,
    }
    assert set(sizes) <= set(dictionary_names())
    assert {name: dictionary_size(name) for name in sizes} == sizes


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"kind": "grid"}, "board-size"),
        ({"kind": "circles"}, "board-size"),
        ({"gap_mm": 5}, "board-size"),
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
        board_from_mm(**{**CHARUCO, **change})
    assert fault.value.code == code
    assert fault.value.remedy


@pytest.mark.parametrize(
    ("change", "code"),
    [({"rows": 3}, "board-size"), ({"columns": 7, "rows": 7}, "board-size"), ({"marker_mm": 10}, "board-marker")],
)
def test_impossible_chessboards_are_refused(change, code):
    with pytest.raises(InputFault) as fault:
        board_from_mm(**{**CHESSBOARD, **change})
    assert fault.value.code == code


GRID = {"kind": "grid", "columns": 3, "rows": 2, "marker_mm": 24, "gap_mm": 6, "dictionary": "APRILTAG_36h11"}
CIRCLES = {"kind": "circles", "columns": 4, "rows": 11, "spacing_mm": 15}


def test_corners_of_a_grid_go_round_each_marker_from_its_upper_left():
    corners = board_from_mm(**GRID).corners_m() * 1000
    assert corners.shape == (24, 3)
    np.testing.assert_allclose(corners[:4, :2], [[0, 0], [24, 0], [24, 24], [0, 24]], atol=1e-12)
    np.testing.assert_allclose(corners[4, :2], [30, 0], atol=1e-12)
    np.testing.assert_allclose(corners[12, :2], [0, 30], atol=1e-12)


@pytest.mark.parametrize(("rows", "ambiguous"), [(11, False), (10, True)])
def test_every_second_row_of_circles_is_set_off(rows, ambiguous):
    board = board_from_mm(**{**CIRCLES, "rows": rows})
    centres = board.corners_m() * 1000
    np.testing.assert_allclose(centres[[0, 1, 4, 8], :2], [[0, 0], [30, 0], [15, 15], [0, 30]], atol=1e-12)
    assert board.corner_count == 4 * rows
    assert board.half_turn_ambiguous is ambiguous


@pytest.mark.parametrize(
    ("spec", "change", "code"),
    [
        (GRID, {"gap_mm": None}, "board-size"),
        (GRID, {"gap_mm": 1}, "board-size"),
        (GRID, {"marker_mm": 0}, "board-marker"),
        (GRID, {"square_mm": 30}, "board-size"),
        (GRID, {"dictionary": None}, "board-dictionary"),
        (GRID, {"columns": 40, "rows": 40}, "board-dictionary"),
        (CIRCLES, {"spacing_mm": None}, "board-size"),
        (CIRCLES, {"marker_mm": 5}, "board-marker"),
        (CIRCLES, {"rows": 2}, "board-size"),
    ],
)
def test_impossible_grids_and_circles_are_refused(spec, change, code):
    with pytest.raises(InputFault) as fault:
        board_from_mm(**{**spec, **change})
    assert fault.value.code == code
    assert fault.value.remedy


@pytest.mark.parametrize(
    ("key", "value", "code"),
    [("dictionary", "5X5_100", "board-dictionary"), ("corner_order", "current", "board-corner-order")],
)
def test_a_key_that_the_kind_does_not_have_is_refused(key, value, code):
    with pytest.raises(InputFault) as fault:
        board_from_mm(**CHESSBOARD, **{key: value})
    assert fault.value.code == code


def test_all_faults_of_a_description_are_found_at_once():
    faults = CharucoBoard.find_faults(
        {"columns": 2, "rows": 6, "square_mm": 20, "marker_mm": 20, "gap_mm": 3, "dictionary": "5X5-100"}
    )
    assert [fault.key for fault in faults] == ["columns", "gap_mm", "dictionary", "marker_mm"]


def test_keys_with_reported_faults_take_part_in_no_rule():
    description = {"columns": 40, "square_mm": 20, "marker_mm": 20, "dictionary": "5X5_100"}
    assert list(CharucoBoard.find_faults(description, unusable=("rows", "square_mm"))) == []


@pytest.mark.parametrize(
    "build",
    [
        lambda: Chessboard(7, 7, 0.02),
        lambda: CharucoBoard(8, 6, 0.02, 0.02, "5X5_100"),
        lambda: Chessboard(8, 7, 20_000.0),
    ],
)
def test_rules_hold_for_boards_built_in_metres(build):
    with pytest.raises(InputFault):
        build()
