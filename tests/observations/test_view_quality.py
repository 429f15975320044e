"""The measures of one view: pose, saturated share, and what is left out where the corners determine no pose."""

import numpy as np
import pytest

from eyebolt.boards import Chessboard, Detection, ExposureStats
from eyebolt.geometry import se3
from eyebolt.geometry.camera_model import CameraModel
from eyebolt.observations import measure_view

WIDTH_PX, HEIGHT_PX, FOCAL_PX, DISTANCE_M = 640, 480, 900.0, 0.5
CAMERA = CameraModel(WIDTH_PX, HEIGHT_PX, np.array([[FOCAL_PX, 0, 320], [0, FOCAL_PX, 240], [0, 0, 1.0]]), np.zeros(5))
BOARD = Chessboard(8, 6, 0.02)
LIGHT = ExposureStats(dark_level=0.1, bright_level=0.7, saturated_fraction=0.0, black_fraction=0.0, contrast=0.75)


def facing(rows=slice(None), size_px=(WIDTH_PX, HEIGHT_PX), turned_rad=(0.0, 0.0, 0.0)):
    """The corners ``rows`` of a board with its middle on the optical axis, turned by a rotation vector from facing the
    camera."""
    corners_m = BOARD.corners_m()
    middle = (corners_m.min(axis=0) + corners_m.max(axis=0)) / 2
    turned = (corners_m - middle) @ se3.exp_rotation(np.array(turned_rad)).T
    corners_px = CAMERA.project(turned + np.array([0.0, 0.0, DISTANCE_M]))
    return Detection(np.arange(BOARD.corner_count)[rows], corners_px[rows], LIGHT, size_px, 0.6)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize(("level", "saturated"), [(1.0, 0.25), (0.995, 0.25), (0.97, 0.0)])
def test_the_saturated_share_is_that_near_the_upper_end_of_the_scale(dtype, level, saturated):
    gray = np.full((HEIGHT_PX, WIDTH_PX), np.iinfo(dtype).max // 2, dtype)
    gray[: HEIGHT_PX // 2, : WIDTH_PX // 2] = round(level * np.iinfo(dtype).max)
    view, _ = measure_view(gray, facing(), CAMERA, BOARD)
    assert view.saturated_image_fraction == saturated


def test_a_board_that_faces_the_camera():
    view, board_pose = measure_view(np.full((HEIGHT_PX, WIDTH_PX), 128, np.uint8), facing(), CAMERA, BOARD)
    assert not view.no_pose
    assert board_pose.camera_T_board[2, 3] == pytest.approx(DISTANCE_M, rel=1e-6)
    assert view.tilt_deg == pytest.approx(0.0, abs=0.1)
    assert view.distance_mm == pytest.approx(500.0, rel=1e-6)
    assert view.square_px == pytest.approx(FOCAL_PX * 0.02 / DISTANCE_M, rel=1e-4)
    assert view.residual_px == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(
    "detection", [facing(slice(7)), facing(slice(3)), facing(size_px=(640, 481))], ids=["a line", "three", "size"]
)
def test_corners_that_determine_no_pose(detection):
    view, board_pose = measure_view(np.full((HEIGHT_PX, WIDTH_PX), 128, np.uint8), detection, CAMERA, BOARD)
    assert board_pose is None
    assert view.no_pose
    assert (view.tilt_deg, view.distance_mm, view.residual_px) == (None, None, None)


@pytest.mark.parametrize(
    ("turned_deg", "tilt_deg", "direction_deg"),
    # Its face, towards -z of the camera, is turned right by a negative rotation about y (down), down by one about x.
    [((0, -30, 0), 30, 0), ((0, 25, 0), 25, 180), ((40, 0, 0), 40, 90), ((-40, 0, 0), 40, -90), ((0, -30, 170), 30, 0)],
)
def test_a_tilted_board_is_measured_with_the_direction_in_which_it_is_turned(turned_deg, tilt_deg, direction_deg):
    about = np.deg2rad(turned_deg)
    turned = se3.exp_rotation(about * [1, 1, 0]) @ se3.exp_rotation(about * [0, 0, 1])
    detection = facing(turned_rad=se3.log_rotation(turned))
    view, _ = measure_view(np.full((HEIGHT_PX, WIDTH_PX), 128, np.uint8), detection, CAMERA, BOARD)
    assert view.tilt_deg == pytest.approx(tilt_deg, abs=0.01)
    assert (view.tilt_direction_deg - direction_deg + 180) % 360 == pytest.approx(180, abs=0.1)
