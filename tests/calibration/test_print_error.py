"""Displaced corners of a print: found in the images, no evidence about the lens, and confirmed by the pairs."""

from dataclasses import replace

import numpy as np
import pytest

from eyebolt.calibration.estimation.linearization import linearize_views
from eyebolt.calibration.estimation.print_error import eliminate_displacement
from eyebolt.calibration.finding import Severity
from eyebolt.calibration.problem import PrintError
from eyebolt.calibration.robust import with_print_error
from eyebolt.calibration.solve import solve
from eyebolt.geometry import se3
from eyebolt.observations import PRINT_PARAMETERS, CornerField, linearize_corners
from eyebolt_sim.problems import make_problem
from support import problems as cases

SHIFT_M = 1e-4


def misprint(corners_m, seed):
    """(K, 3): the corners of a region of the board are displaced."""
    rng = np.random.default_rng([seed, 5])
    middle, direction = corners_m[rng.integers(len(corners_m))], rng.uniform(0, 2 * np.pi)
    in_region = np.linalg.norm(corners_m - middle, axis=1) < 0.045
    return np.outer(in_region, SHIFT_M * np.array([np.cos(direction), np.sin(direction), 0.0]))


def misprinted(mount, pairs, seed):
    """A problem with a misprint, lens and board being stated as exact, and its error (K, 3)."""
    problem = cases.convert(make_problem(mount, pairs, seed), False)
    error = misprint(problem.board_corners_m, seed)
    return replace(problem, board_corners_m=problem.board_corners_m - error), error


def homography_fields(points_m, centre_m):
    """(2 K, 8): fields of the plane that a pose of the board absorbs: two translations, rotation, scale, aspect, shear
    and two projective terms."""
    x, y = (points_m - centre_m).T
    fields = np.zeros((len(x), 2, 8))
    fields[:, 0, 0] = fields[:, 1, 1] = 1.0
    fields[:, 0, 2:] = np.stack([-y, x, x, y, x * x, x * y], axis=1)
    fields[:, 1, 2:] = np.stack([x, y, -y, x, x * y, y * y], axis=1)
    return fields.reshape(-1, 8)


def test_clean_images_show_no_errors_of_the_print():
    for seed in range(4):
        problem = cases.convert(make_problem("fixed", 12, seed))
        assert with_print_error(problem, cases.observations_of(problem)) is None


def test_a_reflection_is_no_error_of_the_print():
    """A shift of a region in some views, each time another one, is not common to the views."""
    problem = cases.convert(make_problem("fixed", 12, 2))
    pairs = [
        replace(
            pair, corners_px=pair.corners_px + 5e3 * misprint(problem.board_corners_m, k)[pair.ids, :2] * (k % 3 == 0)
        )
        for k, pair in enumerate(problem.pairs)
    ]
    reflected = replace(problem, pairs=pairs)
    observations = cases.observations_of(reflected)
    assert observations.corner_noise.shift_ratio.any()
    assert with_print_error(reflected, observations) is None


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_size_and_places_of_a_misprint_are_found(mount):
    for seed in range(3):
        problem, error = misprinted(mount, 12, seed)
        found, observations = with_print_error(problem, cases.observations_of(problem))
        assert observations.corner_sigma_px == pytest.approx(0.1, rel=0.05)
        assert found.print_error.sigma_m == pytest.approx(error[:, :2].std(), rel=0.8)
        assert found.print_error.length_m > 0
        # The rest is in the nuisance parameters, or part of Y.
        fields = homography_fields(problem.board_corners_m[:, :2], CornerField.of(problem.board_corners_m).centre_m)
        rest = error[:, :2].ravel() - fields @ np.linalg.lstsq(fields, error[:, :2].ravel())[0]
        ids = problem.pairs[0].ids
        shown = observations.displacement.mean_m[0][: len(ids)]
        assert np.sqrt(((shown - rest.reshape(-1, 2)[ids]) ** 2).mean()) < 0.6 * np.sqrt((rest**2).mean())


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_a_misprint_is_no_evidence_about_the_lens(mount):
    """The lens is stated as exact: taken for evidence, a misprint widened its prior and moved X by many sigmas."""
    squares = []
    for seed in range(4):
        problem, error = misprinted(mount, 12, seed)
        misprint_m = error[:, :2]
        solution = solve(problem)
        assert not [finding for finding in solution.findings if finding.severity is not Severity.NOTE]
        named = [finding for finding in solution.findings if finding.code == "print-error"]
        assert [finding.evidence["print_mm"] for finding in named] == [pytest.approx(1e3 * misprint_m.std(), rel=0.8)]
        # The estimated places of the corners take up some degrees of freedom.
        assert 0.09 < solution.corner_rms_px < 0.1
        error = se3.log(se3.inverse(solution.X) @ make_problem(mount, 12, seed).hand_eye_true)
        squares.append(error @ np.linalg.solve(solution.covariance, error))
    # Chi-squared with 6 degrees of freedom each, and a little more for the degrees of freedom of the noise.
    assert np.mean(squares) < 6 + 4 * np.sqrt(12 / len(squares))


