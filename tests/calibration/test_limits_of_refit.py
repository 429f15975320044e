"""Refit of board and lens: its parameters, its rounds, and each limit from both sides."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from eyebolt.calibration.diagnosis import intrinsics, refit
from eyebolt.calibration.diagnosis.intrinsics import (
    _distortion_difference_px,
    _is_undistorted,
    _prior_covariance,
    _resolution_finding,
    explains_motion,
    findings_on_intrinsics,
    intrinsics_from_images,
)
from eyebolt.calibration.diagnosis.refit import NUISANCE_LIMITS, IntrinsicsFit, refit_intrinsics_to_images
from eyebolt.calibration.estimation import Drift, InitialEstimate, MovedPart
from eyebolt.calibration.nuisance_prior import SCALE
from eyebolt.calibration.problem import PrintError, RobotNoise
from eyebolt.geometry import se3
from eyebolt.observations import BOW_PARAMETERS, PRINT_PARAMETERS, CornerField
from eyebolt_sim.lens import simple_lens
from eyebolt_sim.problems import make_problem
from support.problems import camera_of, convert, observations_of

NOISE = RobotNoise(1e-4, 3e-4)
LENS = simple_lens(2448, 2048, 2400.0, (-0.1, 0.05, 0, 0, 0))


@pytest.fixture(scope="module")
def fit():
    """A problem of six pairs with a distorted lens, and its fit as stated."""
    simulated = make_problem("fixed", 6, 2, camera=LENS)
    problem = convert(simulated, False)
    return problem, IntrinsicsFit.as_stated(problem, observations_of(problem)), simulated


def test_the_wide_prior_of_the_refit(fit):
    """30 % of board and focal length, 20 % of the focal length for cx and cy, 0.5 for k1 and k2; and ten times
    the bow of an ordinary board."""
    problem, stated, _ = fit
    prior = stated.relaxed_problem.nuisance_prior
    field = CornerField.of(problem.board_corners_m)
    focal = problem.camera.matrix[0, 0]
    wanted = {SCALE: 0.3, "fx": 0.3 * focal, "fy": 0.3 * problem.camera.matrix[1, 1], "cx": 0.2 * focal}
    wanted |= {"cy": 0.2 * focal, "k1": 0.5, "k2": 0.5, **dict.fromkeys(BOW_PARAMETERS, 10 * field.sigma_m)}
    for name, size in wanted.items():
        assert np.linalg.norm(prior.functional({name: 1.0})) == pytest.approx(size)
    # One focal length for both axes, and every other parameter by itself.
    both = prior.functional({"fx": 1 / (0.3 * focal), "fy": -1 / (0.3 * problem.camera.matrix[1, 1])})
    assert both == pytest.approx(np.zeros_like(both))
    assert prior.root.shape == (7 + len(BOW_PARAMETERS), 6 + len(BOW_PARAMETERS))
    assert stated.relaxed_problem.robot_noise is None


def test_the_error_of_the_print_stays_in_the_wide_prior(fit):
    problem, stated, _ = fit
    plain = stated.relaxed_problem.nuisance_prior
    printed = replace(problem, print_error=PrintError(1e-5, 0.05, dict.fromkeys(PRINT_PARAMETERS, 1e-4)))
    found = IntrinsicsFit.as_stated(printed, observations_of(printed)).relaxed_problem.nuisance_prior
    assert len(found.names) == len(plain.names) + len(PRINT_PARAMETERS)


def test_a_lens_without_coefficients_gets_five(fit):
    problem, stated, _ = fit
    bare = replace(problem.camera, distortion=np.zeros(0))
    assert refit.with_distortion_terms(bare).distortion.tolist() == [0.0] * 5
    assert refit.with_distortion_terms(problem.camera) is problem.camera
    assert stated.scale == 1.0


def test_a_change_of_board_and_lens_is_the_deviation_afterwards(fit):
    """And the board poses follow: their corners stay where they were seen."""
    _, stated, _ = fit
    change = np.array([0.02, -0.03, 0.004, -0.002, 0.01, -0.02])
    moved = stated.moved(change)
    # cx and cy are fractions of the focal length before the change.
    assert moved.deviation_from(stated) == pytest.approx(change)
    again = moved.moved(change)
    assert again.scale == pytest.approx(1.02**2)
    assert again.camera.matrix[1, 1] == pytest.approx(stated.camera.matrix[1, 1] * 0.97**2)
    assert moved.observations.corners.points_m == pytest.approx(1.02 * stated.observations.corners.points_m)
    depth = moved.observations.pose_fits.camera_T_board[:, 2, 3] / stated.observations.pose_fits.camera_T_board[:, 2, 3]
    assert depth == pytest.approx(1.02 * 0.97, rel=0.01)
    assert np.isfinite(moved.observations.pose_fits.rss_px2).all()
    assert moved.observations.pose_fits.rss_px2.sum() != pytest.approx(stated.observations.pose_fits.rss_px2.sum())


def test_a_change_that_leaves_a_view_without_a_pose_is_none(fit, monkeypatch):
    _, stated, _ = fit
    poses = stated.observations.pose_fits.camera_T_board
    for rss in (np.inf, np.nan):
        monkeypatch.setattr(refit, "refine_board_poses", lambda *_, rss=rss: (poses, np.array([1.0] * 5 + [rss])))
        assert stated.moved(np.zeros(6)) is None
        bad = replace(stated.observations.pose_fits, rss_px2=np.array([rss] + [1.0] * 5))
        monkeypatch.setattr(refit, "fit_board_poses", lambda *_, bad=bad: bad)
        assert stated.with_refitted_board_poses() is stated


def test_the_lens_by_the_images_is_a_least_squares_fit(fit):
    """Gauss-Newton step with the pose of every view and the bow free: NumPy's solution of the normal equations."""
    _, stated, _ = fit
    change, covariance, chi2 = stated.deviation_by_images()
    poses, variance = stated.observations.board_poses, stated.observations.corner_sigma_px**2
    information = poses.nuisance_information.sum(axis=0)[1:, 1:] / variance + np.eye(5 + len(BOW_PARAMETERS))
    gradient = poses.nuisance_gradient.sum(axis=0)[1:] / variance
    limits = np.array([0.3, 0.2, 0.2, 0.5, 0.5])
    step, spread = np.linalg.solve(information, gradient)[:5], np.linalg.inv(information)[:5, :5]
    assert change == pytest.approx([0, *(limits * step)])
    assert covariance[1:, 1:] == pytest.approx(np.outer(limits, limits) * spread, rel=1e-5)
    assert covariance[0, 0] == pytest.approx(0.3**2)
    assert covariance[0, 1:] == pytest.approx(np.zeros(5))
    assert chi2 == pytest.approx(step @ np.linalg.solve(spread, step))


