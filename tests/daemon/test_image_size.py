"""An image of another size than the lens file's is answered 38, neither stored nor searched, whatever the source is."""

import json
import time

import cv2
import numpy as np
import pytest

from eyebolt.cameras import Frame, FreshnessMethod
from eyebolt.context import load_context
from eyebolt.daemon.acquisition import ImageAcquisition
from eyebolt.daemon.startup import open_station_camera
from eyebolt.errors import CameraFault
from eyebolt.session import messages as msg
from support.folder_camera_cell import LENS, write_station


class SizedCamera:
    """Delivers images of one size; its header, if it has one, is not asked."""

    def __init__(self, width_px, height_px):
        self.pixels = np.zeros((height_px, width_px), np.uint8)

    def grab(self, not_before_ns, timeout_s):
        now_ns = max(not_before_ns, time.monotonic_ns())
        return Frame(self.pixels, now_ns, now_ns, FreshnessMethod.ARRIVAL, "1/1")


def test_the_size_is_compared_before_anything_else_happens(tmp_path):
    context = load_context(write_station(tmp_path))
    right = context.session_config.lens_size_px
    assert right == (LENS.width_px, LENS.height_px)
    for size, preview_ns in (((640, 480), None), ((480, 640), 0), (right[::-1], None)):
        acquisition = ImageAcquisition(context, SizedCamera(*size), lambda work: None)
        event = acquisition.grab(msg.Grab(1, 0, preview_ns))
        assert isinstance(event, msg.GrabFailed)
        assert event.code == "image-size"
        assert json.dumps(list(size))[1:-1].split(", ")[0] in event.message
        assert acquisition.frame(1) is None
    acquisition = ImageAcquisition(context, SizedCamera(*right), lambda work: None)
    assert isinstance(acquisition.grab(msg.Grab(1, 0, None)), msg.Grabbed)


def test_the_source_knows_the_size_that_is_wanted(tmp_path):
    (tmp_path / "images").mkdir()
    assert cv2.imwrite(str(tmp_path / "images/a.png"), np.zeros((48, 64), np.uint8))
    context = load_context(write_station(tmp_path, camera_lines=('source = "folder"', 'path = "images"')))
    with pytest.raises(CameraFault) as fault:
        open_station_camera(context, None).grab(0, 1.0)
    assert fault.value.code == "image-size"
