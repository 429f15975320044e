"""A board of which only a few markers are read at first: found to its ends, and no corner of it on a wrong edge.

Boards tilted by some 20 deg and more in the simulator's images; the truth is where its own lens puts the corners.
"""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.boards.charuco import CharucoBoard
from eyebolt.boards.corner_refinement import CornerRefinement
from eyebolt.boards.detect import find_board
from eyebolt.boards.detection import Detection
from eyebolt_sim.board_texture import draw_board_texture
from eyebolt_sim.lens import Lens
from eyebolt_sim.render import Renderer
from eyebolt_sim.transforms import matrix, transform_points

BOARD = CharucoBoard(columns=12, rows=9, square_m=0.015, marker_m=0.011, dictionary="5X5_100")
FACE = draw_board_texture("charuco", 12, 9, 15.0, 11.0, "5X5_100")
# A view in which the first, small search image gives five markers, all in the middle: their homography is 12 px off at
# the far corner of the board.
FEW_MARKERS = np.array(
    [
        [0.673749576, 0.667758365, 0.316481082, -0.042036462],
        [-0.698749021, 0.715053479, -0.021173732, 0.039746387],
        [-0.240439835, -0.206875053, 0.948362482, 0.895023564],
        [0.0, 0.0, 0.0, 1.0],
    ]
)

VIEWS = 12


def lens_of(k1):
    """The lens that the view above was found with, straight or bent."""
    matrix_px = np.array([[1450.0, 0.0, 643.0], [0.0, 1451.0, 508.0], [0.0, 0.0, 1.0]])
    return Lens(1280, 1024, matrix_px, np.array([k1, 0.09 if k1 else 0.0, 0.0004, -0.0003, 0.0]))


def detection_and_truth(lens, view, number):
    """The detection in the image of a view, and the true corners (88, 2)."""
    renderer = Renderer(lens, FACE, seed=1)
    detection = find_board(renderer.render(view, number), BOARD)
    assert isinstance(detection, Detection)
    return detection, lens.project(transform_points(view, FACE.shape.corners_m))


def test_from_five_markers_in_the_middle():
    detection, truth_px = detection_and_truth(lens_of(0.0), FEW_MARKERS, 14)
    assert len(detection.ids) == 88
    assert np.linalg.norm(detection.corners_px - truth_px, axis=1).max() < 0.1


@pytest.mark.parametrize(("k1", "seed"), [(0.0, 1001), (-0.12, 1008)])
def test_no_corner_is_far_from_the_truth(k1, seed):
    """Small squares, 14 to 40 px, anywhere in the image.

    Refined once only, one view of each seed has corners 4 px off at the end of the board.
    """
    lens = lens_of(k1)
    rng = np.random.default_rng(seed)
    seen = 0
    for number in range(VIEWS):
        place = lens.rays([rng.uniform(250, 1030), rng.uniform(220, 800)]) * rng.uniform(0.7, 0.9)
        aslant = rng.uniform(0, 2 * np.pi)
        tilt = Rotation.from_rotvec(np.deg2rad(rng.uniform(20, 45)) * np.array([np.cos(aslant), np.sin(aslant), 0.0]))
        view = matrix(tilt * Rotation.from_euler("z", rng.uniform(-180, 180), degrees=True), place)
        view[:3, 3] -= view[:3, :3] @ FACE.shape.centre_m
        detection, truth_px = detection_and_truth(lens, view, number)
        assert np.linalg.norm(detection.corners_px - truth_px[detection.ids], axis=1).max() < 0.3, number
        seen += len(detection.ids)
    assert seen > 0.98 * VIEWS * 88


def test_corners_measured_in_the_last_pass_are_compared_with_their_neighbours():
    """Each pass adds a corner, the last one on a wrong edge: no further pass follows in which it would be left out."""
    board = np.array([[column, row] for row in range(8) for column in range(11)], dtype=float)
    distance_sq = ((board[:, None] - board) ** 2).sum(axis=2)
    refinement = CornerRefinement.__new__(CornerRefinement)
    refinement._pattern = SimpleNamespace(
        corners=board, neighbour_weights=np.where(distance_sq > 0, np.exp(-distance_sq / 2), 0.0)
    )
    refinement._square_px = np.full(88, 20.0)
    refinement.corners_px = 100 + 20 * board
    refinement.valid = np.ones(88, dtype=bool)
    found_later = [16, 40, 50, 61]
    refinement.valid[[*found_later, 87]] = False
    passes = iter(found_later)

    def fit_predicted(plane, valid):
        refinement.valid[(found := next(passes))] = True
        if found == found_later[-1]:
            refinement.corners_px[found] += 1.5

    refinement._fit_predicted = fit_predicted
    refinement.extend()
    assert np.flatnonzero(~refinement.valid).tolist() == [61, 87]
