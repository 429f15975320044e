"""Arms that rotate about the vertical only: all but the height is estimated; it is reported or taken as stated."""

from dataclasses import replace

import numpy as np
import pytest

from eyebolt.calibration.estimation.initialization import initial_estimates
from eyebolt.calibration.estimation.vertical_axis import observable_directions, vertical_directions
from eyebolt.calibration.solution import Solution
from eyebolt.calibration.solve import solve
from eyebolt.geometry import se3 as se3
from eyebolt_sim.problems import make_problem
from support import long_forms

SEEDS = range(8)
MOUNTS = ("fixed", "arm")


def heights(simulated, mount):
    """The true heights, metres: of X in its own frame and of the board in its own, along the vertical of each."""
    up = np.array([0.0, 0.0, 1.0])
    flange_up = np.mean([pose[:3, :3].T @ up for pose in simulated.base_T_flange_true], axis=0)
    vertical_X, vertical_Y = (up, flange_up) if mount == "fixed" else (flange_up, up)
    return float(vertical_X @ simulated.hand_eye_true[:3, 3]), float(vertical_Y @ simulated.nuisance_true[:3, 3])


def grid_errors_mm(problem, found, true):
    grid = problem.grid
    return np.linalg.norm(se3.apply(found, grid) - se3.apply(true, grid), axis=1) * 1e3


@long_forms.seeds(4, 8)
@pytest.mark.parametrize("stated", [True, False], ids=["noise-stated", "noise-estimated"])
@pytest.mark.parametrize("mount", MOUNTS)
def test_all_but_the_height_is_found_within_the_stated_error(cases, mount, stated, seeds):
    inside, reduced_chi2 = [], []
    for seed in seeds:
        simulated = make_problem(mount, 12, seed, turns="vertical")
        outcome = solve(cases.convert(simulated, stated))
        assert isinstance(outcome, Solution), f"seed {seed}: {outcome}"
        assert len(outcome.unobservable) == 1
        assert "height of the camera" in outcome.unobservable[0]
        assert outcome.excluded == ()
        assert outcome.X[2, 3] == pytest.approx(0.0, abs=1e-4), "0 in the matrix for the unobservable height"
        slide_along_vertical = simulated.hand_eye_true.copy()
        slide_along_vertical[2, 3] += outcome.X[2, 3] - simulated.hand_eye_true[2, 3]
        errors = grid_errors_mm(cases.convert(simulated), outcome.X, slide_along_vertical)
        inside.append(np.mean(errors <= outcome.expected_error_mm.p95))
        twist = se3.log(se3.inverse(outcome.X) @ slide_along_vertical)
        reduced_chi2.append(twist @ np.linalg.pinv(outcome.covariance, rcond=1e-9) @ twist)
    assert np.mean(inside) > 0.85
    # Five directions are left; their normalised error squared averages 5 (sigma 1.1 over 8 sets, 1.6 over 4).
    assert 2.0 < np.mean(reduced_chi2) < 9.0


@long_forms.seeds(3, 8)
@pytest.mark.parametrize("mount", MOUNTS)
def test_the_stated_height_of_the_board_closes_it(cases, mount, seeds):
    for seed in seeds:
        simulated = make_problem(mount, 12, seed, turns="vertical")
        of_X, of_board = heights(simulated, mount)
        outcome = solve(replace(cases.convert(simulated), height_m=of_board))
        assert isinstance(outcome, Solution)
        assert outcome.unobservable == ()
        assert outcome.X[2, 3] == pytest.approx(of_X, abs=0.002)
        errors = grid_errors_mm(cases.convert(simulated), outcome.X, simulated.hand_eye_true)
        assert np.sqrt((errors**2).mean()) < 2 * outcome.expected_error_mm.p95, f"seed {seed}"


@pytest.mark.parametrize("mount", MOUNTS)
def test_a_stated_height_leaves_the_error_between_camera_and_board(cases, mount):
    """The height of the board is taken as exact; that of the camera has the error of the pairs in between."""
    ratios = []
    for seed in range(6):
        simulated = make_problem(mount, 8, seed, turns="vertical")
        of_X, of_board = heights(simulated, mount)
        outcome = solve(replace(cases.convert(simulated), height_m=of_board))
        assert outcome.height.determined_by == "board_height_mm"
        up = outcome.X[:3, :3].T @ [0, 0, 1] if mount == "fixed" else None
        if up is not None:
            assert np.sqrt(up @ outcome.covariance[:3, :3] @ up) * 1e3 == pytest.approx(outcome.height.sigma_mm)
        assert 0.02 < outcome.height.sigma_mm < 0.5
        ratios.append((outcome.height.mm - of_X * 1e3) / outcome.height.sigma_mm)
    # Chi-square of six: between the quantiles of 0.0005 and 0.9995.
    assert 0.3 < np.square(ratios).sum() < 24.1


@pytest.mark.parametrize("height_m", [None, 0.3])
@pytest.mark.parametrize("mount", MOUNTS)
def test_the_direction_that_is_not_estimated(cases, mount, height_m):
    """Without a height X is held along the vertical; with one it is Y, the board, whose height is stated."""
    simulated = make_problem(mount, 5, 0, turns="vertical")
    problem = replace(cases.convert(simulated), height_m=height_m)
    A = problem.mount.chain(np.array([pair.base_T_flange for pair in problem.pairs]))
    X, Y = simulated.hand_eye_true, simulated.nuisance_true
    basis = observable_directions(problem, A, X, Y)
    assert basis.shape == (12, 11)
    np.testing.assert_allclose(basis.T @ basis, np.eye(11), atol=1e-12)
    vertical_X, vertical_Y = vertical_directions(problem, A)
    held = np.zeros(12)
    if height_m is None:
        held[:3] = X[:3, :3].T @ vertical_X
    else:
        held[6:9] = Y[:3, :3].T @ vertical_Y
    np.testing.assert_allclose(held @ basis, np.zeros(11), atol=1e-12)


@pytest.mark.parametrize("mount", MOUNTS)
def test_a_board_stated_a_hand_higher_moves_the_camera_by_a_hand(cases, mount):
    simulated = make_problem(mount, 12, 3, turns="vertical")
    _, of_board = heights(simulated, mount)
    low, high = (solve(replace(cases.convert(simulated), height_m=of_board + rise)) for rise in (0.0, 0.1))
    assert high.X[2, 3] - low.X[2, 3] == pytest.approx(0.1, abs=1e-3)


@pytest.mark.parametrize("mount", MOUNTS)
def test_the_start_is_exact_without_noise(cases, mount):
    for seed in SEEDS:
        simulated = make_problem(
            mount, 6, seed, corner_noise_px=0, robot_noise_mm=0, robot_noise_deg=0, turns="vertical"
        )
        problem = cases.convert(simulated, False)
        (start,) = initial_estimates(problem, problem.chain(), simulated.camera_T_board_true)
        predicted = se3.inverse(start.X) @ problem.chain() @ start.Y
        assert np.abs(predicted - simulated.camera_T_board_true).max() < 1e-9, f"seed {seed}"
