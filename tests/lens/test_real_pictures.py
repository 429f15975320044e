"""The lenses of a stereo camera from published pictures, against OpenCV's own calibration and its published figures.

Pictures: Debian's `opencv-doc`, see tests/support/opencv_doc.py.
"""

import cv2
import numpy as np
import pytest

from eyebolt.boards import board_from_mm, find_board
from eyebolt.geometry import CameraModel
from eyebolt.lens import LensView, calibrate_lens, compare_with_stated

pytestmark = pytest.mark.evidence

BOARD = board_from_mm("chessboard", 10, 7, 25)
SIZE_PX = (640, 480)
# OpenCV's calib3d tests: left camera, corners refined with a half-window of 5 px.
PUBLISHED_RMS_PX = 0.196334638
PUBLISHED_FX_FY_CX_CY = (532.8099, 532.9335, 342.4952, 233.8879)
# Measured with OpenCV 4.14 on the same corners, and with those of this program.
RMS_PX = {"left": 0.1954, "right": 0.2070}
OWN_RMS_PX = {"left": 0.160, "right": 0.156}


def views_of(corners):
    return [LensView(str(k), np.arange(54), c.astype(float)) for k, c in enumerate(corners)]


@pytest.fixture(scope="module")
def corners(stereo_images):
    """(side, who): corners of all pictures as this program measures them, and refined as published."""
    until, found = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-4), {}
    for side, paths in stereo_images.items():
        images = [cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) for path in paths]
        own = [find_board(image, BOARD).corners_px for image in images]
        refined = [
            cv2.cornerSubPix(image, c.astype(np.float32).reshape(-1, 1, 2), (5, 5), (-1, -1), until).reshape(-1, 2)
            for image, c in zip(images, own, strict=True)
        ]
        found[side, "own"], found[side, "opencv"] = own, refined
    return found


def opencv_calibration(corners, flags=0):
    """rms and (fx, fy, cx, cy, k1, ...)."""
    points = [BOARD.corners_m().astype(np.float32)] * len(corners)
    rms, matrix, distortion, _, _ = cv2.calibrateCamera(
        points, [c.astype(np.float32).reshape(-1, 1, 2) for c in corners], SIZE_PX, None, None, flags=flags
    )
    return rms, np.concatenate([matrix[[0, 1, 0, 1], [0, 1, 2, 2]], distortion.ravel()])


def values(camera):
    return np.concatenate([camera.matrix[[0, 1, 0, 1], [0, 1, 2, 2]], camera.distortion])


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize(("coefficients", "flags"), [(5, 0), (None, cv2.CALIB_FIX_K3)])
def test_with_opencvs_corners_the_lens_is_that_of_opencv(corners, side, coefficients, flags):
    """Also with the model that is chosen without being told, which has no k3."""
    rms, theirs = opencv_calibration(corners[side, "opencv"], flags)
    ours = calibrate_lens(views_of(corners[side, "opencv"]), SIZE_PX, BOARD.corners_m(), coefficients)
    assert ours.coefficients == (coefficients or 4)
    assert ours.rms_px == pytest.approx(rms, abs=0.002)
    assert ours.rms_px == pytest.approx(RMS_PX[side], abs=0.002)
    found = values(ours.camera)
    assert found[:2] == pytest.approx(theirs[:2], abs=0.2)
    sigma = np.array(list(ours.camera.sigma.values()))
    assert (np.abs(found - theirs[: len(found)]) < 0.5 * sigma).all()
    if side == "left":
        assert ours.rms_px == pytest.approx(PUBLISHED_RMS_PX, abs=0.002)
        assert (np.abs(found[:4] - PUBLISHED_FX_FY_CX_CY) < 0.5 * sigma[:4]).all()


@pytest.mark.parametrize("side", ["left", "right"])
def test_with_own_corners_the_lens_agrees_within_its_covariance(corners, side):
    own, other = (
        calibrate_lens(views_of(corners[side, who]), SIZE_PX, BOARD.corners_m(), 5) for who in ("own", "opencv")
    )
    assert own.rms_px == pytest.approx(OWN_RMS_PX[side], abs=0.002)
    comparison = compare_with_stated(other.camera, own)
    assert comparison.is_confirmed
    assert comparison.p_value > 0.05
    difference = np.abs(values(own.camera) - values(other.camera))
    assert (difference < np.hypot(*(np.array(list(lens.camera.sigma.values())) for lens in (own, other)))).all()
    # The paper of this board is not flat: the corners of a picture err together.
    assert 2 < own.dispersion < 10


def test_the_lens_of_the_other_camera_is_not_confirmed(corners):
    """A negative control: another camera of the same type, with its own covariance and with none."""
    left, right = (calibrate_lens(views_of(corners[side, "own"]), SIZE_PX, BOARD.corners_m()) for side in RMS_PX)
    comparison = compare_with_stated(left.camera, right)
    assert not comparison.is_confirmed
    assert comparison.p_value < 1e-9
    assert comparison.largest_px > 3
    without = CameraModel(*SIZE_PX, left.camera.matrix, left.camera.distortion)
    assert not compare_with_stated(without, right).is_confirmed


def test_a_refocused_lens_is_not_confirmed(corners):
    """A negative control: the same camera with a focal length that is 1 % longer."""
    left = calibrate_lens(views_of(corners["left", "own"]), SIZE_PX, BOARD.corners_m())
    refocused = left.camera.perturbed({"fx": 5.3, "fy": 5.3})
    comparison = compare_with_stated(refocused, left)
    assert not comparison.is_confirmed
    worst = min(comparison.parameters, key=lambda parameter: parameter.p_value)
    assert worst.name in ("fx", "fy")
