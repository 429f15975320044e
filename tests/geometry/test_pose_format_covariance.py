"""Covariance through a function: a published example, Monte Carlo, and the numbers that a controller reads."""

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.geometry import se3 as se3
from eyebolt.geometry.pose_format import (
    ANGLE_UNITS_RAD,
    EULER_KINDS,
    LENGTH_UNITS_M,
    ROTATION_KINDS,
    PoseFormat,
    propagate,
)

MM, DEG = 1e-3, math.pi / 180


def correlations(covariance):
    sigma = np.sqrt(np.diagonal(covariance))
    return covariance / sigma[:, None] / sigma


@pytest.mark.evidence
def test_resistance_and_reactance_of_jcgm_100_example_h2():
    # Source: JCGM 100:2008, annex H.2: the five simultaneous observations of table H.2 (V, mA, rad), with the means,
    # standard uncertainties and correlations printed beside them, and the results of table H.3.
    volts = [5.007, 4.994, 5.005, 4.990, 4.999]
    amperes = [0.019663, 0.019639, 0.019640, 0.019685, 0.019678]
    phase = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]
    observed = np.array([volts, amperes, phase])
    at, of_the_means = observed.mean(axis=1), np.cov(observed) / 5
    assert at == pytest.approx([4.999, 0.019661, 1.04446], rel=1e-12)
    assert np.sqrt(np.diagonal(of_the_means)) == pytest.approx([0.0032, 9.5e-6, 7.5e-4], rel=0.01)
    r = correlations(of_the_means)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.36, 0.86, -0.65], abs=0.005)

    def impedance(inputs):
        V, A, phi = inputs
        return [V * np.cos(phi) / A, V * np.sin(phi) / A, V / A]

    value, covariance = propagate(impedance, at, of_the_means)
    assert value == pytest.approx([127.732, 219.847, 254.260], abs=5e-4)
    # All digits that are printed. (From the rounded u and r, u(R) would come out as 0.0700.)
    assert np.sqrt(np.diagonal(covariance)) == pytest.approx([0.0711, 0.2956, 0.2363], abs=5e-5)
    found = correlations(covariance)
    assert [found[0, 1], found[0, 2], found[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=5e-4)


def test_a_linear_function_is_propagated_exactly():
    generator = np.random.default_rng(3)
    for size in (1e-9, 1.0, 1e6):
        gain, root = generator.normal(size=(4, 3)), generator.normal(size=(3, 3))
        at, covariance = generator.normal(size=3) * size, root @ root.T
        value, out = propagate(lambda x, gain=gain: gain @ x, at, covariance)
        assert value == pytest.approx(gain @ at, rel=1e-14)
        assert out == pytest.approx(gain @ covariance @ gain.T, rel=1e-7)


def test_what_is_known_exactly_is_not_moved():
    asked = []

    def product(x):
        asked.append(x.copy())
        return [x[0] * x[1] if x[1] == 5.0 else math.nan]

    value, covariance = propagate(product, [2.0, 5.0], np.diag([0.01, 0.0]))
    assert value.tolist() == [10.0]
    assert covariance == pytest.approx(np.array([[0.25]]), rel=1e-9)
    assert len(asked) == 3
    _, nothing = propagate(product, [2.0, 5.0], np.zeros((2, 2)))
    assert nothing.tolist() == [[0.0]]


def test_a_tiny_spread_of_a_large_number_is_not_lost_in_rounding():
    _, covariance = propagate(lambda x: [math.sin(x[0])], [1000.0], [[1e-26]])
    assert math.sqrt(covariance[0, 0]) == pytest.approx(1e-13 * abs(math.cos(1000.0)), rel=1e-3)


def test_a_variance_below_zero_is_no_variance():
    value, covariance = propagate(lambda x: [x[0] + x[1]], [1.0, 2.0], np.diag([1.0, -1.0]))
    assert value.tolist() == [3.0]
    assert np.isnan(covariance).all()


def pose_covariance(seed, shift_m=0.3 * MM, turn_rad=0.05 * DEG):
    """A full (6, 6) with shift and turn correlated."""
    root = np.random.default_rng(seed).normal(size=(6, 6)) / np.sqrt(6)
    size = np.repeat([shift_m, turn_rad], 3)
    return (root @ root.T + 0.1 * np.eye(6)) * size[:, None] * size


def by_drawing(pose_format, pose, covariance, count=20_000):
    """Standard deviations of the numbers, by drawing poses and writing them with SciPy alone, all next to one another.

    At half a turn there are two rotation vectors, and their numbers scatter differently: the one that is written.
    """
    draws = np.random.default_rng(11).multivariate_normal(np.zeros(6), covariance, count)
    # A small change on the right; the shift of the exact exponential differs by less than a thousandth here.
    lengths = pose[:3, 3] + draws[:, :3] @ pose[:3, :3].T
    turned = Rotation.from_matrix(pose[:3, :3]) * Rotation.from_rotvec(draws[:, 3:])
    unit = ANGLE_UNITS_RAD[pose_format.angle]
    if pose_format.rotation.startswith("quaternion"):
        numbers = turned.as_quat(scalar_first=pose_format.rotation.endswith("wxyz"))
        numbers *= np.sign(numbers @ numbers[0])[:, None]
    elif pose_format.rotation == "rotation-vector":
        numbers = turned.as_rotvec()
        backward = (numbers @ pose_format.to_fields(pose)[3:]) < 0
        sizes = np.linalg.norm(numbers, axis=1, keepdims=True)
        numbers = np.where(backward[:, None], numbers * (1 - 2 * np.pi / sizes), numbers) / unit
    elif pose_format.rotation == "angle-z":
        matrices = turned.as_matrix()
        numbers = np.unwrap(np.arctan2(matrices[:, 1, 0], matrices[:, 0, 0]))[:, None] / unit
    else:
        numbers = np.unwrap(turned.as_euler(pose_format.rotation.removeprefix("euler-")), axis=0) / unit
    return [*(lengths.std(axis=0) / LENGTH_UNITS_M[pose_format.length]), *numbers.std(axis=0)]


@pytest.mark.parametrize("kind", ROTATION_KINDS)
def test_sigma_of_a_written_pose_against_monte_carlo(kind):
    for seed, (length, angle) in enumerate([("mm", "deg"), ("um", "1e-4deg")]):
        pose_format = PoseFormat(length, kind, angle)
        turn = Rotation.random(rng=np.random.default_rng(seed + 40))
        pose = se3.compose_parts(turn.as_matrix(), [0.6, -0.2, 1.1])
        covariance = pose_covariance(seed)
        # Standard deviation of a standard deviation from 20000 draws: 0.5 %.
        found = pose_format.field_sigmas(pose, covariance)
        assert found == pytest.approx(by_drawing(pose_format, pose, covariance), rel=0.025)


# The number written leaps under the smallest change: half a turn, a whole turn, a quaternion without its first number.
LEAPS = [
    ("rotation-vector", Rotation.from_rotvec([0, 180, 0], degrees=True)),
    ("rotation-vector", Rotation.from_rotvec([127.279220613578, -127.279220613578, 0], degrees=True)),
    ("quaternion-wxyz", Rotation.from_rotvec([180, 0, 0], degrees=True)),
    ("quaternion-xyzw", Rotation.from_rotvec([0, 0, 180], degrees=True)),
    ("euler-ZYX", Rotation.from_euler("ZYX", [180, 20, -180], degrees=True)),
    ("euler-xyz", Rotation.from_euler("xyz", [180, 0, 180], degrees=True)),
    ("euler-ZYZ", Rotation.from_euler("ZYZ", [180, 30, 180], degrees=True)),
    ("angle-z", Rotation.from_euler("z", 180, degrees=True)),
]


@pytest.mark.parametrize(("kind", "turn"), LEAPS, ids=lambda v: v if isinstance(v, str) else "")
def test_sigma_does_not_leap_where_the_written_number_does(kind, turn):
    pose_format = PoseFormat("mm", kind, "deg")
    pose, covariance = se3.compose_parts(turn.as_matrix(), [0.6, -0.2, 1.1]), pose_covariance(5)
    written = [pose_format.to_fields(pose @ se3.exp(np.eye(6)[k] * s * 1e-4))[3:] for k in (3, 4, 5) for s in (1, -1)]
    leap = np.ptp(written, axis=0).max()
    assert leap > 1.4 if kind.startswith("quaternion") else leap > 180
    found = pose_format.field_sigmas(pose, covariance)
    assert found == pytest.approx(by_drawing(pose_format, pose, covariance), rel=0.025, abs=1e-6)


@pytest.mark.parametrize("kind", EULER_KINDS)
@pytest.mark.parametrize("beside_deg", [0.0, 1e-7, 0.01, 2.0])
def test_sigma_near_a_singular_triple_is_finite_and_never_too_small(kind, beside_deg):
    letters = kind.removeprefix("euler-")
    proper = letters[0] == letters[2]
    pose_format = PoseFormat("mm", kind, "deg")
    covariance = np.diag(np.repeat([0.1 * MM, 0.02 * DEG], 3) ** 2)
    for middle in (0.0, 180.0) if proper else (90.0, -90.0):
        turn = Rotation.from_euler(letters, [25.0, middle - beside_deg, -60.0], degrees=True)
        sigma = pose_format.field_sigmas(se3.compose_parts(turn.as_matrix(), [0.6, -0.2, 1.1]), covariance)
        assert sigma[:3] == pytest.approx([0.1] * 3, rel=1e-6)
        assert all(math.isfinite(s) for s in sigma)
        first, second, third = sigma[3:]
        # 0.02 deg of turn beside the singularity turns the outer angles by so much; over a whole turn it means nothing.
        expected = min(0.02 / max(math.sin(math.radians(beside_deg)), 1e-9), 360 / math.sqrt(12))
        assert max(first, third) > 0.7 * expected
        assert max(first, third) <= 360 / math.sqrt(12) + 1e-9
        assert 0.01 < second < 0.05


@pytest.mark.parametrize("kind", ROTATION_KINDS)
def test_a_pose_known_exactly_has_no_sigma(kind):
    pose = se3.compose_parts(Rotation.from_rotvec([0.1, 0.2, 0.3]).as_matrix(), [0.6, -0.2, 1.1])
    assert PoseFormat("mm", kind, "deg").field_sigmas(pose, np.zeros((6, 6))) == [0.0] * len(
        PoseFormat("mm", kind, "deg").to_fields(pose)
    )


def test_no_turn_at_all_has_a_sigma():
    found = PoseFormat("m", "rotation-vector", "rad").field_sigmas(np.eye(4), np.diag([1e-8] * 3 + [4e-8] * 3))
    assert found == pytest.approx([1e-4] * 3 + [2e-4] * 3, rel=1e-6)