class Steps:
    """A fit whose lens by the images is given, round by round."""

    def __init__(self, chi2, change, sigmas=(0.1,) * 99, moves=None, name=()):
        self.chi2, self.change, self.sigmas = chi2, np.array([0.0, change, 0, 0, 0, 0]), sigmas
        self.moves = [] if moves is None else moves
        self.observations = SimpleNamespace(corner_sigma_px=sigmas[0])
        self.name = name

    def deviation_by_images(self):
        return self.change, None, self.chi2[0]

    def moved(self, change):
        self.moves.append(float(change[1]))
        if not np.isfinite(self.sigmas[1]):
            return None
        return Steps(self.chi2[1:], self.change[1], self.sigmas[1:], self.moves, (*self.name, len(self.moves)))

    def with_refitted_board_poses(self):
        self.moves.append(np.nan)
        return self


@pytest.mark.parametrize(
    ("chi2", "change", "moves"),
    [
        ([0.9], 0.1, []),
        ([1.1, 0.9], 0.1, [0.1]),
        # No step is longer than 0.3, and there are eight rounds.
        ([9.0, 9.0, 0.5], -0.6, [-0.3, -0.3]),
        ([9.0] * 10, 0.2, [0.2] * 8),
    ],
)
def test_the_lens_by_the_images_is_refined_until_its_step_is_below_its_sigma(chi2, change, moves):
    start = Steps(chi2, change)
    refit._fit_to_images(start)
    assert start.moves == pytest.approx(moves)


@pytest.mark.parametrize(
    ("sigmas", "moves", "is_kept"),
    [
        ((0.1, 0.1000999, 0.1), [0.2], True),
        ((0.1, 0.1001001, 0.1), [0.2, 0.05], False),
        ((0.1, np.inf), [0.2, 0.05], False),
    ],
)
def test_a_step_that_enlarges_the_residuals_is_tried_again_at_a_quarter(sigmas, moves, is_kept):
    """And given up if it does so still; a thousandth more is rounding."""
    start = Steps([9.0, 0.5, 0.5], 0.2, sigmas)
    found = refit._fit_to_images(start)
    assert start.moves == pytest.approx(moves)
    assert (found is not start) is is_kept


