import json

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.errors import InputFault
from eyebolt_sim.lens import simple_lens
from eyebolt_sim.problems import DEFAULT_LENS, make_problem
from eyebolt_sim.views import ViewRange, chessboard_shape

DISTORTED = simple_lens(1280, 1024, 1300.0, (-0.12, 0.08, 0.001, -0.0007, 0.01))


def opencv_pixels(problem, index, flange_poses):
    """The kinematic chain, link by link, with OpenCV's composition of rotation vectors and its projection."""

    def link(T):
        return cv2.Rodrigues(np.ascontiguousarray(T[:3, :3]))[0], T[:3, 3].reshape(3, 1).copy()

    def inverse_link(T):
        R = T[:3, :3].T
        return cv2.Rodrigues(np.ascontiguousarray(R))[0], (-R @ T[:3, 3]).reshape(3, 1)

    flange = flange_poses[index]
    if problem.mount == "fixed":
        chain = [link(problem.nuisance_true), link(flange), inverse_link(problem.hand_eye_true)]
    else:
        chain = [link(problem.nuisance_true), inverse_link(flange), inverse_link(problem.hand_eye_true)]
    rotation, shift = chain[0]
    for next_rotation, next_shift in chain[1:]:
        rotation, shift = cv2.composeRT(rotation, shift, next_rotation, next_shift)[:2]
    corners = problem.board_corners_m[problem.corner_ids[index]]
    pixels, _ = cv2.projectPoints(corners, rotation, shift, problem.lens.matrix, problem.lens.distortion)
    return pixels.reshape(-1, 2)


@pytest.mark.parametrize("mount", ["fixed", "arm"])
@pytest.mark.parametrize("turns", ["free", "vertical"])
@pytest.mark.parametrize("lens", [DEFAULT_LENS, DISTORTED], ids=["plain", "distorted"])
def test_corners_agree_with_an_independent_chain(mount, turns, lens):
    limits = ViewRange(min_visible_fraction=0.7)
    problem = make_problem(mount, 8, seed=3, camera=lens, turns=turns, limits=limits)
    for index, exact in enumerate(problem.corners_px_true):
        assert opencv_pixels(problem, index, problem.base_T_flange_true) == pytest.approx(exact, abs=1e-7)


def test_noise_has_the_stated_size_and_does_not_change_the_truth():
    noisy = make_problem("fixed", 60, seed=9, corner_noise_px=0.2, robot_noise_mm=0.3, robot_noise_deg=0.05)
    clean = make_problem("fixed", 60, seed=9, corner_noise_px=0, robot_noise_mm=0, robot_noise_deg=0)
    assert (noisy.hand_eye_true == clean.hand_eye_true).all()
    assert (noisy.base_T_flange_true == clean.base_T_flange_true).all()
    assert clean.base_T_flange_reported == pytest.approx(clean.base_T_flange_true, abs=1e-14)
    difference = np.concatenate(noisy.corners_px) - np.concatenate(noisy.corners_px_true)
    assert difference.std(axis=0) == pytest.approx([0.2, 0.2], rel=0.05)
    errors = np.linalg.inv(noisy.base_T_flange_reported) @ noisy.base_T_flange_true
    assert errors[:, :3, 3].std() * 1e3 == pytest.approx(0.3, rel=0.2)
    rotations_deg = np.rad2deg(Rotation.from_matrix(errors[:, :3, :3]).as_rotvec())
    assert rotations_deg.std() == pytest.approx(0.05, rel=0.2)


def test_the_defaults_are_the_reference_case_of_the_accuracy_tests():
    problem = make_problem("arm", 20, seed=1)
    assert problem.board_corners_m.shape == (88, 3)
    assert all(ids.size == 88 for ids in problem.corner_ids)
    centre = np.array([0.12, 0.09, 0, 1])
    depths = (problem.camera_T_board_true @ centre)[:, 2]
    assert depths.min() >= 0.6 * np.cos(np.arctan(0.6))
    assert depths.max() <= 1.0
    tilt = np.rad2deg(np.arccos(problem.camera_T_board_true[:, 2, 2]))
    assert tilt.max() <= 25.0


def test_vertical_arms_rotate_about_base_z_only():
    for mount in ("fixed", "arm"):
        problem = make_problem(mount, 12, seed=2, turns="vertical", robot_noise_deg=0, robot_noise_mm=0)
        assert problem.base_T_flange_true[:, 2, :3] == pytest.approx(np.tile([0, 0, 1], (12, 1)), abs=1e-12)


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_truth_is_plausible(mount):
    for seed in range(20):
        hand_eye = make_problem(mount, 3, seed=seed).hand_eye_true
        distance_m = float(np.linalg.norm(hand_eye[:3, 3]))
        assert distance_m < 0.2 if mount == "arm" else 0.4 < distance_m < 2.0
        assert hand_eye[:3, :3] @ hand_eye[:3, :3].T == pytest.approx(np.eye(3), abs=1e-12)
        assert np.linalg.det(hand_eye[:3, :3]) == pytest.approx(1)


def test_a_problem_file_has_the_content_of_the_problem(tmp_path):
    problem = make_problem("fixed", 5, seed=6, limits=ViewRange(min_visible_fraction=0.6, spread=0.95))
    problem.write(tmp_path / "problem.json", tolerance_mm=0.7, include_robot_noise=False)
    content = json.loads((tmp_path / "problem.json").read_text())
    board = {"board_corners_mm", "board_scale_sigma", "board_bow_sigma_mm"}
    assert (
        set(content)
        == {"mount", "turns", "camera", "pairs", "goal", "drift_sigma_mm", "correlated_error_range_mm"} | board
    )
    assert (content["board_scale_sigma"], content["board_bow_sigma_mm"]) == (1e-9, 1e-6)
    assert content["drift_sigma_mm"] == content["correlated_error_range_mm"] == 0
    assert content["goal"] == {"tolerance_mm": 0.7, "near_mm": 600.0, "far_mm": 1000.0}
    assert content["camera"]["width"] == 2448
    assert np.array(content["board_corners_mm"])[0] == pytest.approx([20, 20, 0])
    assert np.array(content["board_corners_mm"])[1] == pytest.approx([40, 20, 0])
    for pair, reported, ids, corners in zip(
        content["pairs"], problem.base_T_flange_reported, problem.corner_ids, problem.corners_px, strict=True
    ):
        assert (np.array(pair["base_T_flange"]) == reported).all()
        assert pair["ids"] == ids.tolist()
        assert (np.array(pair["corners_px"]) == corners).all()
    assert min(ids.size for ids in problem.corner_ids) < 88, "these limits must cut off some boards at the edge"
    assert problem.to_json()["robot_noise"] == {"mm": 0.1, "deg": 0.02, "degrees_of_freedom": 1e9}


def test_a_board_that_does_not_fit_into_the_image_is_refused():
    with pytest.raises(InputFault) as refused:
        make_problem("fixed", 2, seed=0, board=chessboard_shape(12, 9, 0.5))
    assert refused.value.code == "no-view"
