"""Every kind of board in images of the simulator, which computes its truth independently of the product."""

from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from eyebolt.boards import board_from_mm
from eyebolt.boards import circle_grid as circles
from eyebolt.boards.detect import find_board
from eyebolt.boards.detection import Detection, NoDetection
from eyebolt.boards.homography import fit_plane
from eyebolt.boards.registry import BOARD_KINDS
from eyebolt.testing.draw_board import draw_board
from eyebolt_sim.board_texture import draw_board_texture
from eyebolt_sim.lens import simple_lens
from eyebolt_sim.render import Appearance, Renderer
from eyebolt_sim.transforms import transform_points
from eyebolt_sim.views import place, tilted

LENS = simple_lens(1280, 1024, 1600.0, (-0.1, 0.05, 0, 0, 0))
BOARDS = {
    "charuco": {"columns": 8, "rows": 6, "square_mm": 20.0, "marker_mm": 15.0, "dictionary": "5X5_100"},
    "chessboard": {"columns": 9, "rows": 6, "square_mm": 20.0},
    "grid": {"columns": 5, "rows": 4, "marker_mm": 24.0, "gap_mm": 8.0, "dictionary": "APRILTAG_36h11"},
    "circles": {"columns": 4, "rows": 9, "spacing_mm": 16.0},
}


def rendered(kind, share=0.5, tilt=0.5, roll=0.3, axis=1.0, where=(0.02, 0.03), seed=3, **appearance):
    """A image of the board ``share`` of the width wide, and its true points."""
    face = draw_board_texture(kind, **BOARDS[kind])
    distance_m = face.shape.size_m[0] * LENS.matrix[0, 0] / (share * LENS.width_px)
    camera_T_board = place(LENS, face.shape, tilted(tilt, axis, roll), np.array(where), distance_m)
    image = Renderer(LENS, face, Appearance(**appearance), seed=seed).render(camera_T_board, seed)
    return image, LENS.project(transform_points(camera_T_board, face.shape.corners_m))


def test_every_kind_is_tested_here():
    assert set(BOARDS) == set(BOARD_KINDS)


@pytest.mark.parametrize("kind", BOARDS)
def test_the_simulators_board_has_its_points_where_the_product_has_them(kind):
    theirs = draw_board_texture(kind, **BOARDS[kind]).shape.corners_m
    # The simulator prints whole texels; a gap may be a fraction of one off.
    np.testing.assert_allclose(board_from_mm(kind, **BOARDS[kind]).corners_m(), theirs, atol=2e-5)


# Measured RMS in px: charuco and chessboard 0.005, grid 0.02, circles 0.03 (0.01 with squarer views).
@pytest.mark.parametrize(
    ("kind", "rms_px"), [("charuco", 0.02), ("chessboard", 0.02), ("grid", 0.05), ("circles", 0.08)]
)
@pytest.mark.parametrize(
    ("share", "tilt", "roll"), [(0.3, 0.2, 0.3), (0.5, 0.6, 2.0), (0.55, 0.9, -1.2), (0.5, 0.4, -2.8)]
)
def test_points_have_the_right_numbers_and_places(kind, rms_px, share, tilt, roll):
    board = board_from_mm(kind, **BOARDS[kind])
    image, truth = rendered(kind, share, tilt, roll)
    detection = find_board(image, board)
    assert isinstance(detection, Detection)
    assert len(detection.ids) > 0.9 * board.corner_count
    off = detection.corners_px - truth[detection.ids]
    assert np.sqrt((off**2).mean()) < rms_px
    assert np.abs(off).max() < 0.3


@pytest.mark.parametrize("kind", BOARDS)
def test_the_quick_search_measures_as_the_whole_one_does(kind):
    board = board_from_mm(kind, **BOARDS[kind])
    image, _ = rendered(kind)
    assert find_board(image, board, is_quick=True) == find_board(image, board)


def test_of_the_blobs_of_noise_only_the_largest_are_compared(monkeypatch):
    # An image of noise at 5 megapixels has 100,000 of them; the matrix of their distances would fill any memory.
    rng = np.random.default_rng(1)
    at_px, sizes_px = rng.uniform(0, 1000, (4000, 2)), rng.uniform(4, 12, 4000)
    blobs = [cv2.KeyPoint(float(x), float(y), float(size)) for (x, y), size in zip(at_px, sizes_px, strict=True)]
    monkeypatch.setattr(circles, "_blob_detector", lambda size: SimpleNamespace(detect=lambda image: blobs))
    kept = circles._blobs(np.zeros((1000, 1000), np.uint8))
    assert 1000 < len(kept) <= circles._MAX_BLOBS
    nearest = np.linalg.norm(kept[:, None] - at_px, axis=2).argmin(axis=1)
    assert sizes_px[nearest].min() >= np.sort(sizes_px)[-circles._MAX_BLOBS] - 1e-3


@pytest.mark.parametrize("kind", ["charuco", "grid"])
def test_part_of_a_board_with_markers_is_enough(kind):
    board = board_from_mm(kind, **BOARDS[kind])
    image, truth = rendered(kind, share=0.7, where=(0.7, 0.1))
    detection = find_board(image, board)
    visible = LENS.inside(truth)
    assert 8 <= len(detection.ids) < board.corner_count
    assert visible[detection.ids].all()
    assert np.abs(detection.corners_px - truth[detection.ids]).max() < 0.3


@pytest.mark.parametrize("kind", ["charuco", "grid"])
def test_a_mirrored_board_with_markers_is_none(kind):
    image, _ = rendered(kind)
    assert isinstance(find_board(image[:, ::-1], board_from_mm(kind, **BOARDS[kind])), NoDetection)


def test_another_kind_of_board_is_not_detected():
    for kind in BOARDS:
        image, _ = rendered(kind)
        for other in BOARDS:
            if other != kind and {kind, other} != {"charuco", "chessboard"}:
                assert isinstance(find_board(image, board_from_mm(other, **BOARDS[other])), NoDetection), (
                    kind,
                    other,
                )


def test_centres_of_circles_are_not_the_middles_of_their_ellipses():
    """The gain of the correction: what a tilt of 50 degrees and a near camera make of the two."""
    board = board_from_mm("circles", **BOARDS["circles"])
    image, truth = rendered("circles", share=0.45, tilt=np.deg2rad(50), roll=0.4)
    detection = find_board(image, board)
    assert len(detection.ids) == board.corner_count
    plane = fit_plane(board.corners(), detection.corners_px)[0]
    edges = circles._edges(image, plane, board.corners())
    middles = circles.ellipse_centres(circles._conics(edges)[0], edges.centre_px)
    corrected, uncorrected = (np.sqrt(((p - truth) ** 2).sum(1).mean()) for p in (detection.corners_px, middles))
    assert uncorrected > 0.3
    assert corrected < uncorrected / 5


@pytest.mark.parametrize("kind", BOARDS)
def test_a_drawn_board_is_found_where_it_was_drawn(kind):
    board = board_from_mm(kind, **BOARDS[kind])
    drawn = draw_board(board, 60)
    detection = find_board(drawn.image, board)
    assert len(detection.ids) == board.corner_count
    assert np.abs(detection.corners_px - drawn.to_pixels(board.corners_m())).max() < 0.6