def test_the_pairs_decide_where_their_poses_share_the_error():
    """Poses that were measured by means of the misprinted board, under the stated one."""
    problem, _ = misprinted("fixed", 12, 1)
    seen = cases.observations_of(problem).pose_fits.camera_T_board
    made = make_problem("fixed", 12, 1)
    rng = np.random.default_rng(3)
    Y = se3.exp(np.array([0.03, -0.02, 0.1, 0.3, -0.2, 0.5]))
    poses = made.hand_eye_true @ seen @ se3.inverse(Y) @ se3.exp(rng.normal(size=(12, 6)) * ([1e-5] * 3 + [2e-5] * 3))
    shared = replace(problem, pairs=[replace(p, base_T_flange=A) for p, A in zip(problem.pairs, poses, strict=True)])
    assert with_print_error(shared, cases.observations_of(shared)) is not None
    solution = solve(shared)
    between = se3.log(se3.inverse(made.hand_eye_true) @ solution.X)
    assert np.linalg.norm(between[:3]) < 5e-5
    assert solution.corner_rms_px > 0.105


def test_eliminating_the_displacement_is_the_schur_complement():
    """Information and gradient of the nuisances are those of all unknowns, poses and displacements eliminated."""
    made = make_problem("fixed", 5, 3)
    problem = replace(cases.convert(made), camera=cases.camera_of(made.lens, {}), board_bow_sigma_m=None)
    observations = cases.observations_of(problem)
    corners, poses = observations.corners, observations.pose_fits.camera_T_board
    field, prior = CornerField.of(problem.board_corners_m), problem.nuisance_prior
    prior = prior.with_print_error(dict.fromkeys(PRINT_PARAMETERS, 1e-3))
    n, k = corners.weights.shape
    noise = replace(observations.corner_noise, relative_variance=np.ones(n), shift_ratio=np.full(n, 0.3))
    fit = linearize_corners(problem.camera, corners, poses)
    in_camera = se3.apply(poses, corners.points_m)
    by_nuisance = prior.corner_jacobian(problem.camera, corners.points_m, in_camera, fit.jacobian[..., :3])
    by_nuisance = by_nuisance.reshape(n, 2 * k, -1)
    error = PrintError(3e-5, 0.08, {})
    found = eliminate_displacement(error, field, corners, fit, by_nuisance, noise)
    poses_found = linearize_views(problem.camera, prior, corners, poses, noise, found)

    # Every corner of this board is in every view, in the order of the board.
    assert k == len(problem.board_corners_m)
    points = problem.board_corners_m[:, :2]
    distance = np.linalg.norm(points[:, None] - points[None], axis=-1)
    basis = np.linalg.qr(homography_fields(points, field.centre_m))[0]
    root = np.kron(np.linalg.cholesky(np.exp(-distance / 0.08) + 1e-9 * np.eye(k)), np.eye(2))
    root = 3e-5 * (root - basis @ (basis.T @ root))
    by_place = np.zeros((n, 2 * k, 2 * k))
    for corner in range(k):
        rows = slice(2 * corner, 2 * corner + 2)
        by_place[:, rows, rows] = fit.jacobian[:, corner, :, :2]
    columns = np.concatenate([by_place @ root, by_nuisance, fit.residual_px.reshape(n, 2 * k, 1)], axis=-1)
    total = np.zeros((columns.shape[-1],) * 2)
    own, factor = noise.inverse_covariance(corners)
    for view in range(n):
        weight = np.diag(own[view]) - factor[view] @ factor[view].T
        pose = fit.jacobian[view].reshape(2 * k, 6)
        weight = weight - weight @ pose @ np.linalg.solve(pose.T @ weight @ pose, pose.T @ weight)
        total += columns[view].T @ weight @ columns[view]
    total[: 2 * k, : 2 * k] += noise.sigma_px**2 * np.eye(2 * k)
    own, cross, other = total[2 * k :, 2 * k :], total[2 * k :, : 2 * k], total[: 2 * k, : 2 * k]
    reduced = own - cross @ np.linalg.solve(other, cross.T)
    # The images show nothing of either scale.
    scale = np.sqrt(np.maximum(np.diagonal(reduced)[:-1], 1e-3))
    information = poses_found.nuisance_information.sum(axis=0)
    assert information / scale / scale[:, None] == pytest.approx(reduced[:-1, :-1] / scale / scale[:, None], abs=1e-3)
    assert poses_found.nuisance_gradient.sum(axis=0) / scale == pytest.approx(reduced[:-1, -1] / scale, abs=1e-3)


def test_the_corner_rms_is_that_of_the_residuals_where_views_and_board_differ():
    """A bow, and noise of its own in half of the views."""
    made = make_problem("arm", 12, 4, board_bow_mm=(0.5, 0.0, 0.3))
    problem = replace(cases.convert(made), board_bow_sigma_m=None)
    rng = np.random.default_rng(1)
    noise = [0.5 * rng.normal(size=pair.corners_px.shape) * (k % 2) for k, pair in enumerate(problem.pairs)]
    pairs = [replace(p, corners_px=p.corners_px + added) for p, added in zip(problem.pairs, noise, strict=True)]
    errors = [p.corners_px - exact for p, exact in zip(pairs, made.corners_px_true, strict=True)]
    solution = solve(replace(problem, pairs=pairs))
    assert solution.corner_rms_px == pytest.approx(np.sqrt((np.concatenate(errors) ** 2).mean()), rel=0.04)
