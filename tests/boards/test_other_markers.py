"""What is seen where the board in view is not the stated one; and values of a narrower sensor in 16 bits."""

import numpy as np
import pytest

from eyebolt.boards import MarkerLayout, NoDetection, board_from_mm, parse_detection
from eyebolt.boards.detect import find_board
from eyebolt.boards.detection import Detection
from eyebolt.observations import assess_view

STATED = ("charuco", 8, 6, 20, 15, "5X5_100")
EVEN = ("charuco", 7, 8, 20, 15, "5X5_100")
GRID = {"kind": "grid", "columns": 4, "rows": 3, "marker_mm": 20, "gap_mm": 5, "dictionary": "APRILTAG_36h11"}


def view_of(renderer, board, **appearance):
    return renderer.view(board, np.random.default_rng(1), square_px=40.0, tilt_rad=0.4, roll_rad=0.5, **appearance)


def searched(renderer, shown, stated):
    return find_board(view_of(renderer, shown).image, stated)


@pytest.mark.parametrize(
    ("shown", "stated", "layout", "dictionary", "columns"),
    [
        (("charuco", 6, 8, 20, 15, "5X5_100"), STATED, MarkerLayout.SWAPPED, "5X5_50", 6),
        (("charuco", 7, 6, 20, 15, "5X5_100"), STATED, MarkerLayout.COLUMNS, "5X5_50", 7),
        (("charuco", 8, 6, 20, 15, "4X4_50"), STATED, MarkerLayout.DICTIONARY, "4X4_50", None),
        (("charuco", 8, 6, 20, 15, "APRILTAG_36h11"), STATED, MarkerLayout.DICTIONARY, "APRILTAG_36h11", None),
        ((*EVEN, "legacy"), (*EVEN, "current"), MarkerLayout.CORNER_ORDER, "5X5_50", 7),
        (STATED, ("chessboard", 12, 9, 20), MarkerLayout.DICTIONARY, "5X5_50", None),
    ],
)
def test_a_wrong_board_is_named_by_its_markers(renderer, shown, stated, layout, dictionary, columns):
    found = searched(renderer, board_from_mm(*shown), board_from_mm(*stated))
    assert isinstance(found, NoDetection)
    seen = found.markers
    assert (seen.layout, seen.dictionary, seen.columns) == (layout, dictionary, columns)
    assert seen.lowest_id == 0
    assert seen.count <= shown[1] * shown[2] // 2
    assert parse_detection(found.to_record().model_dump()) == found
    assessed = assess_view(found, found.image_size_px, 35, np.eye(4), [])
    assert assessed.code == 20
    assert dictionary in assessed.message
    assert columns is None or f"{columns} columns" in assessed.message or layout is MarkerLayout.CORNER_ORDER


def test_a_grid_with_columns_and_rows_swapped(renderer):
    found = searched(
        renderer, board_from_mm(**GRID), board_from_mm(**GRID | {"columns": 3, "rows": 4})
    )  # fmt: skip
    assert (found.markers.layout, found.markers.columns) == (MarkerLayout.SWAPPED, 4)


def test_a_mirrored_image(renderer):
    board = board_from_mm(*STATED)
    found = find_board(np.ascontiguousarray(view_of(renderer, board).image[:, ::-1]), board)
    assert found.markers.layout is MarkerLayout.MIRRORED


def test_nothing_is_claimed_about_an_image_without_markers_or_with_a_board_that_is_hidden(renderer):
    board = board_from_mm(*STATED)
    rng = np.random.default_rng(0)
    noise = rng.integers(60, 200, (480, 640), dtype=np.uint8)
    chessboard = view_of(renderer, board_from_mm("chessboard", 9, 7, 20)).image
    for image in (noise, chessboard, np.full((480, 640), 120, np.uint8)):
        assert find_board(image, board).markers is None
    assert isinstance(find_board(view_of(renderer, board).image, board), Detection)


@pytest.mark.parametrize("bits", [10, 12])
def test_values_of_a_narrower_sensor_in_16_bits_are_named(renderer, bits):
    board = board_from_mm(*STATED)
    image = view_of(renderer, board).image.astype(np.uint16) << (bits - 8)
    assert image.max() < 1 << bits
    for pixels in (image, np.full_like(image, image.max() // 2)):
        found = find_board(pixels, board)
        assert found.exposure.narrower_bits == bits
        assessed = assess_view(found, found.image_size_px, 35, np.eye(4), [])
        assert assessed.code == 25
        assert f"0 and {pixels.max()}" in assessed.message
        assert f"{bits} bits" in assessed.message
        assert f"times {1 << 16 - bits}" in assessed.remedy
    full = find_board(image << (16 - bits), board)
    assert (full.exposure.narrower_bits, assess_view(full, full.image_size_px, 35, np.eye(4), []).code) == (None, 0)


def test_an_image_that_is_dark_in_any_depth_is_only_dark():
    dark = np.random.default_rng(0).integers(0, 40, (480, 640)).astype(np.uint16)
    found = find_board(dark, board_from_mm(*STATED))
    assessed = assess_view(found, found.image_size_px, 35, np.eye(4), [])
    assert assessed.code == 25
    assert "bits" not in assessed.message
