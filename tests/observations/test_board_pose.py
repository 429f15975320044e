"""Board poses from single views, against views made by OpenCV's projectPoints from SciPy's rotations."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from eyebolt.geometry.camera_model import CameraModel
from eyebolt.observations.board_pose import CornerObservations, fit_board_poses, linearize_corners
from eyebolt.observations.pair import Pair

MATRIX = np.array([[1400.0, 0, 652.3], [0, 1396.0, 470.8], [0, 0, 1]])
DISTORTION = np.array([-0.11, 0.07, 0.0006, -0.0004, 0.012])
CAMERA = CameraModel(1280, 960, MATRIX, DISTORTION)
BOARD_M = np.array([[0.025 * column, 0.025 * row, 0.0] for row in range(1, 6) for column in range(1, 9)])
CENTRE_M = BOARD_M.mean(axis=0)


def board_at(tilt_deg, about_deg, spin_deg, distance_m, offset_m=(0.0, 0.0)):
    """camera_T_board (4, 4): the board's middle in front of the lens, turned by ``tilt_deg`` out of the image plane."""
    spin = Rotation.from_euler("z", spin_deg, degrees=True)
    axis = np.array([np.cos(np.deg2rad(about_deg)), np.sin(np.deg2rad(about_deg)), 0.0])
    turn = Rotation.from_rotvec(np.deg2rad(tilt_deg) * axis) * spin
    T = np.eye(4)
    T[:3, :3] = turn.as_matrix()
    T[:3, 3] = np.array([*offset_m, distance_m]) - turn.apply(CENTRE_M)
    return T


def projected(T, points_m):
    turn = Rotation.from_matrix(T[:3, :3]).as_rotvec()
    return cv2.projectPoints(points_m, turn, T[:3, 3].copy(), MATRIX, DISTORTION)[0].reshape(-1, 2)


def view(T, ids=None, noise_px=0.0, seed=0, index=0):
    ids = np.arange(len(BOARD_M)) if ids is None else np.asarray(ids)
    corners = projected(T, BOARD_M[ids])
    corners = corners + noise_px * np.random.default_rng(seed).standard_normal(corners.shape)
    return Pair(index, np.eye(4), ids, corners)


def fit(*pairs):
    return fit_board_poses(CAMERA, CornerObservations.from_pairs(pairs, BOARD_M))


def difference(T, other):
    """(mm, deg) between two poses, at the middle of the board."""
    middle = np.append(CENTRE_M, 1.0)
    shift_mm = 1e3 * np.linalg.norm((T @ middle - other @ middle)[:3])
    return shift_mm, np.rad2deg(Rotation.from_matrix(T[:3, :3].T @ other[:3, :3]).magnitude())


def best_by_scipy(pair, start):
    """Least squares on all corners by SciPy's own solver: rotation vector and translation, OpenCV's projection."""

    def residual(x):
        T = np.eye(4)
        T[:3, :3] = Rotation.from_rotvec(x[:3]).as_matrix()
        T[:3, 3] = x[3:]
        return (projected(T, BOARD_M[pair.ids]) - pair.corners_px).ravel()

    x0 = np.concatenate([Rotation.from_matrix(start[:3, :3]).as_rotvec(), start[:3, 3]])
    found = least_squares(residual, x0, xtol=1e-14, ftol=1e-14, gtol=1e-14, x_scale="jac")
    T = np.eye(4)
    T[:3, :3] = Rotation.from_rotvec(found.x[:3]).as_matrix()
    T[:3, 3] = found.x[3:]
    return T, 2 * found.cost


@pytest.mark.evidence
@settings(max_examples=60, deadline=None)
@given(
    tilt=st.floats(3, 65),
    about=st.floats(0, 360),
    spin=st.floats(-180, 180),
    distance=st.floats(0.35, 1.5),
    across=st.floats(-0.1, 0.1),
)
def test_the_pose_of_a_noiseless_view_comes_back(tilt, about, spin, distance, across):
    # Not about one of the board's own axes: that has a test of its own.
    T = board_at(tilt, about, spin + 0.1234, distance, (across * distance, -0.5 * across * distance))
    poses = fit(view(T))
    shift_mm, turn_deg = difference(poses.camera_T_board[0], T)
    assert shift_mm < 1e-6
    assert turn_deg < 1e-5
    assert poses.rss_px2[0] < 1e-12


