"""The exposure of a board's face by region, on images painted by hand: a square board, straight ahead."""

import numpy as np
import pytest

from eyebolt.boards import Chessboard
from eyebolt.boards.detection import Detection
from eyebolt.boards.exposure import ExposureStats
from eyebolt.observations.exposure_map import Region, measure_exposure_map

BOARD = Chessboard(8, 8, 0.015)
CORNERS_PX = 150 + 4000 * BOARD.corners_m()[:, :2]
HALF_PX = np.ptp(CORNERS_PX[:, 0]) / 2 + 30
MIDDLE_PX = CORNERS_PX.mean(axis=0)
# From -1 to 1 over the face of the board.
ACROSS = (np.arange(800) - MIDDLE_PX[0]) / HALF_PX
DOWN = ((np.arange(700) - MIDDLE_PX[1]) / HALF_PX)[:, None]


def measured(gray, corners=None):
    ids = np.arange(BOARD.corner_count)[:corners]
    light = ExposureStats(0.1, 0.7, 0.0, 0.0, 0.75)
    return measure_exposure_map(gray, Detection(ids, CORNERS_PX[ids], light, (800, 700), 0.7), BOARD)


def painted(where, level, rest=200, dtype=np.uint8):
    return np.where(where, level, rest).astype(dtype)


def test_an_even_image_has_no_darkest_and_no_saturated_region():
    found = measured(np.full((700, 800), 200, np.uint8))
    assert (found.saturated_region, found.darkest_region) == (Region.WHOLE, Region.WHOLE)
    assert (found.saturated_fraction, found.saturated_board_fraction) == (0.0, 0.0)
    assert found.dark_level == pytest.approx(200 / 255)


@pytest.mark.parametrize(
    ("is_dark", "region"),
    [
        (ACROSS + 0 * DOWN > 0.35, Region.RIGHT),
        (ACROSS + 0 * DOWN < -0.35, Region.LEFT),
        (0 * ACROSS + DOWN > 0.35, Region.LOWER_EDGE),
        ((np.abs(ACROSS) < 0.34) & (np.abs(DOWN) < 0.34), Region.MIDDLE),
    ],
)
def test_the_darkest_region_and_its_level(is_dark, region):
    found = measured(painted(is_dark, 60))
    assert (found.darkest_region, found.saturated_region) == (region, Region.WHOLE)
    assert found.dark_level == pytest.approx(60 / 255)


def test_a_region_a_third_darker_is_not_uneven():
    is_dark = ACROSS + 0 * DOWN > 0.35
    # The limit: half as bright again elsewhere.
    assert measured(painted(is_dark, 100, rest=149)).darkest_region is Region.WHOLE
    assert measured(painted(is_dark, 100, rest=151)).darkest_region is Region.RIGHT


@pytest.mark.parametrize(("dtype", "full"), [(np.uint8, 255), (np.uint16, 65535)])
def test_the_share_of_saturated_samples(dtype, full):
    # From 0.35 of the half width on in both directions: 0.325 squared of the board, and of the samples of the region to
    # the lower left, outside the middle ninth and between 22.5 and 67.5 deg, 0.79.
    found = measured(painted((ACROSS < -0.35) & (DOWN > 0.35), full, rest=full // 2, dtype=dtype))
    assert found.saturated_region is Region.LOWER_LEFT
    assert found.saturated_board_fraction == pytest.approx(0.325**2, abs=0.01)
    assert found.saturated_fraction == pytest.approx(0.79, abs=0.05)
    assert found.dark_level == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize(("level", "saturated"), [(252, 0.0), (253, 1.0)])
def test_saturated_from_99_percent_of_full_scale_on(level, saturated):
    found = measured(np.full((700, 800), level, np.uint8))
    assert (found.saturated_fraction, found.saturated_board_fraction) == (saturated, saturated)
    assert found.saturated_region is Region.WHOLE


def test_glare_in_the_middle():
    found = measured(painted((np.abs(ACROSS) < 0.25) & (np.abs(DOWN) < 0.25), 255))
    assert (found.saturated_region, found.darkest_region) == (Region.MIDDLE, Region.WHOLE)


def test_the_part_outside_the_image_does_not_count():
    gray = painted(ACROSS + 0 * DOWN > 0.35, 60)[:, : int(MIDDLE_PX[0] + 0.3 * HALF_PX)]
    assert measured(gray).darkest_region is Region.WHOLE
    assert measured(gray).dark_level == pytest.approx(200 / 255)


def test_four_corners_locate_the_board():
    gray = painted(ACROSS + 0 * DOWN > 0.35, 60)
    assert measured(gray, 3) is None
    light = ExposureStats(0.1, 0.7, 0.0, 0.0, 0.75)
    ids = np.array([0, 6, 42, 48])
    found = measure_exposure_map(gray, Detection(ids, CORNERS_PX[ids], light, (800, 700), 0.7), BOARD)
    assert found.darkest_region is Region.RIGHT
