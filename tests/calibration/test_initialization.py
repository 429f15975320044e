"""The closed forms: published worked examples, OpenCV's methods on the same data, and the awkward cases."""

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.calibration.estimation.initialization import closed_form_estimates
from eyebolt_sim.problems import make_problem
from eyebolt_sim.transforms import inverse, matrix

HAND_EYE = {
    "Tsai": cv2.CALIB_HAND_EYE_TSAI,
    "Park": cv2.CALIB_HAND_EYE_PARK,
    "Horaud": cv2.CALIB_HAND_EYE_HORAUD,
    "Andreff": cv2.CALIB_HAND_EYE_ANDREFF,
    "Daniilidis": cv2.CALIB_HAND_EYE_DANIILIDIS,
}
ROBOT_WORLD = {"Shah": cv2.CALIB_ROBOT_WORLD_HAND_EYE_SHAH, "Li": cv2.CALIB_ROBOT_WORLD_HAND_EYE_LI}


def rotation_deg(first, second):
    return float(np.rad2deg(Rotation.from_matrix(first[:3, :3].T @ second[:3, :3]).magnitude()))


def from_motions(motions, X):
    """A (n + 1, 4, 4) and P for closed_form_starts, from motions A with A X = X B: the first pose is the identity."""
    A = np.stack([np.eye(4), *motions])
    return A, inverse(X) @ A @ X


def chain(problem):
    return problem.base_T_flange_true if problem.mount == "fixed" else inverse(problem.base_T_flange_true)


@pytest.mark.evidence
@pytest.mark.parametrize(("way", "most_deg"), [("rotation-matrices", 4.5e-6), ("motion-vectors", 9.5e-6)])
def test_shiu_and_ahmad_worked_example(way, most_deg):
    # Source: Y. C. Shiu, S. Ahmad, IEEE T-RA 5(1), 1989, worked example with B printed to six digits; reused by
    # F. C. Park, B. J. Martin, IEEE T-RA 10(5), 1994. (0.977612 is misprinted as 0.997612 in some transcriptions.)
    A1 = matrix(Rotation.from_rotvec([0, 0, 3]), [0, 0, 0])
    A2 = matrix(Rotation.from_rotvec([0, 1.5, 0]), [-400, 0, 400])
    X = matrix(Rotation.from_rotvec([0.2, 0, 0]), [10, 50, 100])
    B1 = [[-0.989992, -0.138307, 0.028036], [0.138307, -0.911449, 0.387470], [-0.028036, 0.387470, 0.921456]]
    B2 = [[0.070737, 0.198172, 0.977612], [-0.198172, 0.963323, -0.180936], [-0.977612, -0.180936, 0.107415]]
    B1, B2 = matrix(B1, [-26.9559, -96.1332, 19.4872]), matrix(B2, [-309.543, 59.0244, 291.177])
    assert inverse(X) @ A1 @ X == pytest.approx(B1, abs=6e-5)
    assert inverse(X) @ A2 @ X == pytest.approx(B2, abs=6e-4)
    start = {s.method: s for s in closed_form_estimates(np.stack([np.eye(4), A1, A2]), np.stack([np.eye(4), B1, B2]))}[
        way
    ]
    print(f"{way}: {rotation_deg(start.X, X):.2e} deg, {np.linalg.norm(start.X[:3, 3] - X[:3, 3]):.2e} units")
    # Six printed digits allow 4e-6 deg and 2e-4 length units. A rotation vector of 3 rad magnifies them:
    # that way reaches 9e-6 deg.
    assert rotation_deg(start.X, X) < most_deg
    assert np.linalg.norm(start.X[:3, 3] - X[:3, 3]) < 2.5e-4


def tiny_and_half_turns():
    """Motions from 1e-5 rad to just below half a turn, with translations of 0.01 to 1 m."""
    turns = [1e-5, 1e-3, 0.02, 0.4, 1.7, 3.0, np.pi - 1e-3, np.pi - 1e-6, np.pi]
    axes = [
        (1, 0, 0),
        (0, 1, 0),
        (0, 0, 1),
        (0.6, 0, 0.8),
        (0, -0.6, 0.8),
        (1, 1, 1),
        (1, -1, 0),
        (0, 1, 1),
        (-1, 2, 3),
    ]
    shifts = np.random.default_rng(11).uniform(-1, 1, (9, 3)) * np.logspace(-2, 0, 9)[:, None]
    unit = [np.array(a) / np.linalg.norm(a) for a in axes]
    return [matrix(Rotation.from_rotvec(u * w), t) for u, w, t in zip(unit, turns, shifts, strict=True)]


@pytest.mark.evidence
@pytest.mark.parametrize("way", ["rotation-matrices", "motion-vectors"])
def test_tiny_and_near_half_turn_motions_to_the_last_digits(way):
    # Source: X and tolerance of OpenCV's regression test of its bug report 24871; the motions are ours, of its kinds.
    X = matrix([[0, 0, -1], [1, 0, 0], [0, -1, 0]], [0.1, 0.2, 0.3])
    A, P = from_motions(tiny_and_half_turns(), X)
    start = {s.method: s for s in closed_form_estimates(A, P)}[way]
    print(f"{way}: {np.abs(start.X - X).max():.1e}")
    assert pytest.approx(X, abs=1e-12, rel=0) == start.X
    assert pytest.approx(X, abs=1e-12, rel=0) == start.Y


