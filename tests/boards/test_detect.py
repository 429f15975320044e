"""Boards detected in rendered images, against corners that are known exactly."""

import cv2
import numpy as np
import pytest

from eyebolt.boards import board_from_mm
from eyebolt.boards.detect import find_board
from eyebolt.boards.detection import Detection, NoDetection
from eyebolt.errors import InputFault
from support import long_forms

CHESSBOARDS = [(8, 7), (7, 8), (10, 7)]
HALF_TURNED_CHESSBOARDS = [(7, 9), (8, 6), (8, 8)]
CHARUCOS = [
    (8, 7, "current"),
    (7, 8, "current"),
    (7, 8, "legacy"),
    (9, 6, "legacy"),
    (8, 6, "current"),
    (5, 7, "legacy"),
]
QUARTER_TURNS = [0, 1, 2, 3]


def charuco_of(columns, rows, order):
    return board_from_mm("charuco", columns, rows, 20, 15, "5X5_100", order)


def views(renderer, board, seed, count, **appearance):
    """Views at all four multiples of 90 degrees, tilted up to 40 degrees any way, with squares of 20 to 36 px."""
    rng = np.random.default_rng(seed)
    for k in range(count):
        yield renderer.view(
            board,
            rng,
            square_px=rng.uniform(20, 36),
            tilt_rad=rng.uniform(0, 0.7),
            axis_rad=rng.uniform(0, 2 * np.pi),
            roll_rad=k * np.pi / 2 + rng.uniform(-0.3, 0.3),
            aside=rng.uniform(-0.4, 0.4, 2),
            **appearance,
        )


def errors_px(detection, truth_px):
    assert isinstance(detection, Detection), detection
    return detection.corners_px - truth_px[detection.ids]


def check_accuracy(errors, bias_px=0.01, scatter_px=0.02, worst_px=0.1):
    """Bounds well above what was measured (bias 0.001, scatter 0.006-0.008, worst 0.04 px)."""
    errors = np.concatenate(errors)
    assert np.abs(errors.mean(axis=0)).max() < bias_px
    assert np.sqrt((errors**2).mean()) < scatter_px
    assert np.abs(errors).max() < worst_px


@long_forms.examples(4, 8)
@pytest.mark.parametrize(("columns", "rows"), CHESSBOARDS)
def test_chessboard_corners_have_the_right_numbers_and_places(renderer, columns, rows, examples):
    board = board_from_mm("chessboard", columns, rows, 20)
    errors = []
    for view in views(renderer, board, seed=columns, count=examples):
        detection = find_board(view.image, board)
        errors.append(errors_px(detection, view.truth_px))
        assert detection.ids.tolist() == list(range(board.corner_count))
        assert not detection.half_turn_ambiguous
        assert detection.image_size_px == (640, 480)
    check_accuracy(errors)


@pytest.mark.parametrize(("columns", "rows"), HALF_TURNED_CHESSBOARDS)
def test_a_chessboard_that_looks_the_same_after_half_a_turn_is_flagged(renderer, columns, rows):
    board = board_from_mm("chessboard", columns, rows, 20)
    errors = []
    for view in views(renderer, board, seed=columns, count=4):
        detection = find_board(view.image, board)
        assert detection.half_turn_ambiguous
        either = [errors_px(detection, truth) for truth in (view.truth_px, view.truth_px[::-1])]
        errors.append(min(either, key=lambda e: np.abs(e).max()))
    check_accuracy(errors)


@long_forms.examples(4, 8)
@pytest.mark.parametrize(("columns", "rows", "order"), CHARUCOS)
def test_charuco_corners_have_the_right_numbers_and_places(renderer, columns, rows, order, examples):
    board = charuco_of(columns, rows, order)
    errors, found = [], 0
    for view in views(renderer, board, seed=columns, count=examples):
        detection = find_board(view.image, board)
        errors.append(errors_px(detection, view.truth_px))
        assert (np.diff(detection.ids) > 0).all()
        assert not detection.half_turn_ambiguous
        found += len(detection.ids)
    assert found > 0.9 * examples * board.corner_count
    check_accuracy(errors)


