import contextlib
import time

import cv2
import numpy as np
import pytest

from eyebolt.cameras.device import DeviceCamera
from eyebolt.cameras.factory import CameraSettings, open_camera
from eyebolt.cameras.folder import FolderCamera
from eyebolt.cameras.push import PushCamera
from eyebolt.cameras.simulated import SimulatedCamera
from eyebolt.cameras.video_file import VideoFileCamera
from eyebolt.errors import InputFault


def test_a_folder_is_relative_to_the_station_file_and_goes_on_after_a_name(tmp_path):
    (tmp_path / "pictures").mkdir()
    for name in ("a.png", "b.png"):
        assert cv2.imwrite(str(tmp_path / "pictures" / name), np.zeros((2, 2), np.uint8))
    camera = open_camera("folder", {"path": "pictures", "intrinsics": "camera.json"}, tmp_path, "a.png")
    assert isinstance(camera, FolderCamera)
    assert camera.grab(time.monotonic_ns(), 1.0).name == "b.png"


def test_each_source_opens_its_kind(tmp_path, endpoint):
    writer = cv2.VideoWriter(str(tmp_path / "clip.avi"), cv2.VideoWriter_fourcc(*"MJPG"), 10, (64, 48))
    writer.write(np.zeros((48, 64, 3), np.uint8))
    writer.release()
    for source, settings, kind in [
        ("push", CameraSettings(endpoint=endpoint), PushCamera),
        ("simulated", {"endpoint": endpoint, "settle_ms": 300}, SimulatedCamera),
        ("device", CameraSettings(path="/dev/video-of-nobody", exposure_us=5000), DeviceCamera),
        ("device", {"url": "http://127.0.0.1:9/x"}, DeviceCamera),
        ("device", {"path": "clip.avi"}, VideoFileCamera),
    ]:
        with contextlib.closing(open_camera(source, settings, tmp_path)) as camera:
            assert isinstance(camera, kind)


@pytest.mark.parametrize(
    ("source", "settings", "code", "said"),
    [
        ("stream", {"url": "rtsp://a"}, "camera-source", 'source = "device"'),
        ("genicam", {"serial": "1"}, "camera-source", "push_camera_sender.py"),
        ("webcam", {}, "camera-source", "device, folder, push, simulated"),
        ("folder", {}, "camera-incomplete", "path"),
        ("folder", {"path": " "}, "camera-incomplete", "path"),
        ("folder", {"path": "missing"}, "camera-folder", "path"),
        ("push", {}, "camera-incomplete", "endpoint"),
        ("simulated", {}, "camera-incomplete", "endpoint"),
        ("device", {}, "camera-incomplete", "url"),
        ("device", {"path": "0", "url": "http://a"}, "camera-incomplete", "one of them"),
        ("device", {"path": "missing.avi"}, "camera-path", "/dev/video0"),
        ("device", {"url": "http://a", "exposure_us": 100}, "camera-setting", "exposure_us"),
    ],
)
def test_what_cannot_be_opened_is_said_with_what_to_do(tmp_path, source, settings, code, said):
    with pytest.raises(InputFault) as caught:
        open_camera(source, settings, tmp_path)
    assert caught.value.code == code
    assert said in caught.value.remedy