def test_a_quarter_of_a_step_that_helps_is_kept():
    class Quarter(Steps):
        def moved(self, change):
            self.moves.append(float(change[1]))
            sigma = 0.2 if abs(change[1]) > 0.1 else 0.09
            return Steps([0.5], 0.2, (sigma, sigma), self.moves)

    start = Quarter([9.0], 0.2)
    found = refit._fit_to_images(start)
    assert start.moves == pytest.approx([0.2, 0.05])
    assert found.observations.corner_sigma_px == 0.09


def test_the_tilt_branches_are_resolved_between_two_fits():
    start = Steps([9.0, 0.5, 0.5], 0.2)
    refit_intrinsics_to_images(start)
    assert start.moves == pytest.approx([0.2, np.nan], nan_ok=True)


class Rounds:
    """A fit whose estimates of board and lens are given, round by round."""

    def __init__(self, estimates, asked, is_possible=True):
        self.estimates, self.asked, self.is_possible = estimates, asked, is_possible

    def nuisances_at(self, X, Y, noise, posterior=False):
        self.asked.append((X[0, 3], Y[1, 3], noise.translation_m, posterior))
        estimate = np.array([0.0, self.estimates[0], 0, 0, 0, 0])
        return SimpleNamespace(
            estimate=estimate,
            covariance=np.eye(6) * 0.01,
            transforms=np.array([1.0, 0, 0, 0, 0, 0, 0, 2.0, 0, 0, 0, 0]),
            noise=RobotNoise(2 * noise.translation_m, 1e-3),
        )

    def moved(self, change):
        return Rounds(self.estimates[1:], self.asked) if self.is_possible else None


@pytest.mark.parametrize(
    ("estimates", "steps"),
    [
        # Sigma is 0.1 of each: converged below a tenth of it.
        ([0.009], []),
        ([0.011, 0.009], [1.0]),
        ([-0.6, 0.15, 0.0], [0.5, 1.0]),
        ([0.2] * 9, [1.0] * 8),
    ],
)
def test_the_refit_goes_on_to_a_tenth_of_a_sigma(estimates, steps):
    """The transforms are taken along in proportion, and the noise of each round starts the next."""
    asked = []
    found, _ = refit.refit(Rounds(estimates, asked), np.eye(4), np.eye(4), RobotNoise(1e-4, 1e-3))
    assert isinstance(found, Rounds) and len(found.estimates) == len(estimates) - len(steps)
    places = np.cumsum([0.0, *steps])
    rounds = min(len(estimates), 8)
    assert [one[0] for one in asked[:rounds]] == pytest.approx(places[:rounds])
    assert [one[1] for one in asked[:rounds]] == pytest.approx(2 * places[:rounds])
    assert [one[2] for one in asked[:rounds]] == pytest.approx(1e-4 * 2.0 ** np.arange(rounds))
    assert [one[3] for one in asked] == [False] * rounds + [True]
    assert asked[-1][:2] == pytest.approx((places[-1], 2 * places[-1]))
    assert asked[-1][2] == pytest.approx(1e-4 * 2.0**rounds)


def test_a_refit_that_cannot_go_on_ends_where_it_is():
    asked = []
    start = Rounds([0.2], asked, is_possible=False)
    found, _ = refit.refit(start, np.eye(4), np.eye(4), NOISE)
    assert found is start and len(asked) == 2


def test_a_part_of_the_rows_and_a_drift(fit):
    _, stated, _ = fit
    assert len(stated.subset(np.array([0, 2, 3])).observations.A) == 3
    drift = Drift(MovedPart.BOARD, 0.0, 5.0, np.ones(6))
    assert stated.with_drift(drift).observations.drift is drift


@pytest.mark.parametrize(("kind", "value"), [("step", 0.005), ("none", 0.0)])
def test_the_estimate_of_board_and_lens_with_a_motion_beside_it(fit, kind, value):
    """A camera that moved 5 mm along its axis half-way is in the motion, not in board and lens."""
    _, stated, simulated = fit
    later = (np.arange(6) >= 3).astype(float)
    poses = stated.observations.A.copy()
    X = simulated.hand_eye_true
    poses[3:] = X @ se3.exp(np.array([0, 0, value, 0, 0, 0])) @ se3.inverse(X) @ poses[3:]
    moved = replace(stated, observations=replace(stated.observations, A=poses))
    found = moved.nuisances_with_motion(X, simulated.nuisance_true, NOISE, MovedPart.CAMERA, later)
    assert found.names == (*NUISANCE_LIMITS, *(f"moved-{k}" for k in range(6)))
    along = found.estimate[found.names.index("moved-2")]
    clean = stated.nuisances_with_motion(X, simulated.nuisance_true, NOISE, MovedPart.CAMERA, later)
    assert abs(along - clean.estimate[found.names.index("moved-2")]) == pytest.approx(value, abs=2e-4)