@pytest.mark.parametrize("quarter", QUARTER_TURNS)
@pytest.mark.parametrize("kind", ["chessboard", "charuco"])
def test_a_rotated_image_shows_the_same_corners(renderer, kind, quarter, chessboard, charuco):
    board = chessboard if kind == "chessboard" else charuco
    view = renderer.view(board, np.random.default_rng(3), square_px=32, tilt_rad=0.5, axis_rad=1.0)
    straight = find_board(view.image, board)
    turned = find_board(np.rot90(view.image, quarter), board)
    assert turned.ids.tolist() == straight.ids.tolist()
    height, width = view.image.shape
    x, y = straight.corners_px.T
    # np.rot90 rotates anticlockwise: the right edge becomes the top.
    expected = {0: (x, y), 1: (y, width - 1 - x), 2: (width - 1 - x, height - 1 - y), 3: (height - 1 - y, x)}[quarter]
    np.testing.assert_allclose(turned.corners_px, np.column_stack(expected), atol=0.005)


@pytest.mark.parametrize("kind", ["chessboard", "charuco"])
def test_markers_distort_no_corner_in_a_blurred_image(renderer, kind, chessboard, charuco):
    board = chessboard if kind == "chessboard" else charuco
    rng = np.random.default_rng(8)
    seen = [renderer.view(board, rng, 45.0, 0.4, a, blur_px=1.6, noise=3.0) for a in (0.0, 1.5, 3.0)]
    detections = [find_board(view.image, board) for view in seen]
    # Measured: scatter 0.02, worst 0.1 px.
    check_accuracy(
        [errors_px(s, v.truth_px) for s, v in zip(detections, seen, strict=True)], scatter_px=0.05, worst_px=0.25
    )
    assert all(s.blur_px == pytest.approx(1.65, abs=0.15) for s in detections)


def test_a_sharp_image_has_less_blur_than_an_unsharp_one(renderer, charuco):
    found = [
        find_board(renderer.view(charuco, np.random.default_rng(1), blur_px=blur).image, charuco).blur_px
        for blur in (0.5, 1.0, 1.5)
    ]
    assert found[0] < found[1] < found[2]


@pytest.mark.parametrize("aside", [(5.0, 0.0), (-5.0, 2.0), (0.0, 4.5)])
def test_part_of_a_charuco_board_is_enough(renderer, charuco, aside):
    view = renderer.view(charuco, np.random.default_rng(2), square_px=55, tilt_rad=0.3, aside=aside)
    detection = find_board(view.image, charuco)
    errors = errors_px(detection, view.truth_px)
    assert 4 <= len(detection.ids) < charuco.corner_count
    check_accuracy([errors])
    visible = ((view.truth_px > 0) & (view.truth_px < (639, 479))).all(axis=1)
    assert visible[detection.ids].all()


def test_a_covered_charuco_board_keeps_its_other_corners(renderer, charuco):
    view = renderer.view(charuco, np.random.default_rng(4), square_px=45, tilt_rad=0.3)
    middle = view.truth_px.mean(axis=0)
    cv2.circle(view.image, tuple(int(v) for v in middle), 60, 90, -1)
    detection = find_board(view.image, charuco)
    check_accuracy([errors_px(detection, view.truth_px)])
    covered = np.linalg.norm(view.truth_px - middle, axis=1) < 60
    assert 8 <= len(detection.ids) <= charuco.corner_count - covered.sum()
    assert not set(detection.ids) & set(np.flatnonzero(covered))


def test_a_chessboard_in_part_is_not_found(renderer, chessboard):
    view = renderer.view(chessboard, np.random.default_rng(2), square_px=55, aside=(5.0, 0.0))
    assert isinstance(find_board(view.image, chessboard), NoDetection)


