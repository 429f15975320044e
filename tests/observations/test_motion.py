"""The motion check on two images, and the motion of the arm from live poses."""

from dataclasses import replace

import numpy as np
import pytest

from eyebolt.boards.detection import Detection
from eyebolt.boards.exposure import ExposureStats
from eyebolt.observations.view_quality import MotionCheck, compare_images

LIGHT = ExposureStats(0.1, 0.7, 0.0, 0.0, 0.75)
IDS = np.arange(88)
GRID = np.stack([100.0 + 40 * (IDS % 11), 100.0 + 40 * (IDS // 11)], axis=-1)


def detection(corners_px, ids=IDS):
    return Detection(ids, corners_px, LIGHT, (1280, 960), 0.7)


def test_shift_and_corner_noise_are_measured():
    rng = np.random.default_rng(0)
    noise = [rng.normal(0, 0.04, GRID.shape) for _ in range(2)]
    motion_check = compare_images(detection(GRID + noise[0]), detection(GRID + [0.3, -0.4] + noise[1]), 160.0)
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
                detection(GRID[:count] + noise[0], IDS[:count]), detection(GRID[:count] + noise[1], IDS[:count]), 150.0
            )
            assert motion_check.limit_px >= max(0.15, 3 * motion_check.sigma_px)
            assert not motion_check.has_moved, (count, motion_check)


@pytest.mark.parametrize(
    ("corners", "sigma_px", "limit_px"),
    [
        # Three sigma, and two standard deviations of sigma itself: 1 / sqrt(2 * 2 * (n - 3)) of it each.
        (10, 0.1, 0.3 * (1 + 2 / 28**0.5)),
        (88, 0.1, 0.3 * (1 + 2 / 340**0.5)),
        (88, 0.05, 0.15 * (1 + 2 / 340**0.5)),
        (88, 0.04, 0.15),
    ],
)
def test_the_limit_of_a_shift(corners, sigma_px, limit_px):
    motion_check = MotionCheck(0.0, sigma_px, 150.0, corners)
    assert motion_check.limit_px == pytest.approx(limit_px, rel=1e-12)
    assert not replace(motion_check, shift_px=limit_px * (1 - 1e-9)).has_moved
    assert replace(motion_check, shift_px=limit_px * (1 + 1e-9)).has_moved


def test_a_rotation_about_the_middle_is_motion():
    middle = GRID.mean(axis=0)
    rotation = np.array([[np.cos(2e-3), -np.sin(2e-3)], [np.sin(2e-3), np.cos(2e-3)]])
    motion_check = compare_images(detection(GRID), detection((GRID - middle) @ rotation.T + middle), 150.0)
    assert motion_check.sigma_px < 1e-9
    assert motion_check.has_moved


def test_only_corners_common_to_both_images_count():
    motion_check = compare_images(detection(GRID[:50], IDS[:50]), detection(GRID[40:] + 1.0, IDS[40:]), 150.0)
    assert motion_check.corners == 10
    assert motion_check.shift_px == pytest.approx(np.sqrt(2))
    assert compare_images(detection(GRID[:49], IDS[:49]), detection(GRID[40:], IDS[40:]), 150.0) is None