def total_of(**p_values):
    """An estimate whose p-values with single groups free are given; ``moved``: with the motion free."""
    groups = {"scale": "scale", "focal": "focal", "cx": "cx", "k1": "k1"}

    def p_value(free):
        free = list(free)
        return p_values.get("moved" if free and free[0].startswith("moved") else groups[free[0]], 1e-9)

    return SimpleNamespace(names=(*NUISANCE_LIMITS, "moved-0"), p_value=p_value)


@pytest.mark.parametrize(
    ("p_values", "is_explained"),
    [
        ({"focal": 0.011}, True),
        ({"focal": 0.009}, False),
        ({"k1": 0.3, "moved": 0.2}, True),
        ({"k1": 0.3, "moved": 0.4}, False),
        ({"scale": 0.3, "focal": 1e-6}, True),
    ],
)
def test_a_parameter_explains_a_motion_at_one_per_cent(p_values, is_explained):
    """And better than the motion itself."""
    found = SimpleNamespace(nuisances_with_motion=lambda *_: total_of(**p_values))
    start = InitialEstimate(np.eye(4), np.eye(4), "closed form")
    assert explains_motion(found, start, NOISE, MovedPart.BOARD, np.zeros(6)) is is_explained


@pytest.mark.parametrize(
    ("by_images", "with_prior", "shift", "is_found"),
    [
        (49.0, 99.0, 0.004, False),
        (51.0, 49.0, 0.004, False),
        (51.0, 51.0, 0.004, True),
        (51.0, 51.0, 0.0031, True),
        (51.0, 51.0, 0.0029, False),
    ],
)
def test_images_contradict_the_lens_at_a_chi_square_of_50(fit, monkeypatch, by_images, with_prior, shift, is_found):
    """Within the prior of the lens too; three thousandths of the focal length matter."""
    problem, stated, _ = fit
    wanted = replace(stated.camera, matrix=stated.camera.matrix.copy())
    wanted.matrix[0, 2] -= shift * stated.camera.matrix[0, 0]
    refitted = replace(stated, camera=wanted)
    monkeypatch.setattr(intrinsics, "refit_intrinsics_to_images", lambda _: refitted)
    covariance = np.eye(6) * 1e-6
    monkeypatch.setattr(intrinsics, "_prior_covariance", lambda _: np.eye(6) * 3e-6)
    # The scale, which the images do not show, does not count.
    change = np.array([1.0, 0, np.sqrt(4e-6 * with_prior), 0, 0, 0])
    monkeypatch.setattr(IntrinsicsFit, "deviation_by_images", lambda _: (change, covariance, by_images))
    found = intrinsics_from_images(problem, stated)
    assert (found is refitted) is is_found
    assert (found is None) is not is_found


def test_a_distortion_of_a_pixel_contradicts_the_lens(fit, monkeypatch):
    problem, stated, _ = fit
    monkeypatch.setattr(IntrinsicsFit, "deviation_by_images", lambda _: (np.ones(6), np.eye(6) * 1e-9, 1e9))
    for factor, is_found in ((1.1, True), (0.9, False)):
        # The difference is proportional to the change of k1.
        trial = replace(stated.camera, distortion=stated.camera.distortion + np.array([1e-3, 0, 0, 0, 0]))
        per_unit = _distortion_difference_px(trial, stated.camera, stated.observations.corners) / 1e-3
        other = replace(stated.camera, distortion=stated.camera.distortion + np.eye(5)[0] * factor / per_unit)
        refitted = replace(stated, camera=other)
        monkeypatch.setattr(intrinsics, "refit_intrinsics_to_images", lambda _, one=refitted: one)
        assert (intrinsics_from_images(problem, stated) is not None) is is_found