@pytest.mark.parametrize("order", ["current", "legacy"])
def test_a_mirrored_charuco_board_is_not_found(renderer, order):
    board = charuco_of(8, 6, order)
    view = renderer.view(board, np.random.default_rng(2), square_px=40)
    assert isinstance(find_board(view.image, board), Detection)
    for flipped in (view.image[:, ::-1], view.image[::-1]):
        assert isinstance(find_board(flipped, board), NoDetection)


def test_chessboard_numbers_never_describe_a_mirrored_board(renderer):
    # The mirror image of these is again a chessboard, but the order of its numbers is never mirrored.
    for columns, rows in [*CHESSBOARDS, (7, 9), (8, 8)]:
        board = board_from_mm("chessboard", columns, rows, 20)
        view = renderer.view(board, np.random.default_rng(6), square_px=30, tilt_rad=0.4, axis_rad=0.7)
        for image in (view.image, view.image[:, ::-1], view.image[::-1]):
            grid = find_board(image, board).corners_px.reshape(rows - 1, columns - 1, 2)
            right, down = grid[0, -1] - grid[0, 0], grid[-1, 0] - grid[0, 0]
            assert right[0] * down[1] - right[1] * down[0] > 0
            before_first = grid[0, 0] - 0.5 * (grid[0, 1] - grid[0, 0]) - 0.5 * (grid[1, 0] - grid[0, 0])
            x, y = np.round(before_first).astype(int)
            assert image[y, x] < 100


def test_a_mirrored_chessboard_that_differs_from_the_board_is_not_found(renderer):
    # Both counts even and unequal: a mirror puts white squares into all four corners.
    board = board_from_mm("chessboard", 8, 6, 20)
    view = renderer.view(board, np.random.default_rng(6), square_px=30, tilt_rad=0.4, axis_rad=0.7)
    assert isinstance(find_board(view.image, board), Detection)
    for flipped in (view.image[:, ::-1], view.image[::-1]):
        assert isinstance(find_board(flipped, board), NoDetection)


@pytest.mark.parametrize(("printed", "stated"), [("current", "legacy"), ("legacy", "current")])
def test_the_wrong_corner_order_finds_nothing_rather_than_wrong_numbers(renderer, printed, stated):
    view = renderer.view(charuco_of(9, 6, printed), np.random.default_rng(2), square_px=40)
    assert isinstance(find_board(view.image, charuco_of(9, 6, stated)), NoDetection)


def test_a_chessboard_in_opposite_colours_is_not_detected_where_the_board_cannot_look_so(renderer):
    board = board_from_mm("chessboard", 7, 9, 20)
    view = renderer.view(board, np.random.default_rng(2), square_px=30, noise=0.5)
    assert isinstance(find_board(view.image, board), Detection)
    assert isinstance(find_board(255 - view.image, board), NoDetection)


def test_another_board_is_not_this_board(renderer, charuco, chessboard):
    rng = np.random.default_rng(2)
    of_charuco, of_chessboard = (renderer.view(b, rng, square_px=40).image for b in (charuco, chessboard))
    assert isinstance(find_board(of_chessboard, charuco), NoDetection)
    assert isinstance(find_board(of_charuco, board_from_mm("charuco", 8, 6, 20, 15, "6X6_100")), NoDetection)
    assert isinstance(find_board(of_chessboard, board_from_mm("chessboard", 12, 9, 20)), NoDetection)


@pytest.mark.parametrize("kind", ["chessboard", "charuco"])
def test_depth_and_colour_make_no_difference(renderer, kind, chessboard, charuco):
    board = chessboard if kind == "chessboard" else charuco
    view = renderer.view(board, np.random.default_rng(9), square_px=32)
    narrow = find_board(view.image, board)
    wide = find_board(view.image.astype(np.uint16) * 257, board)
    colour = find_board(cv2.cvtColor(view.image, cv2.COLOR_GRAY2BGR), board)
    assert colour == narrow
    assert wide.ids.tolist() == narrow.ids.tolist()
    np.testing.assert_allclose(wide.corners_px, narrow.corners_px, atol=0.002)
    assert wide.exposure.bright_level == pytest.approx(narrow.exposure.bright_level, abs=1e-3)