@pytest.mark.evidence
@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_agrees_with_every_method_of_opencv_on_noise_free_sets(mount):
    # Source: cv2.calibrateHandEye (5 methods) and cv2.calibrateRobotWorldHandEye (2 methods).
    worst = dict.fromkeys([*HAND_EYE, *ROBOT_WORLD, "rotation-matrices", "motion-vectors"], 0.0)
    for seed in range(50):
        problem = make_problem(mount, 10, seed)
        A, P = chain(problem), problem.camera_T_board_true
        found = {s.method: s.X for s in closed_form_estimates(A, P)}
        flange, board = inverse(A), P
        for name, method in HAND_EYE.items():
            turn, shift = cv2.calibrateHandEye(
                flange[:, :3, :3], flange[:, :3, 3], board[:, :3, :3], board[:, :3, 3], method=method
            )
            found[name] = matrix(turn, shift.ravel())
        for name, method in ROBOT_WORLD.items():
            _, _, turn, shift = cv2.calibrateRobotWorldHandEye(
                board[:, :3, :3], board[:, :3, 3], A[:, :3, :3], A[:, :3, 3], method=method
            )
            found[name] = inverse(matrix(turn, shift.ravel()))
        for name, X in found.items():
            worst[name] = max(worst[name], float(np.abs(X - problem.hand_eye_true).max()))
    print(mount, {name: f"{value:.1e}" for name, value in worst.items()})
    assert max(worst.values()) < 1e-9


def test_half_turns_only():
    """Three half turns about axes that are neither parallel nor square: their rotation vectors have no sign."""
    X = matrix(Rotation.from_rotvec([0.3, -1.2, 0.7]), [0.1, -0.2, 0.05])
    axes = [(1, 0, 0), (0, 1, 0), (0.6, 0.8, 0), (0.36, 0.48, 0.8)]
    motions = [matrix(Rotation.from_rotvec(np.pi * np.array(a)), [0.1 * k, 0.2, -0.1]) for k, a in enumerate(axes)]
    start = {s.method: s for s in closed_form_estimates(*from_motions(motions, X))}["rotation-matrices"]
    assert pytest.approx(X, abs=1e-12) == start.X


@pytest.mark.parametrize("way", ["rotation-matrices", "motion-vectors"])
@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_three_poses_are_enough(way, mount):
    worst = 0.0
    for seed in range(30):
        problem = make_problem(mount, 3, seed)
        starts = {s.method: s for s in closed_form_estimates(chain(problem), problem.camera_T_board_true)}
        worst = max(worst, float(np.abs(starts[way].X - problem.hand_eye_true).max()))
    print(f"{way} {mount}: {worst:.1e}")
    assert worst < 1e-9


@pytest.mark.parametrize("way", ["rotation-matrices", "motion-vectors"])
def test_all_turns_under_three_degrees(way):
    generator = np.random.default_rng(3)
    X = matrix(Rotation.from_rotvec([1.1, -0.4, 2.0]), [0.4, -0.1, 0.9])
    turns = generator.normal(size=(8, 3))
    turns *= np.deg2rad(generator.uniform(0.3, 3.0, (8, 1))) / np.linalg.norm(turns, axis=1, keepdims=True)
    motions = [matrix(Rotation.from_rotvec(w), generator.uniform(-0.2, 0.2, 3)) for w in turns]
    start = {s.method: s for s in closed_form_estimates(*from_motions(motions, X))}[way]
    print(f"{way}: {np.abs(start.X - X).max():.1e}")
    assert pytest.approx(X, abs=1e-9) == start.X


def test_noise_does_no_more_harm_than_it_must():
    """3e-4 rad on turns of 0.05 rad, ten of them: some 0.4 deg; on turns of nearly pi: some 0.005 deg."""
    generator = np.random.default_rng(8)
    X = matrix(Rotation.from_rotvec([0.5, 0.9, -1.4]), [0.2, 0.1, 0.6])

    def errors(turns):
        motions = [matrix(Rotation.from_rotvec(w), generator.uniform(-0.3, 0.3, 3)) for w in turns]
        A, P = from_motions(motions, X)
        shaken = np.stack([p @ matrix(Rotation.from_rotvec(generator.normal(size=3) * 3e-4), [0, 0, 0]) for p in P])
        return {s.method: rotation_deg(s.X, X) for s in closed_form_estimates(A, shaken)}

    axes = [np.array(a) / np.linalg.norm(a) for a in generator.normal(size=(10, 3))]
    small = errors([a * 0.05 for a in axes])
    half = errors([a * (np.pi - 1e-4) for a in axes])
    print(f"small turns {small}, half turns {half}, deg")
    assert max(small.values()) < 1.0
    assert max(half.values()) < 0.01


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_shifts_alone_still_give_the_turn_of_the_camera(mount):
    generator = np.random.default_rng(4)
    X = matrix(Rotation.from_rotvec([-0.7, 0.2, 2.1]), [0.3, -0.2, 0.8])
    facing = matrix(Rotation.from_rotvec([0.2, 2.9, 0.1]), [0.4, 0.1, 0.3])
    poses = np.stack([matrix(np.eye(3), shift) @ facing for shift in generator.uniform(-0.2, 0.2, (6, 3))])
    A = poses if mount == "fixed" else inverse(poses)
    P = inverse(X) @ A @ matrix(Rotation.from_rotvec([0.5, 0, 0]), [0, 0.1, 0.1])
    start = {s.method: s for s in closed_form_estimates(A, P)}["translation-vectors"]
    assert start.X[:3, :3] == pytest.approx(X[:3, :3], abs=1e-12)
    turned = {
        s.method
        for s in closed_form_estimates(*from_motions([matrix(Rotation.from_rotvec([0.1, 0, 0]), [0, 0, 0])], X))
    }
    assert "translation-vectors" not in turned