def test_noiseless_boards_tilted_about_their_own_axes_come_back():
    """As in data that somebody computed: exact numbers, the lens aimed at the middle of the board."""
    for tilt in range(3, 60, 3):
        for about, spin in ((15, 15), (105, 15), (135, 45), (45, 45)):
            T = board_at(tilt, about, spin, 0.5)
            assert difference(fit(view(T)).camera_T_board[0], T)[1] < 1e-5


def test_a_board_square_to_the_camera_comes_back():
    for spin in (0, 45, 90, 180, -135):
        T = board_at(0, 0, spin, 0.6)
        shift_mm, turn_deg = difference(fit(view(T)).camera_T_board[0], T)
        assert shift_mm < 1e-4
        assert turn_deg < 1e-3


@pytest.mark.evidence
@pytest.mark.parametrize("about", [0, 70, 200])
def test_both_tilt_branches_of_a_distant_view_are_minima(about):
    """From afar a board tilted one way looks nearly like one tilted the other way."""
    T = board_at(20, about, 30, 4.0)
    pair = view(T, noise_px=0.1, seed=about)
    poses = fit(pair)
    assert poses.rss_px2[0] <= poses.other_rss_px2[0] < np.inf
    true, other = sorted((poses.camera_T_board[0], poses.other_branch[0]), key=lambda one: difference(one, T)[1])
    assert difference(true, T)[1] < 3
    # The mirror image of a tilt about an axis in the image plane is the opposite tilt about it: 40 deg away.
    assert difference(other, T)[1] == pytest.approx(40, abs=6)
    mirrored = board_at(-20, about, 30, 4.0)
    assert difference(other, mirrored)[1] < 6
    for pose, rss in ((poses.camera_T_board[0], poses.rss_px2[0]), (poses.other_branch[0], poses.other_rss_px2[0])):
        again, rss_again = best_by_scipy(pair, pose)
        assert difference(again, pose)[1] < 1e-2
        assert rss == pytest.approx(rss_again, rel=1e-6)


@pytest.mark.parametrize(("tilt", "distance_m"), [(30, 0.4), (45, 0.5), (20, 0.8)])
def test_close_up_the_other_branch_fits_far_worse_or_ends_at_the_same_pose(tilt, distance_m):
    T = board_at(tilt, 50, 10, distance_m)
    poses = fit(view(T, noise_px=0.1))
    assert difference(poses.camera_T_board[0], T)[1] < 0.3
    same = difference(poses.other_branch[0], poses.camera_T_board[0])[1] < 1e-3
    assert same or poses.other_rss_px2[0] > 20 * poses.rss_px2[0]


@pytest.mark.evidence
@pytest.mark.parametrize("seed", range(6))
def test_noisy_views_reach_the_minimum_that_scipy_finds(seed):
    rng = np.random.default_rng(seed)
    T = board_at(*rng.uniform([5, 0, -180, 0.4], [50, 360, 180, 1.0]))
    ids = np.sort(rng.choice(len(BOARD_M), size=20, replace=False))
    pair = view(T, ids, noise_px=0.5, seed=seed)
    poses = fit(pair)
    best, rss = best_by_scipy(pair, T)
    assert poses.rss_px2[0] == pytest.approx(rss, rel=1e-8)
    shift_mm, turn_deg = difference(poses.camera_T_board[0], best)
    assert shift_mm < 1e-3
    assert turn_deg < 1e-3