def test_the_difference_of_two_distortions_is_that_at_the_outermost_corner(fit):
    """Radial: focal length times r^3 for a difference of 1 in k1, r the largest angle at which a corner is seen."""
    _, stated, _ = fit
    corners = stated.observations.corners
    camera = replace(stated.camera, distortion=np.array([0.02, 0, 0, 0, 0.0]))
    other = replace(stated.camera, distortion=np.zeros(5), matrix=np.diag([2.0, 2, 1]) @ stated.camera.matrix)
    seen = (corners.corners_px[corners.weights > 0] - camera.matrix[:2, 2]) / np.diagonal(camera.matrix)[:2]
    ray = np.linalg.norm(seen, axis=1).max()
    expected = camera.matrix[0, 0] * 0.02 * ray**3
    assert _distortion_difference_px(camera, other, corners) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(
    ("stated_k1", "remaining", "is_undistorted"),
    [(-0.1, 0.14, True), (-0.1, 0.16, False), (-0.1, 1.0, False), (-1e-5, 0.0, False)],
)
def test_images_are_undistorted_if_15_per_cent_of_the_distortion_remain(fit, stated_k1, remaining, is_undistorted):
    """Or less than a pixel; a stated distortion below a pixel is none to miss."""
    _, stated, _ = fit
    with_k1 = [
        replace(stated, camera=replace(stated.camera, distortion=np.array([k1, 0, 0, 0, 0])))
        for k1 in (remaining * stated_k1, stated_k1)
    ]
    assert _is_undistorted(*with_k1) is is_undistorted


@pytest.mark.parametrize(("remaining_px", "is_undistorted"), [(0.9, True), (1.1, False)])
def test_a_remaining_distortion_below_a_pixel_is_none(fit, monkeypatch, remaining_px, is_undistorted):
    _, stated, _ = fit
    sizes = iter([2.0, remaining_px])
    monkeypatch.setattr(intrinsics, "_distortion_difference_px", lambda *_: next(sizes))
    assert _is_undistorted(stated, stated) is is_undistorted


def test_the_prior_of_the_station_in_the_units_of_the_refit(fit):
    problem, _, _ = fit
    camera = camera_of(LENS, {"fx": 12.0, "fy": 24.0, "cx": 3.0, "cy": 6.0, "k1": 0.01, "k2": 0.02})
    found = _prior_covariance(replace(problem, camera=camera))
    focal = camera.matrix[0, 0], camera.matrix[1, 1]
    sigma = [np.sqrt((0.5 * 12 / focal[0]) ** 2 + (0.5 * 24 / focal[1]) ** 2), 3 / focal[0], 6 / focal[0], 0.01, 0.02]
    assert np.sqrt(np.diagonal(found))[1:] == pytest.approx(sigma)
    assert found[0, 0] == pytest.approx(np.sum(problem.stated_prior.functional({SCALE: 1.0}) ** 2))
    assert found - np.diag(np.diagonal(found)) == pytest.approx(np.zeros((6, 6)))


@pytest.mark.parametrize(("deviations", "factor"), [({"focal": (-0.51, 0.01)}, 0.49), ({}, 0.5)])
def test_a_lens_file_of_another_resolution_names_the_factor(deviations, factor):
    assert _resolution_finding(0.5, deviations, {"p": 1.0}).evidence == pytest.approx({"p": 1.0, "factor": factor})


class Total(SimpleNamespace):
    """An estimate of board and lens with given numbers."""

    names = tuple(NUISANCE_LIMITS)

    def shifted(self, by, added):
        return self

    def p_value(self, free):
        return self.p if not free else 0.5 if set(free) >= set(self.explained) else 1e-9

    def remaining_chi2(self, free):
        return 10.0

    def conditional_estimate(self, free):
        chosen = [self.names.index(name) for name in free]
        return self.estimate[chosen], np.full(len(chosen), 1e-4)


def checked(fit, monkeypatch, *, p=1e-6, screening_p=1e-6, estimate=(), noise_m=1e-4, explained=("focal",), pairs=6):
    """The findings whose estimate is given, board and lens otherwise being as stated."""
    problem, stated, _ = fit
    whole = np.array([dict(estimate).get(name, 0.0) for name in NUISANCE_LIMITS])
    first, total = (Total(p=one, estimate=whole, explained=explained) for one in (screening_p, p))
    best = SimpleNamespace(
        camera=stated.camera,
        observations=stated.observations,
        deviation_from=lambda _: whole,
    )
    total.noise = RobotNoise(noise_m, 1e-4)
    monkeypatch.setattr(IntrinsicsFit, "nuisances_at", lambda *_, **__: first)
    monkeypatch.setattr(intrinsics, "refit", lambda *_: (best, total))
    start = InitialEstimate(np.eye(4), np.eye(4), "closed form")
    some = stated.subset(np.arange(pairs)) if pairs < 6 else stated
    return findings_on_intrinsics(problem, some, some, start, NOISE)


