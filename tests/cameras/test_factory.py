import contextlib
import time

import cv2
import numpy as np
import pytest

from eyebolt.cameras import open_camera
from eyebolt.cameras.device import DeviceCamera
from eyebolt.cameras.folder import FolderCamera
from eyebolt.cameras.push import PushCamera
from eyebolt.cameras.simulated import SimulatedCamera
from eyebolt.cameras.video_file import VideoFileCamera
from eyebolt.config import CameraSection
from eyebolt.errors import InputFault


def section(source, **keys):
    return CameraSection(source=source, intrinsics="camera.json", **keys)


def test_a_folder_is_relative_to_the_station_file_and_resumes_after_a_name(tmp_path):
    (tmp_path / "images").mkdir()
    for name in ("a.png", "b.png"):
        assert cv2.imwrite(str(tmp_path / "images" / name), np.zeros((2, 2), np.uint8))
    camera = open_camera(section("folder", path="images"), tmp_path, "a.png")
    assert isinstance(camera, FolderCamera)
    assert camera.grab(time.monotonic_ns(), 1.0).name == "b.png"


def test_each_source_opens_its_kind(tmp_path, endpoint):
    writer = cv2.VideoWriter(str(tmp_path / "clip.avi"), cv2.VideoWriter_fourcc(*"MJPG"), 10, (64, 48))  # type: ignore[attr-defined]
    writer.write(np.zeros((48, 64, 3), np.uint8))
    writer.release()
    for camera_section, kind in [
        (section("push", endpoint=endpoint), PushCamera),
        (section("simulated", endpoint=endpoint, settle_ms=300), SimulatedCamera),
        (section("device", path="/dev/video-of-nobody", exposure_us=5000.0), DeviceCamera),
        (section("device", path="http://127.0.0.1:9/x"), DeviceCamera),
        (section("device", path="clip.avi"), VideoFileCamera),
    ]:
        with contextlib.closing(open_camera(camera_section, tmp_path)) as camera:
            assert isinstance(camera, kind)


@pytest.mark.parametrize(
    ("source", "keys", "code", "remedy_part"),
    [
        ("stream", {"url": "rtsp://a"}, "camera-source", 'source = "device"'),
        ("folder", {"path": "missing"}, "camera-folder", "path"),
        ("folder", {"path": " "}, "camera-folder", "path"),
        ("device", {"path": " "}, "camera-path", "/dev/video0"),
        ("device", {"path": "missing.avi"}, "camera-path", "/dev/video0"),
        ("device", {"path": "http://a", "exposure_us": 100.0}, "camera-setting", "exposure_us"),
    ],
)
def test_a_source_that_cannot_be_opened_raises_a_fault_with_its_remedy(tmp_path, source, keys, code, remedy_part):
    with pytest.raises(InputFault) as caught:
        open_camera(section(source, **keys), tmp_path)
    assert caught.value.code == code
    assert remedy_part in caught.value.remedy
