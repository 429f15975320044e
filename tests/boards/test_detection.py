"""Detections as values, and their JSON records."""

import json
from dataclasses import asdict

import numpy as np
import pytest

from eyebolt.boards.detection import Detection, NoDetection, parse_detection
from eyebolt.boards.exposure import ExposureStats, measure_exposure, not_found_reason
from eyebolt.errors import InputFault

LIGHT = ExposureStats(0.1, 0.9, 0.0, 1 / 3, 0.8)


@pytest.fixture
def detection() -> Detection:
    return Detection(
        np.array([1, 4, 7]), np.array([[1 / 3, 2.5], [1e-9, 700.1], [12.0, np.pi]]), LIGHT, (640, 480), 0.7
    )


def test_a_detection_survives_json_to_the_last_bit(detection):
    back = parse_detection(json.loads(detection.to_record().model_dump_json()))
    assert back == detection
    assert back.corners_px.tobytes() == detection.corners_px.tobytes()
    assert back.ids.dtype.kind == "i"
    assert hash(back) == hash(detection)


def test_no_detection_survives_json():
    nothing = NoDetection("saturated", LIGHT, (640, 480))
    assert parse_detection(json.loads(nothing.to_record().model_dump_json())) == nothing


def test_different_detections_differ(detection):
    moved = Detection(detection.ids, detection.corners_px + 1e-12, LIGHT, (640, 480), 0.7)
    assert moved != detection
    assert detection != NoDetection("no-board", LIGHT, (640, 480))


def test_a_detection_is_read_only_and_does_not_share_memory():
    corners = np.zeros((1, 2))
    detection = Detection(np.array([0]), corners, LIGHT, (640, 480), 0.7)
    corners[0, 0] = 5
    assert detection.corners_px[0, 0] == 0
    with pytest.raises(ValueError, match="read-only"):
        detection.corners_px[0, 0] = 1


@pytest.mark.parametrize("corners", [np.zeros((2, 2)), np.zeros((3, 3)), np.full((3, 2), np.nan)])
def test_numbers_and_positions_must_match(corners):
    with pytest.raises(InputFault):
        Detection(np.array([1, 2, 3]), corners, LIGHT, (640, 480), 0.7)


@pytest.mark.parametrize("field", ["ids", "corners_px", "exposure", "image_size_px", "blur_px", "half_turn_ambiguous"])
def test_a_record_without_a_field_is_a_fault(detection, field):
    record = detection.to_record().model_dump(mode="json")
    del record[field]
    with pytest.raises(InputFault) as fault:
        parse_detection(record)
    assert fault.value.code == "detection-record"


@pytest.mark.parametrize("reason", ["fog", None])
def test_a_record_with_an_unknown_reason_is_a_fault(reason):
    record = {**NoDetection("dark", LIGHT, (640, 480)).to_record().model_dump(mode="json"), "reason": reason}
    with pytest.raises(InputFault):
        parse_detection(record)


def test_levels_are_fractions_of_full_scale_in_either_depth():
    ramp = np.tile(np.arange(256, dtype=np.uint8), (200, 1))
    narrow, wide = measure_exposure(ramp, None), measure_exposure(ramp.astype(np.uint16) * 257, None)
    assert narrow.dark_level == pytest.approx(0.05, abs=0.004)
    assert narrow.bright_level == pytest.approx(0.95, abs=0.004)
    # 0, 1, 2 and 253, 254, 255 of 256 levels lie within 1 % of the ends.
    assert narrow.saturated_fraction == pytest.approx(3 / 256)
    assert narrow.black_fraction == pytest.approx(3 / 256)
    assert narrow.contrast == pytest.approx(0.9, abs=0.01)
    assert asdict(wide) == pytest.approx(asdict(narrow))


def test_exposure_is_measured_on_the_board_alone():
    image = np.full((100, 100), 255, np.uint8)
    image[20:61, 30:71] = 100
    light = measure_exposure(image, np.array([[30.0, 20], [70, 20], [70, 60], [30, 60]]))
    assert light.saturated_fraction == 0
    assert light.bright_level == pytest.approx(100 / 255)
    assert measure_exposure(image, None).saturated_fraction > 0.5


@pytest.mark.parametrize(("level", "reason"), [(5, "dark"), (120, "no-board"), (255, "saturated")])
def test_exposure_explains_an_image_without_board(level, reason):
    assert not_found_reason(measure_exposure(np.full((50, 50), level, np.uint8), None)) == reason
