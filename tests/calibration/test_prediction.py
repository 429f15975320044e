"""The predictive test of further pairs, on pairs of the simulator, which is independent of the solver."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from eyebolt.boards import board_from_mm
from eyebolt.boards.detection import Detection
from eyebolt.boards.exposure import ExposureStats
from eyebolt.calibration.problem import STATED_NOISE_DOF, RobotNoise
from eyebolt.calibration.solve import solve
from eyebolt.observations import BoardPose
from eyebolt.observations.board_pose import CornerObservations, fit_board_poses, linearize_corners
from eyebolt.observations.view_quality import measure_view
from eyebolt.session.facts import PredictionRecord
from eyebolt_sim.problems import make_problem
from support import long_forms

FURTHER = 8
CASES = pytest.mark.parametrize(
    ("mount", "stated", "turns"),
    [("fixed", True, "free"), ("fixed", False, "free"), ("arm", True, "free"), ("arm", False, "free"),
     ("fixed", False, "vertical")],
)  # fmt: skip


def observed_board_pose(problem, pair):
    stack = CornerObservations.from_pairs([pair], problem.board_corners_m)
    pose = fit_board_poses(problem.camera, stack).camera_T_board
    information = linearize_corners(problem.camera, stack, pose).information[0]
    return BoardPose(pose[0], np.linalg.inv(information), stack.points_m[0])


def split(cases, mount, stated, turns, seed, pairs=10):
    """A problem of the first pairs, and the further ones."""
    whole = cases.convert(make_problem(mount, pairs + FURTHER, seed, turns=turns), stated)
    return replace(whole, pairs=whole.pairs[:pairs]), whole.pairs[pairs:]


@CASES
def test_the_distance_is_that_of_check_pairs_in_a_solve(cases, mount, stated, turns):
    problem, further = split(cases, mount, stated, turns, seed=5)
    for pair in further[:3]:
        solution = solve(problem, checks=[pair])
        mahalanobis_sq = solution.prediction.mahalanobis_sq(pair.base_T_flange, observed_board_pose(problem, pair))
        assert mahalanobis_sq / 6 == pytest.approx(solution.checks.reduced_chi2, rel=0.02)


@long_forms.seeds(3, 6)
@CASES
def test_p_values_of_inliers_are_uniform(cases, mount, stated, turns, seeds):
    p_values = []
    for seed in seeds:
        problem, further = split(cases, mount, stated, turns, seed)
        prediction = solve(problem).prediction
        p_values += [prediction.p_value(pair.base_T_flange, observed_board_pose(problem, pair)) for pair in further]
    # Uniform on 0 to 1, up to the correlation by the error of each solution: a mean of 0.5 +- 0.06, 5 % below 0.05.
    assert 0.35 < np.mean(p_values) < 0.65
    assert np.mean(np.array(p_values) < 0.05) < 0.15


@CASES
def test_a_stale_pose_has_a_negligible_p_value(cases, mount, stated, turns):
    problem, further = split(cases, mount, stated, turns, seed=2)
    prediction = solve(problem).prediction
    for before, pair in itertools.pairwise(further):
        assert prediction.p_value(before.base_T_flange, observed_board_pose(problem, pair)) < 1e-4


def test_excess_noise_of_the_pairs_widens_the_prediction(cases):
    problem, further = split(cases, "fixed", True, "free", seed=1)
    noise = problem.robot_noise
    understated = replace(problem, robot_noise=replace(noise, translation_m=noise.translation_m / 3,
                                                    rotation_rad=noise.rotation_rad / 3),
                          robot_noise_dof=STATED_NOISE_DOF)  # fmt: skip
    prediction = solve(understated).prediction
    assert prediction.noise.translation_m > 0.75 * noise.translation_m
    p_values = [prediction.p_value(pair.base_T_flange, observed_board_pose(problem, pair)) for pair in further]
    assert np.mean(p_values) > 0.2


def test_the_record_of_a_session_restores_the_model(cases):
    problem, further = split(cases, "arm", False, "free", seed=3)
    prediction = solve(problem).prediction
    text = PredictionRecord.of(prediction).model_dump_json()
    restored = PredictionRecord.model_validate_json(text).model()
    pose, observed = further[0].base_T_flange, observed_board_pose(problem, further[0])
    assert restored.mahalanobis_sq(pose, observed) == prediction.mahalanobis_sq(pose, observed)


def test_a_measured_view_has_the_board_pose_of_the_solver(cases):
    problem, further = split(cases, "fixed", False, "free", seed=4)
    board = board_from_mm("chessboard", 12, 9, 20.0)
    np.testing.assert_allclose(board.corners_m(), problem.board_corners_m, atol=1e-12)
    pair, light = further[0], ExposureStats(0.1, 0.7, 0.0, 0.0, 0.75)
    size_px = (problem.camera.width_px, problem.camera.height_px)
    seen = Detection(pair.ids, pair.corners_px, light, size_px, 0.6)
    _, board_pose = measure_view(np.full(size_px[::-1], 128, np.uint8), seen, problem.camera, board)
    wanted = observed_board_pose(problem, pair)
    np.testing.assert_allclose(board_pose.camera_T_board, wanted.camera_T_board, atol=1e-12)
    np.testing.assert_allclose(board_pose.unit_covariance, wanted.unit_covariance, rtol=1e-9)


def test_a_singular_covariance_gives_p_value_0(cases):
    problem, further = split(cases, "fixed", False, "free", seed=4)
    prediction, seen = solve(problem).prediction, observed_board_pose(problem, further[0])
    blind = replace(prediction, covariance=np.full_like(prediction.covariance, np.nan))
    assert blind.p_value(further[0].base_T_flange, seen) == 0.0
    rigid = replace(
        prediction, covariance=np.zeros_like(prediction.covariance), corner_sigma_px=0.0, noise=RobotNoise(0.0, 0.0)
    )
    assert rigid.p_value(further[0].base_T_flange, seen) == 0.0
