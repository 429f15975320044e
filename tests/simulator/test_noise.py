import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.transforms import exp_se3, inverse, matrix, random_rotation


def test_pose_errors_in_the_flange_frame_have_the_stated_standard_deviations():
    rng = np.random.default_rng(1)
    noise = PoseNoise(0.1, 0.02)
    errors = []
    for _ in range(2000):
        true = matrix(random_rotation(rng, 170), rng.uniform(-1, 1, 3))
        error = inverse(noise.reported(true, rng)) @ true
        errors.append([*error[:3, 3] * 1e3, *Rotation.from_matrix(error[:3, :3]).as_rotvec(degrees=True)])
    spread = np.cov(np.array(errors).T)
    # The relative standard error of a standard deviation from 2000 draws is 1.6 %.
    assert np.sqrt(np.diag(spread)) == pytest.approx([0.1] * 3 + [0.02] * 3, rel=0.06)
    correlation = spread / np.sqrt(np.outer(np.diag(spread), np.diag(spread)))
    assert np.abs(correlation - np.eye(6)).max() < 0.1
    assert np.abs(np.mean(errors, axis=0) / [0.1, 0.1, 0.1, 0.02, 0.02, 0.02]).max() < 0.09


def test_the_same_seed_gives_the_same_noise():
    noise = PoseNoise(0.3, 0.1)
    first, second, other = (noise.draw(np.random.default_rng(s)) for s in (4, 4, 5))
    assert (first == second).all()
    assert not np.allclose(first, other, atol=1e-6)


def test_zero_noise_draws_the_identity():
    assert PoseNoise().draw(np.random.default_rng(0)) == pytest.approx(np.eye(4), abs=1e-15)


def test_the_exponential_of_a_twist():
    motion = exp_se3([0, 0, 0.2], [0, 0, 0.5])
    assert motion[:3, :3] == pytest.approx(Rotation.from_rotvec([0, 0, 0.5]).as_matrix(), abs=1e-14)
    assert motion[:3, 3] == pytest.approx([0, 0, 0.2], abs=1e-14)
    # A rotation by pi about z with a translation rate of 1 along x follows a half circle of length 1 and diameter 2/pi.
    assert exp_se3([1, 0, 0], [0, 0, np.pi])[:3, 3] == pytest.approx([0, 2 / np.pi, 0], abs=1e-12)