@pytest.mark.parametrize(
    ("changes", "codes"),
    [
        ({}, ["focal-length"]),
        ({"pairs": 5}, ["focal-length"]),
        ({"pairs": 4}, []),
        ({"screening_p": 0.9e-3}, ["focal-length"]),
        ({"screening_p": 1.1e-3}, []),
        ({"p": 0.9e-5}, ["focal-length"]),
        ({"p": 1.1e-5}, []),
        ({"noise_m": 2.9e-3}, ["focal-length"]),
        ({"noise_m": 3.1e-3}, []),
        # A size beyond nothing, and other parameters beyond their prior.
        ({"estimate": {"focal": -0.99}}, ["focal-length"]),
        ({"estimate": {"focal": -1.01}}, []),
        ({"estimate": {"scale": -1.01}, "explained": ("scale",)}, []),
        ({"estimate": {"focal": 0.01, "scale": 0.29}}, ["focal-length"]),
        ({"estimate": {"focal": 0.01, "scale": -0.31}}, []),
        ({"estimate": {"focal": 0.01, "cx": 0.21}}, []),
        ({"estimate": {"focal": 0.01, "k2": 0.49}}, ["focal-length"]),
        # Three thousandths.
        ({"estimate": {"focal": 0.0031}}, ["focal-length"]),
        ({"estimate": {"focal": 0.0029}}, []),
        # Another resolution: within 3 % of the ratio.
        ({"estimate": {"focal": 0.5 * 1.02 - 1}}, ["lens-resolution"]),
        ({"estimate": {"focal": 0.5 * 1.04 - 1}}, ["focal-length"]),
    ],
)
def test_when_the_focal_length_is_a_finding(fit, monkeypatch, changes, codes):
    found = checked(fit, monkeypatch, **{"estimate": {"focal": 0.01}, **changes})
    assert [one.code for one in found] == codes


@pytest.mark.parametrize(
    ("estimate", "code", "words"),
    [
        ({"scale": 0.02}, "board-scale", ("2.00 % (sigma 0.01 %) larger", "by 1.0200", "20.400")),
        ({"scale": -0.02}, "board-scale", ("2.00 % (sigma 0.01 %) smaller", "by 0.9800", "19.600")),
        ({"focal": 0.01}, "focal-length", ("1.00 % (sigma 0.01 %) longer", "fx = 2424.0", "fy = 2424.0")),
        ({"focal": -0.01}, "focal-length", ("1.00 % (sigma 0.01 %) shorter", "fx = 2376.0", "fy = 2376.0")),
        ({"cx": 0.01, "cy": -0.02}, "principal-point", ("+24.0 px across", "-48.0 px down", "sigma 0.2 px")),
    ],
)
def test_a_finding_on_board_or_lens_has_its_numbers(fit, monkeypatch, estimate, code, words):
    """Sizes with their sigmas, the p-values as stated and with the change, and what to write into which file."""
    (found,) = checked(fit, monkeypatch, estimate=estimate, explained=tuple(estimate))
    assert found.code == code
    numbers = {**estimate, **{f"{name}_sigma": 1e-4 for name in estimate}}
    assert found.evidence == pytest.approx({**numbers, "p_value_as_stated": 1e-6, "p_value_with_change": 0.5})
    for one in words:
        assert one in f"{found.message} {found.remedy}"


def test_the_principal_point_to_write_into_the_lens_file(fit, monkeypatch):
    problem, _, _ = fit
    (found,) = checked(fit, monkeypatch, estimate={"cx": 0.01, "cy": -0.02}, explained=("cx", "cy"))
    cx, cy = problem.camera.matrix[:2, 2] + problem.camera.matrix[0, 0] * np.array([0.01, -0.02])
    assert f"cx = {cx:.1f}, cy = {cy:.1f}" in found.remedy


def test_what_several_parameters_explain_alike_is_ambiguous(fit, monkeypatch):
    class Either(Total):
        def p_value(self, free):
            return self.p if not free else {"scale": 0.5, "focal": 0.3}.get(free[0], 1e-9)

    monkeypatch.setitem(checked.__globals__, "Total", Either)
    (found,) = checked(fit, monkeypatch, estimate={"scale": 0.01, "focal": 0.01})
    assert found.code == "board-or-lens"
    assert found.evidence == pytest.approx(
        {"p_value_board-scale": 0.5, "p_value_focal-length": 0.3, "p_value_as_stated": 1e-6}
    )
    assert "the size of the board or the focal length" in found.message
