"""Two sets of corners compared, and poses streamed meanwhile."""

import numpy as np
import pytest

from eyebolt.boards.detection import Detection
from eyebolt.boards.exposure import ExposureStats
from eyebolt.observations.view_quality import MotionCheck, arm_motion, compare_images

LIGHT = ExposureStats(0.1, 0.7, 0.0, 0.0, 0.75)
IDS = np.arange(88)
GRID = np.stack([100.0 + 40 * (IDS % 11), 100.0 + 40 * (IDS // 11)], axis=-1)


def seen(corners_px, ids=IDS):
    return Detection(ids, corners_px, LIGHT, (1280, 960), 0.7)


def test_a_shift_is_measured_and_its_noise_beside_it():
    rng = np.random.default_rng(0)
    noise = [rng.normal(0, 0.04, GRID.shape) for _ in range(2)]
    motion_check = compare_images(seen(GRID + noise[0]), seen(GRID + [0.3, -0.4] + noise[1]), 160.0)
    assert motion_check.shift_px == pytest.approx(0.5, abs=0.02)
    assert motion_check.sigma_px == pytest.approx(0.04, rel=0.15)
    assert (motion_check.interval_ms, motion_check.corners) == (160.0, 88)
    assert motion_check.limit_px == 0.15
    assert motion_check.has_moved


@pytest.mark.parametrize("sigma_px", [0.02, 0.05, 0.1, 0.3, 1.0])
def test_noise_alone_is_never_motion(sigma_px):
    rng = np.random.default_rng(1)
    for count in (10, 20, 88):
        for _ in range(100):
            noise = [rng.normal(0, sigma_px, (count, 2)) for _ in range(2)]
            motion_check = compare_images(
                seen(GRID[:count] + noise[0], IDS[:count]), seen(GRID[:count] + noise[1], IDS[:count]), 150.0
            )
            assert motion_check.limit_px >= max(0.15, 3 * motion_check.sigma_px)
            assert not motion_check.has_moved, (count, motion_check)


def test_a_turn_about_the_middle_is_motion_too():
    middle = GRID.mean(axis=0)
    turn = np.array([[np.cos(2e-3), -np.sin(2e-3)], [np.sin(2e-3), np.cos(2e-3)]])
    motion_check = compare_images(seen(GRID), seen((GRID - middle) @ turn.T + middle), 150.0)
    assert motion_check.sigma_px < 1e-9
    assert motion_check.has_moved


def test_only_corners_of_both_pictures_count():
    motion_check = compare_images(seen(GRID[:50], IDS[:50]), seen(GRID[40:] + 1.0, IDS[40:]), 150.0)
    assert motion_check.corners == 10
    assert motion_check.shift_px == pytest.approx(np.sqrt(2))
    assert compare_images(seen(GRID[:49], IDS[:49]), seen(GRID[40:], IDS[40:]), 150.0) is None


def test_stillness_is_written_and_read_back():
    motion_check = MotionCheck(0.1, 0.02, 151.5, 40)
    assert MotionCheck.from_json(motion_check.to_json()) == motion_check


def test_how_far_live_poses_reach():
    at, near, far = (np.eye(4) for _ in range(3))
    near[0, 3], far[1, 3] = 1e-4, -3e-4
    far[:2, :2] = [[0.0, -1.0], [1.0, 0.0]]
    assert arm_motion(at, []) == (0.0, 0.0)
    assert arm_motion(at, [near]) == pytest.approx((1e-4, 0.0))
    assert arm_motion(at, [near, far]) == pytest.approx((3e-4, np.pi / 2))
