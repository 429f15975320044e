"""Corner noise of each view, and structure of the arm's noise: found where it is, absent where it is not."""

from dataclasses import replace

import numpy as np
import pytest

from bench.honesty.disturbances import ROWS, session_of
from bench.honesty.measure import problem_of
from eyebolt.calibration.estimation.linearization import invert_information
from eyebolt.calibration.estimation.maximum_likelihood import joint_estimate
from eyebolt.calibration.estimation.noise_shape import select_pose_excess
from eyebolt.calibration.estimation.statistics import shrunk_variances
from eyebolt.calibration.robust import robust_estimate
from eyebolt.calibration.solve import _usable_pairs, solve
from eyebolt.calibration.uncertainty.contributions import error_contributions
from eyebolt.calibration.uncertainty.transform_error import TransformError
from eyebolt_sim.problems import make_problem
from eyebolt_sim.transforms import exp_se3, inverse


def with_corners(simulated, change):
    """The simulated problem with ``change(k, corners)`` in place of the corners of each view k."""
    return replace(simulated, corners_px=[change(k, corners) for k, corners in enumerate(simulated.corners_px)])


def corner_noise(cases, simulated):
    problem = cases.convert(simulated, False)
    return _usable_pairs(problem, problem.pairs).observations.corner_noise


def test_views_that_differ_by_chance_have_one_variance():
    rng = np.random.default_rng(1)
    dof = np.full(40, 150.0)
    alike = shrunk_variances(rng.chisquare(150, 40) / 150, dof)
    assert np.ptp(alike) < 0.1
    assert alike.mean() == pytest.approx(1.0, abs=0.05)
    # A view with few corners is drawn to the others, one with many is not.
    scattered = rng.chisquare(150, 40) / 150 * np.exp(rng.normal(size=40))
    scattered[:2], dof[0] = 9.0, 2.0
    found = shrunk_variances(scattered, dof)
    assert found[0] < 5 < 8 < found[1]


def test_a_blurred_view_has_its_own_noise(cases):
    simulated = make_problem("fixed", 8, 3)
    clean = corner_noise(cases, simulated)
    assert clean.sigma_px == pytest.approx(0.1, rel=0.05)
    assert np.ptp(clean.relative_variance) < 0.3
    exact = simulated.corners_px_true
    blurred = with_corners(simulated, lambda k, px: exact[k] + (4 if k == 2 else 1) * (px - exact[k]))
    noise = corner_noise(cases, blurred)
    others = np.delete(noise.relative_variance, 2)
    assert noise.relative_variance[2] / others.mean() == pytest.approx(16, rel=0.3)


def test_corners_shifted_alike_over_a_region_are_a_shared_shift(cases):
    simulated = make_problem("fixed", 8, 3)
    assert not corner_noise(cases, simulated).shift_ratio.any()
    right = simulated.board_corners_m[:, 0] > np.median(simulated.board_corners_m[:, 0])
    shifted = with_corners(
        simulated, lambda k, px: px + 0.3 * np.outer(right[simulated.corner_ids[k]], [1, 1]) * (k == 5)
    )
    ratio = corner_noise(cases, shifted).shift_ratio
    assert ratio.argmax() == 5
    assert ratio[5] > 5 * np.delete(ratio, 5).max()


def test_an_axis_that_scatters_more_is_found_and_isotropic_noise_is_not(cases):
    simulated, rng = make_problem("fixed", 20, 4), np.random.default_rng(7)
    sigma = np.array([1e-4, 1e-4, 6e-4, *np.deg2rad([0.02, 0.02, 0.02])])
    reported = [
        pose @ inverse(exp_se3(xi[:3], xi[3:]))
        for pose, xi in zip(simulated.base_T_flange_true, rng.normal(size=(20, 6)) * sigma, strict=True)
    ]
    for case, expected in ((replace(simulated, base_T_flange_reported=np.stack(reported)), True), (simulated, False)):
        problem = cases.convert(case, False)
        estimate = robust_estimate(problem, _usable_pairs(problem, problem.pairs).observations)
        assert estimate.used.all()
        shape = estimate.joint.model.arm_shape
        assert (shape is not None) is expected
        if shape is not None:
            diagonal = np.diagonal(shape, axis1=1, axis2=2).mean(axis=0)
            assert diagonal[2] > 4 * diagonal[:2].max()
        # The pick statement and the contributions have the error of X of this very estimate.
        joint = estimate.joint.without_drift()
        X_error, best = TransformError.of(joint, case.base_T_flange_reported), joint.noise.best
        by_white = best.translation_m**2 * X_error.by_white[0] + best.rotation_rad**2 * X_error.by_white[1]
        found, expected = X_error.constant + by_white, joint.fits.covariance[0][:6, :6]
        assert np.diagonal(found) == pytest.approx(np.diagonal(expected), rel=0.02)
        covariance = joint.covariance[:6, :6]
        transfer = np.eye(6, len(joint.covariance))
        parts = error_contributions(problem, estimate.joint, transfer, covariance, covariance)
        arm = (problem.displacement_metric * by_white).sum()
        assert parts.arm == pytest.approx(1e3 * np.sqrt(arm), rel=0.15)


