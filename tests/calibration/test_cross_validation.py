"""Leave-one-out residuals in closed form, against solving without each pair."""

import numpy as np
import pytest
import scipy.linalg

from eyebolt.calibration.estimation.cross_validation import held_out_error, leave_one_out
from eyebolt.calibration.estimation.initialization import closed_form_estimates
from eyebolt.calibration.estimation.linearization import linearize
from eyebolt.calibration.estimation.maximum_likelihood import joint_estimate
from eyebolt_sim.problems import make_problem


def twist_of(T):
    """log of a 4x4 by SciPy, (translation, rotation)."""
    generator = np.real(scipy.linalg.logm(T))
    return np.array([*generator[:3, 3], generator[2, 1], generator[0, 2], generator[1, 0]])


def fitted(cases, problem):
    observations = cases.observations_of(problem)
    start = closed_form_estimates(observations.A, observations.pose_fits.camera_T_board)[0]
    return observations, joint_estimate(problem, observations, start.X, start.Y)


@pytest.mark.parametrize("mount", ["fixed", "arm"])
@pytest.mark.parametrize("poses", [6, 15])
def test_leave_one_out_agrees_with_refits(cases, mount, poses):
    problem = cases.convert(make_problem(mount, poses, 1))
    observations, joint = fitted(cases, problem)
    closed_form = leave_one_out(joint)
    for row in range(poses):
        others = observations.subset(np.flatnonzero(np.arange(poses) != row))
        # Without the average over a drift that may be there: the closed form is that of the fit without one.
        refit = joint_estimate(problem, others, joint.X, joint.Y, posterior=False)
        predicted = np.linalg.inv(refit.X) @ observations.A[row] @ refit.Y
        offset = twist_of(np.linalg.inv(predicted) @ observations.pose_fits.camera_T_board[row])
        # The closed form is linear about the fit of all pairs; a refit differs in second order.
        assert closed_form.offset[row, :3] == pytest.approx(offset[:3], abs=5e-6, rel=5e-3)
        assert closed_form.offset[row, 3:] == pytest.approx(offset[3:], abs=5e-6, rel=5e-3)
        one = observations.subset(np.array([row]))
        model = linearize(problem, one.board_poses, one.A, refit.X, refit.Y)
        C = model.covariance(joint.corner_sigma_px, np.repeat([1e-4, np.deg2rad(0.02)], 3)[None] ** 2)[0]
        jacobian = np.concatenate([model.transform_jacobian[0], model.nuisance_jacobian[0]], axis=-1)
        total = C[0] + jacobian @ refit.covariance @ jacobian.T
        at_arm = np.linalg.solve(model.to_board[0], offset)
        mahalanobis_sq = at_arm @ np.linalg.solve(total, at_arm)
        assert closed_form.mahalanobis_sq[row] == pytest.approx(mahalanobis_sq, rel=0.03)


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_residuals_of_clean_pairs_are_chi_squared_with_six_degrees(cases, mount):
    mahalanobis_sq = []
    for seed in range(10):
        _, joint = fitted(cases, cases.convert(make_problem(mount, 15, seed)))
        mahalanobis_sq.extend(leave_one_out(joint).mahalanobis_sq)
    # 150 nearly independent values: mean 6 +- 0.28; 5 % lie above 12.59.
    assert np.mean(mahalanobis_sq) == pytest.approx(6.0, abs=0.9)
    assert 0.01 < np.mean(np.array(mahalanobis_sq) > 12.59) < 0.11


def test_held_out_error_is_the_displacement_of_the_corners(cases):
    problem = cases.convert(make_problem("fixed", 8, 2))
    _, joint = fitted(cases, problem)
    loo_residual_sq = leave_one_out(joint)
    stated = held_out_error(loo_residual_sq, problem.board_corners_m)
    moved = []
    for x, y, z, a, b, c in loo_residual_sq.offset:
        generator = np.array([[0, -c, b, x], [c, 0, -a, y], [-b, a, 0, z], [0, 0, 0, 0]])
        corners = np.append(problem.board_corners_m, np.ones((88, 1)), axis=1).T
        moved.append(((scipy.linalg.expm(generator) - np.eye(4)) @ corners)[:3])
    per_pair = np.sqrt((np.array(moved) ** 2).sum(axis=1).mean(axis=1)) * 1e3
    assert stated.count == 8
    assert stated.rms_mm == pytest.approx(np.sqrt(np.mean(per_pair**2)), rel=1e-9)
    assert stated.worst_mm == pytest.approx(per_pair.max(), rel=1e-9)
    assert stated.reduced_chi2 == pytest.approx(loo_residual_sq.mahalanobis_sq.mean() / 6)
