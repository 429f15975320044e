"""The generator of ``bench.honesty``: closure of its cells, published kinematics, its bound, and its rows."""

from dataclasses import replace

import numpy as np
import pytest

from bench.honesty import bound, generator, measure
from bench.honesty.disturbances import ROWS, session_of
from bench.honesty.rigid import apply, inverse, moved
from bench.honesty.serial_arm import ARMS, PUMA_560
from eyebolt.calibration import Solution, solve
from eyebolt_sim.problems import EXACT_NOISE_DOF


@pytest.mark.parametrize("mount", generator.MOUNTS)
@pytest.mark.parametrize("row", ["nothing", "geometry-offset-wrist"])
def test_the_product_s_equation_predicts_the_corners_of_a_cell_without_noise(mount, row):
    session = session_of(ROWS[row], mount, 5, seed=3)
    session.observe(np.random.default_rng(0), noise=0.0)
    problem = measure.problem_of(session)
    real = session.actual(session.cell.flanges)
    views = inverse(session.X_true) @ problem.mount.chain(real) @ session.cell.Y
    predicted = problem.camera.project(apply(views, problem.board_corners_m))
    np.testing.assert_allclose(predicted, session.corners_px, atol=1e-7)
    assert (np.abs(real - session.flanges).max() > 1e-5) == (row != "nothing")


@pytest.mark.evidence
def test_the_puma_560_has_its_published_poses():
    # P. Corke, Robotics, Vision and Control: p560 at zero and at its nominal pose.
    np.testing.assert_allclose(PUMA_560.forward(np.zeros(6))[:3, 3], [0.4521, -0.15005, 0.4318], atol=1e-7)
    nominal = PUMA_560.forward(np.array([0, np.pi / 4, np.pi, 0, np.pi / 4, 0]))
    np.testing.assert_allclose(nominal[:3, 3], [0.596303, -0.15005, -0.014354], atol=1e-6)
    np.testing.assert_allclose(nominal[:3, :3], [[0, 0, 1], [0, 1, 0], [-1, 0, 0]], atol=1e-12)


@pytest.mark.parametrize("name", ARMS)
def test_inverse_kinematics_inverts_the_forward_one_or_gives_nothing(name):
    arm, rng = ARMS[name], np.random.default_rng(1)
    poses = arm.forward(arm.ready + rng.uniform(-0.6, 0.6, size=(50, 6)))
    joints = arm.joints_for(poses)
    reached = np.isfinite(joints).all(axis=1)
    assert reached.mean() > 0.7
    np.testing.assert_allclose(arm.forward(joints[reached]), poses[reached], atol=1e-6)
    far = moved(poses[:1], np.array([0, 0, 3.0, 0, 0, 0]))
    assert np.isnan(arm.joints_for(far)).all()


@pytest.mark.parametrize("mount", generator.MOUNTS)
def test_the_bound_is_that_of_the_problem_with_every_arm_error_as_an_unknown(mount):
    session = session_of(ROWS["lens-off"], mount, 5, seed=0)
    by_shared, by_arm = bound.corner_derivatives(session)
    n, rows, root = session.pairs, by_arm.shape[1], session.nuisance_root
    r = root.shape[1]
    J = np.zeros((n * rows + 6 * n + r, 12 + r + 6 * n))
    J[: n * rows, : 12 + r] = np.concatenate([by_shared[..., :12], by_shared[..., 12:] @ root], -1).reshape(-1, 12 + r)
    for k in range(n):
        J[k * rows : (k + 1) * rows, 12 + r + 6 * k : 18 + r + 6 * k] = by_arm[k]
    J[: n * rows] /= generator.CORNER_PX
    sigma = np.tile(np.repeat([generator.ARM_M, generator.ARM_RAD], 3), n)
    J[n * rows : n * rows + 6 * n, 12 + r :] = np.diag(1 / sigma)
    J[n * rows + 6 * n :, 12 : 12 + r] = np.eye(r)
    scale = np.linalg.norm(J, axis=0)
    dense = np.linalg.inv((J / scale).T @ (J / scale)) / scale[:, None] / scale
    np.testing.assert_allclose(bound.covariance(session), dense[:6, :6], rtol=1e-4, atol=1e-4 * dense[:6, :6].max())