@pytest.mark.parametrize("kind", ["chessboard", "charuco"])
def test_twelve_bits_in_sixteen_and_a_dark_image_still_show_the_board(renderer, kind, chessboard, charuco):
    board = chessboard if kind == "chessboard" else charuco
    view = renderer.view(board, np.random.default_rng(9), square_px=32)
    check_accuracy([errors_px(find_board(view.image.astype(np.uint16) * 16, board), view.truth_px)])
    # Eight times darker leaves 21 grey levels between black and white.
    dim = find_board(view.image // 8, board)
    check_accuracy([errors_px(dim, view.truth_px)], scatter_px=0.03)
    assert dim.exposure.bright_level < 0.11


@pytest.mark.parametrize("kind", ["chessboard", "charuco"])
def test_finding_is_repeatable(renderer, kind, chessboard, charuco):
    board = chessboard if kind == "chessboard" else charuco
    view = renderer.view(board, np.random.default_rng(9), square_px=32)
    before = view.image.copy()
    assert find_board(view.image, board) == find_board(view.image, board)
    np.testing.assert_array_equal(view.image, before)


def test_a_large_image_is_searched_small_and_measured_large(renderer, chessboard):
    view = renderer.view(chessboard, np.random.default_rng(5), square_px=30, noise=0.5)
    large = np.full((1801, 2203), 128, np.uint8)
    large[700 : 700 + 480, 1001 : 1001 + 640] = view.image
    check_accuracy([errors_px(find_board(large, chessboard), view.truth_px + np.array([1001, 700]))])


@pytest.mark.parametrize("kind", ["chessboard", "charuco"])
@pytest.mark.parametrize(("level", "reason"), [(4, "dark"), (128, "no-board"), (255, "saturated")])
def test_an_even_image_is_explained_by_its_exposure(kind, level, reason, chessboard, charuco):
    board = chessboard if kind == "chessboard" else charuco
    nothing = find_board(np.full((480, 640), level, np.uint8), board)
    assert isinstance(nothing, NoDetection)
    assert (nothing.reason, nothing.image_size_px) == (reason, (640, 480))


@pytest.mark.parametrize("kind", ["chessboard", "charuco"])
@pytest.mark.parametrize("shape", [(1, 1), (3, 3), (20, 20), (40, 40), (33, 500), (500, 33)])
def test_noise_of_any_size_shows_nothing(kind, shape, chessboard, charuco):
    board = chessboard if kind == "chessboard" else charuco
    for seed in range(3):
        image = np.random.default_rng(seed).integers(0, 256, shape, dtype=np.uint8)
        assert isinstance(find_board(image, board), NoDetection)


@pytest.mark.parametrize(
    "pixels",
    [
        None,
        [[1, 2], [3, 4]],
        np.zeros((0, 0), np.uint8),
        np.zeros((0, 640), np.uint8),
        np.zeros((480, 640, 0), np.uint8),
        np.zeros(640, np.uint8),
        np.zeros((480, 640, 4), np.uint8),
        np.zeros((480, 640, 2), np.uint16),
        np.zeros((2, 480, 640, 3), np.uint8),
        np.zeros((480, 640), np.float32),
        np.zeros((480, 640), np.int16),
        np.zeros((480, 640), bool),
    ],
    ids=lambda p: type(p).__name__ if not isinstance(p, np.ndarray) else f"{p.dtype}{p.shape}",
)
def test_an_array_that_is_no_image_is_a_fault_with_a_remedy(pixels, charuco):
    with pytest.raises(InputFault) as fault:
        find_board(pixels, charuco)
    assert fault.value.code == "image-format"
    assert "8 or 16 bits" in fault.value.remedy