def test_padding_changes_nothing():
    """Views of 40, 23, 8 and 6 corners together give what each gives alone."""
    counts = (40, 23, 8, 6)
    pairs = []
    for index, count in enumerate(counts):
        ids = np.sort(np.random.default_rng(count).choice(len(BOARD_M), size=count, replace=False))
        pairs.append(view(board_at(25, 80 * index, 20 * index, 0.5 + 0.1 * index), ids, 0.2, index, index))
    together = fit(*pairs)
    for row, pair in enumerate(pairs):
        alone = fit(pair)
        np.testing.assert_allclose(together.camera_T_board[row], alone.camera_T_board[0], atol=1e-9)
        # A stack goes on until its last view has settled; alone, a shallow minimum is left 3e-6 earlier (measured).
        np.testing.assert_allclose(together.other_branch[row], alone.other_branch[0], atol=1e-5)
        assert together.rss_px2[row] == pytest.approx(alone.rss_px2[0], rel=1e-9)
        assert together.other_rss_px2[row] == pytest.approx(alone.other_rss_px2[0], rel=1e-6)


def test_padding_has_no_part_in_the_linearised_corners():
    T = board_at(25, 10, 0, 0.6)
    few, all_of_them = view(T, np.arange(10), 0.3), view(T, noise_px=0.3)
    stack = CornerObservations.from_pairs([few, all_of_them], BOARD_M)
    assert stack.weights.sum(axis=1).tolist() == [10, 40]
    padded = linearize_corners(CAMERA, stack, np.array([T, T]))
    alone = linearize_corners(CAMERA, CornerObservations.from_pairs([few], BOARD_M), T[None])
    np.testing.assert_allclose(padded.information[0], alone.information[0], rtol=1e-12)
    np.testing.assert_allclose(padded.step[0], alone.step[0], atol=1e-12)
    assert not padded.residual_px[0, 10:].any()
    assert np.isfinite(padded.jacobian).all()


@pytest.mark.evidence
def test_the_jacobian_is_the_slope_of_opencvs_projection():
    """Central differences of cv2.projectPoints; the board is moved by SciPy's rotations, on its own side."""
    T = board_at(35, 120, 40, 0.5, (0.05, -0.04))
    ours = linearize_corners(CAMERA, CornerObservations.from_pairs([view(T)], BOARD_M), T[None]).jacobian[0]
    step = 1e-6
    for k in range(6):
        ends = []
        for sign in (1, -1):
            moved = np.eye(4)
            if k < 3:
                moved[k, 3] = sign * step
            else:
                moved[:3, :3] = Rotation.from_rotvec(sign * step * np.eye(3)[k - 3]).as_matrix()
            ends.append(projected(T @ moved, BOARD_M))
        np.testing.assert_allclose(ours[..., k], (ends[0] - ends[1]) / (2 * step), rtol=1e-5, atol=1e-4)


ROW = np.arange(8)
COLUMN = np.arange(0, 40, 8)
DIAGONAL = np.array([0, 9, 18, 27, 36])


@pytest.mark.parametrize(
    "ids", [[3], [3, 4], [3, 4, 12], ROW, COLUMN, DIAGONAL], ids=["1", "2", "3", "a row", "a column", "a diagonal"]
)
def test_too_few_corners_or_corners_on_a_line_allow_no_pose(ids):
    T = board_at(20, 30, 0, 0.6)
    poses = fit(view(T, ids, 0.1), view(T, noise_px=0.1))
    assert np.isinf(poses.rss_px2[0])
    assert np.isinf(poses.other_rss_px2[0])
    assert difference(poses.camera_T_board[1], T)[1] < 0.5, "its neighbour does not suffer"
    assert np.isfinite(poses.rss_px2[1])


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 40), st.integers(0, 2**32 - 1), st.sampled_from([1.0, 1e3, 1e5]))
def test_no_corners_make_it_raise(count, seed, size_px):
    rng = np.random.default_rng(seed)
    ids = np.sort(rng.choice(len(BOARD_M), size=count, replace=False))
    pair = Pair(0, np.eye(4), ids, rng.uniform(-size_px, size_px, (count, 2)))
    poses = fit(pair)
    assert poses.camera_T_board.shape == (1, 4, 4)
    assert poses.rss_px2[0] <= poses.other_rss_px2[0]
    assert np.isfinite(poses.camera_T_board).all()


def test_no_views_at_all():
    poses = fit()
    assert poses.camera_T_board.shape == (0, 4, 4)
    assert poses.rss_px2.shape == (0,)