@pytest.mark.parametrize("mount", generator.MOUNTS)
def test_with_everything_stated_the_product_s_covariance_is_the_bound(mount):
    session = session_of(ROWS["noise-stated"], mount, 12, seed=2)
    # The bound knows the noise of the arm, that it is white and that nothing creeps.
    exact = {"robot_noise_dof": EXACT_NOISE_DOF, "drift_sigma_m": 0.0, "correlated_error_range_m": 0.0}
    outcome = solve(replace(measure.problem_of(session), **exact))
    assert isinstance(outcome, Solution)
    stated = bound.rms_mm(outcome.covariance, session.cell.lens)
    best = bound.rms_mm(bound.covariance(session), session.cell.lens)
    # The difference: corner noise estimated from 1000 residuals, linearised at the estimate instead of the truth.
    assert stated == pytest.approx(best, rel=0.05)


def test_what_is_open_only_enlarges_the_bound():
    session = session_of(ROWS["lens-file-0.3"], "arm", 8, seed=1)
    lens = session.cell.lens
    exact = bound.rms_mm(bound.covariance(session, np.zeros((10, 0))), lens)
    almost = bound.rms_mm(bound.covariance(session, 1e-4 * session.nuisance_root), lens)
    opened = bound.rms_mm(bound.covariance(session), lens)
    assert almost == pytest.approx(exact, rel=1e-3)
    assert opened > 1.2 * exact


def test_the_bound_of_a_lens_is_what_opencv_states_for_it():
    rng = np.random.default_rng(4)
    lens = generator.draw_lens(rng)
    pictures, views = generator.lens_pictures(lens, 15, 0.1, rng)
    _, sigma = generator.opencv_lens(pictures)
    best = np.sqrt(np.diagonal(bound.lens_covariance(lens, generator.board(), views, 0.1)))
    np.testing.assert_allclose(sigma, best, rtol=0.15)


def test_a_right_statement_covers_95_percent_of_the_volume():
    session, rng = session_of(ROWS["nothing"], "fixed", 8, seed=5), np.random.default_rng(6)
    root = np.linalg.cholesky(bound.covariance(session))
    points = measure.volume(session.cell.lens)

    def errors(count):
        changes = (root @ rng.normal(size=(count, 6, 1)))[..., 0]
        return [measure.errors_mm(moved(session.X_true, c), session.X_true, points) for c in changes]

    stated = np.quantile(errors(3000), 0.95)
    inside = [measure.share_within(e, stated) for e in errors(1500)]
    assert np.mean(inside) == pytest.approx(0.95, abs=4 * np.std(inside) / np.sqrt(len(inside)))


@pytest.mark.parametrize("name", ROWS)
def test_every_row_disturbs_the_same_cell_and_yields_whole_views(name):
    clean, disturbed = (session_of(ROWS[n], "arm", 5, seed=7) for n in ("nothing", name))
    assert disturbed.corners_px.shape == (5, 88, 2)
    assert np.isfinite(disturbed.corners_px).all()
    if ROWS[name].arm is None:
        np.testing.assert_array_equal(disturbed.flanges, clean.flanges)
    is_clean_data = np.array_equal(disturbed.corners_px, clean.corners_px)
    says_more = name.startswith(("nothing", "noise", "understated", "lens"))
    assert is_clean_data == says_more


@pytest.mark.parametrize("mount", generator.MOUNTS)
@pytest.mark.parametrize("posture", generator.POSTURES)
def test_picks_of_a_perfect_arm_with_the_true_transform_hit(mount, posture):
    session = session_of(ROWS["nothing"], mount, 5, seed=8)
    session.arm_covariance = generator.white_arm(1e-12, 1e-12)
    errors = generator.pick_errors(session, session.X_true, posture, 20, np.random.default_rng(0))
    assert errors.size == 20
    assert errors.max() < 1e-6
    shifted = moved(session.X_true, np.array([1e-3, 0, 0, 0, 0, 0]))
    errors = generator.pick_errors(session, shifted, posture, 20, np.random.default_rng(0))
    np.testing.assert_allclose(errors, 1.0, atol=1e-6)


@pytest.mark.parametrize("mount", generator.MOUNTS)
def test_a_measured_set_survives_the_file_of_its_cell(mount):
    one = measure.measure("understated", mount, 5, 0)
    assert one.solved
    (record,) = measure.as_json([one])
    assert measure.Measured.from_json(record) == one