@pytest.mark.parametrize(
    ("row", "mount", "seed"),
    [
        pytest.param("reach", "fixed", 3, id="grows-with-reach"),
        pytest.param("anisotropic", "fixed", 31, id="one-axis"),
        pytest.param("reach", "arm", 46, id="grows-with-reach-as-a-change"),
        pytest.param("geometry-puma-560", "arm", 3, id="wrong-geometry"),
    ],
)
def test_a_structure_of_the_noise_makes_no_outlier_and_no_change_point(row, mount, seed):
    """Judged by white noise, each session loses a clean pair, the last two several of them to a change point."""
    outcome = solve(problem_of(session_of(ROWS[row], mount, 12, seed)))

    assert outcome.excluded == ()
    assert not [finding.code for finding in outcome.findings if finding.code.endswith("-moved")]


def test_a_cluster_of_equal_eigenvalues_does_not_stop_the_inversion(monkeypatch):
    """The divide-and-conquer driver may fail on a well-conditioned matrix; then another one is used."""
    rng = np.random.default_rng(3)
    factors = rng.normal(size=(2, 27, 40))
    information = factors @ np.swapaxes(factors, 1, 2)

    def failing(matrix):
        raise np.linalg.LinAlgError("Eigenvalues did not converge")

    expected = invert_information(information)
    monkeypatch.setattr(np.linalg, "eigh", failing)
    np.testing.assert_allclose(invert_information(information), expected, rtol=1e-9, atol=1e-15)
    with pytest.raises(np.linalg.LinAlgError):
        invert_information(np.full((3, 3), np.nan))


def test_a_common_error_of_the_corners_of_a_view_is_a_pose_excess(cases):
    """Views displaced with 15 times the covariance that their corner noise leaves to their poses, which absorb it."""
    simulated, rng = make_problem("fixed", 12, 3, robot_noise_mm=0.01, robot_noise_deg=0.002), np.random.default_rng(5)
    camera = cases.convert(simulated, False).camera
    corners_px = []
    for pose, ids, px in zip(simulated.camera_T_board_true, simulated.corner_ids, simulated.corners_px, strict=True):
        points = simulated.board_corners_m[ids]

        def seen(change, pose=pose, points=points):
            moved = pose @ exp_se3(change[:3], change[3:])
            return camera.project(points @ moved[:3, :3].T + moved[:3, 3])

        steps = 1e-6 * np.eye(6)
        jacobian = np.stack([(seen(step) - seen(-step)).ravel() / 2e-6 for step in steps], axis=-1)
        covariance = 15 * 0.1**2 * np.linalg.inv(jacobian.T @ jacobian)
        corners_px.append(px + seen(rng.multivariate_normal(np.zeros(6), covariance)) - seen(np.zeros(6)))
    for case, low, high in ((replace(simulated, corners_px=corners_px), 8, 32), (simulated, 1, 1)):
        problem = cases.convert(case, False)
        joint = joint_estimate(problem, cases.observations_of(problem), case.hand_eye_true, case.nuisance_true)
        excess = select_pose_excess(joint.model, joint.corner_sigma_px, joint.noise.prior, joint.noise.best, joint.fits)
        assert low <= excess <= high


def test_eight_pairs_of_an_arm_with_wrong_geometry_are_all_kept_and_a_displaced_one_is_not():
    """Seven inliers beside one outlier are enough to compare both explanations."""
    row = ROWS["geometry-offset-wrist"]
    for seed in (1, 4, 7, 9):
        assert not solve(problem_of(session_of(row, "arm", 8, seed))).excluded
    problem = problem_of(session_of(ROWS["nothing"], "arm", 8, 1))
    pairs = list(problem.pairs)
    pairs[3] = replace(pairs[3], base_T_flange=pairs[3].base_T_flange @ exp_se3(np.array([0, 2e-3, 0]), np.zeros(3)))
    assert [one.pair for one in solve(replace(problem, pairs=pairs)).excluded] == [3]
