"""The further view that would help most: that it does, in pictures that are taken as it says."""

import cv2
import numpy as np
import pytest

from eyebolt.geometry import se3
from eyebolt.lens import LensView, best_next_view, calibrate_lens
from eyebolt.lens.calibrate import picture_grid, picture_variance
from support.lens_views import BOARD_M, SIZE_PX, make_views


def error_px(found):
    camera = found.camera
    return picture_variance(camera, found.fit.names, camera.covariance, camera.rays(picture_grid(camera))) ** 0.5


def seen(camera, camera_T_board, seed=0):
    """The board as OpenCV projects it there, with the noise of the other views."""
    pixels = cv2.projectPoints(
        BOARD_M, cv2.Rodrigues(camera_T_board[:3, :3])[0], camera_T_board[:3, 3], camera.matrix, camera.distortion
    )[0].reshape(-1, 2)
    inside = np.flatnonzero(((pixels >= 0) & (pixels <= np.array(SIZE_PX) - 1)).all(axis=1))
    noise = 0.1 * np.random.default_rng(seed).standard_normal((len(inside), 2))
    return LensView("next", inside, pixels[inside] + noise)


@pytest.mark.parametrize("needs_whole_board", [True, False])
def test_the_view_lessens_the_error_as_forecast(needs_whole_board):
    truth = make_views(1, 6)
    before = calibrate_lens(truth.views, SIZE_PX, BOARD_M, 5)
    suggestion = best_next_view(before, BOARD_M, needs_whole_board)
    assert suggestion.error_before_px == pytest.approx(error_px(before))
    view = seen(truth.camera, suggestion.camera_T_board)
    assert len(view.ids) == 88 or not needs_whole_board
    after = calibrate_lens([*truth.views, view], SIZE_PX, BOARD_M, 5)
    scaled = error_px(after) * np.sqrt(before.dispersion / after.dispersion)
    assert scaled == pytest.approx(suggestion.error_after_px, rel=0.1)
    assert suggestion.error_after_px < 0.9 * suggestion.error_before_px


def test_the_words_are_those_of_the_view():
    truth = make_views(1, 6)
    found = calibrate_lens(truth.views, SIZE_PX, BOARD_M, 5)
    suggestion = best_next_view(found, BOARD_M, True)
    normal = suggestion.camera_T_board[:3, 2]
    assert np.rad2deg(np.arccos(abs(normal[2]))) == pytest.approx(suggestion.tilt_deg, abs=1e-6)
    centre = se3.apply(suggestion.camera_T_board, BOARD_M.mean(axis=0)[None])[0]
    assert centre[2] == pytest.approx(suggestion.distance_m)
    u, v = found.camera.project(centre) / np.array(SIZE_PX)
    across, down = ("left", "", "right")[int(3 * u)], ("top", "", "bottom")[int(3 * v)]
    assert across in suggestion.place and down in suggestion.place
    points = se3.apply(suggestion.camera_T_board, BOARD_M)
    farthest = points[np.argmax(points[:, 2])] - centre
    for word, sign in (("right", (0, 1)), ("left", (0, -1)), ("lower", (1, 1)), ("upper", (1, -1))):
        if word in suggestion.far_edge:
            assert farthest[sign[0]] * sign[1] > 0
    assert f"{suggestion.distance_m * 1e3:.0f} mm" in suggestion.text


def test_no_view_where_the_board_never_fits():
    found = calibrate_lens(make_views(1, 6).views, SIZE_PX, BOARD_M, 5)
    assert best_next_view(found, np.array([[0.0, 0, 0], [1, 0, 0], [0, 100.0, 0]]), True) is None
