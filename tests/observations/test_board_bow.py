"""The bow of a board: its parametrisation, and that a bow of ordinary size neither costs a view nor a pose."""

import numpy as np
import pytest

from eyebolt.geometry import se3
from eyebolt.geometry.camera_model import CameraModel
from eyebolt.observations.board_bow import CornerField
from eyebolt.observations.board_pose import (
    CornerObservations,
    downweight_outlier_corners,
    fit_board_pose,
    fit_board_poses,
)
from eyebolt.observations.pair import Pair
from eyebolt_sim.problems import DEFAULT_BOARD, make_problem
from eyebolt_sim.views import ViewRange

BOARD_M = DEFAULT_BOARD.corners_m
BOW_MM = (0.3, -0.1, 0.2)


def simulated(seed, bow_mm, noise_px=0.1):
    """Camera, pairs and true poses of 15 views, tilted by up to 45 degrees, of a board with a bow."""
    made = make_problem(
        "arm", 15, seed, corner_noise_px=noise_px, limits=ViewRange(tilt_deg=(0.0, 45.0)), board_bow_mm=bow_mm
    )
    lens = made.lens
    camera = CameraModel(lens.width_px, lens.height_px, lens.matrix, lens.distortion)
    pairs = [
        Pair(k, np.eye(4), ids, corners)
        for k, (ids, corners) in enumerate(zip(made.corner_ids, made.corners_px, strict=True))
    ]
    return camera, pairs, made.camera_T_board_true


def test_the_parameters_are_sagittas_of_the_middle_lines_and_the_lift_of_a_corner():
    field = CornerField.of(BOARD_M)
    (x0, y0), (x1, y1) = BOARD_M[:, :2].min(axis=0), BOARD_M[:, :2].max(axis=0)
    xm, ym = (x0 + x1) / 2, (y0 + y1) / 2
    middle, right, bottom, corner = field.basis(np.array([[xm, ym, 0], [x1, ym, 0], [xm, y1, 0], [x1, y1, 0]]))
    assert right - middle == pytest.approx([1, 0, 0])
    assert bottom - middle == pytest.approx([0, 0, 1])
    assert corner - middle == pytest.approx([1, 1, 1])
    assert field.basis(BOARD_M).mean(axis=0) == pytest.approx(np.zeros(3), abs=1e-12)
    assert field.sigma_m == pytest.approx(0.2e-3)


def test_it_is_the_surface_that_the_simulator_bends_the_board_to():
    bowed = CornerField.of(BOARD_M).bowed(BOARD_M, 1e-3 * np.array(BOW_MM))
    assert bowed == pytest.approx(DEFAULT_BOARD.bowed_corners_m(BOW_MM), abs=1e-12)


def test_a_half_turn_of_the_board_has_the_same_bow():
    field = CornerField.of(BOARD_M)
    half_turned = 2 * np.append(field.centre_m, 0.0) - BOARD_M
    assert field.basis(half_turned) == pytest.approx(field.basis(BOARD_M), abs=1e-12)


def test_corners_on_a_line_have_a_finite_bow():
    assert np.isfinite(CornerField.of(np.array([[0.02 * k, 0.0, 0.0] for k in range(6)])).basis(BOARD_M)).all()


def test_the_pose_of_a_board_with_a_known_bow_is_exact():
    camera, pairs, true_poses = simulated(0, BOW_MM, noise_px=0.0)
    bowed = CornerField.of(BOARD_M).bowed(BOARD_M, 1e-3 * np.array(BOW_MM))
    fits = fit_board_poses(camera, CornerObservations.from_pairs(pairs, bowed))
    assert fits.camera_T_board == pytest.approx(true_poses, abs=1e-6)


@pytest.mark.parametrize("bow_mm", [(0.0, 0.0, 0.0), BOW_MM, (1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, 1.0)])
def test_a_bow_adds_nothing_to_the_residual_of_a_view(bow_mm):
    camera, pairs, _ = simulated(1, bow_mm)
    for pair in pairs:
        _, rss_px2 = fit_board_pose(camera, pair.ids, pair.corners_px, BOARD_M)
        assert np.sqrt(rss_px2 / (2 * len(pair.ids))) == pytest.approx(0.096, abs=0.02)


def test_a_local_bump_of_the_board_stays_in_the_residual():
    camera, _, true_poses = simulated(1, (0.0, 0.0, 0.0))
    bump = BOARD_M + 3e-3 * np.exp(-((BOARD_M - BOARD_M[20]) ** 2).sum(axis=1, keepdims=True) / 0.03**2) * [0, 0, 1]
    tilted = int(np.argmin(true_poses[:, 2, 2]))
    pixels = camera.project(se3.apply(true_poses[tilted], bump))
    _, rss_px2 = fit_board_pose(camera, np.arange(len(BOARD_M)), pixels, BOARD_M)
    assert np.sqrt(rss_px2 / (2 * len(BOARD_M))) > 0.4


@pytest.mark.parametrize("bow_mm", [(0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.4, 0.0, 1.0)])
def test_corners_of_a_bowed_board_keep_their_weight(bow_mm):
    camera, pairs, _ = simulated(2, bow_mm)
    observed = CornerObservations.from_pairs(pairs, BOARD_M)
    weighted, _ = downweight_outlier_corners(
        camera, observed, fit_board_poses(camera, observed), CornerField.of(BOARD_M)
    )
    assert (weighted.weights > 0.9).all()


def test_outlier_corners_on_a_bowed_board_lose_their_weight():
    """A gripper over the board: six corners of every other view are off by 1 px, less than the bow displaces some."""
    camera, pairs, _ = simulated(2, (1.0, 0.0, 0.5))
    observed = CornerObservations.from_pairs(pairs, BOARD_M)
    observed.corners_px[::2, 40:46] += 1.0
    weighted, _ = downweight_outlier_corners(
        camera, observed, fit_board_poses(camera, observed), CornerField.of(BOARD_M)
    )
    is_outlier = np.zeros_like(weighted.weights, dtype=bool)
    is_outlier[::2, 40:46] = True
    assert weighted.weights[is_outlier].max() < 0.2
    assert weighted.weights[~is_outlier].min() > 0.5
