"""GigE Vision, against the camera of Aravis, which this project did not write (``support.gige_camera``)."""

import contextlib
import fcntl
import signal
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
import pytest

from eyebolt.boards import NoDetection, find_board
from eyebolt.cameras import open_camera
from eyebolt.cameras.genicam import GenicamCamera, decoded, find_cameras
from eyebolt.config import CameraSection
from eyebolt.context import load_context
from eyebolt.errors import CameraFault, MachineFault
from eyebolt.testing.camera_conformance import check_camera
from support import gige_camera
from support.camera_fixtures import read
from support.daemon_process import Robot
from support.folder_camera_cell import write_station
from support.processes import until
from support.push_camera_cell import LENS

ADDRESS = "127.0.0.1"


def missing_library() -> str:
    """Why there is no camera to test with; empty if there is one."""
    try:
        gige_camera.load()
    except OSError:
        return f"{gige_camera.LIBRARY} not found: apt-get install libaravis-0.8-0"
    return ""


def against_aravis(test):
    """Checks against something outside the project."""
    return pytest.mark.evidence(pytest.mark.skipif(bool(missing_library()), reason=missing_library())(test))


@contextlib.contextmanager
def only_camera():
    """The port of GigE Vision is the same for all processes of a computer."""
    with Path(tempfile.gettempdir(), "eyebolt-gige-camera.lock").open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield


@pytest.fixture
def gige():
    with only_camera(), gige_camera.running() as process:
        yield process


def connected(**options):
    """A source that is connected; the camera is found by its address."""
    camera = GenicamCamera(ADDRESS, **options)
    until(lambda: camera.health().is_connected, "a connection to the camera")
    return camera


@against_aravis
def test_every_promise_of_a_camera_is_kept(gige):
    @contextlib.contextmanager
    def frozen():
        gige.send_signal(signal.SIGSTOP)
        yield
        gige.send_signal(signal.SIGCONT)

    assert check_camera(lambda: connected(exposure_us=1000.0), lambda frame: read(frame.pixels), silence=frozen) == []


@against_aravis
def test_a_camera_is_found_set_and_refused_where_its_images_are_of_another_size(gige):
    assert [(one.transport, one.serial) for one in find_cameras()] == [("GigE Vision", ADDRESS)]
    with contextlib.closing(connected(pixel_format="Mono16", gain_db=3.0, size_px=(512, 512))) as camera:
        frame = camera.grab(time.monotonic_ns(), 5.0)
        assert frame.pixels.dtype == np.uint16
        assert frame.exposed_ns <= read(frame.pixels) <= frame.arrived_ns
        assert "gain_db cannot be set in this camera" in camera.health().message
    # By its serial number.
    with contextlib.closing(GenicamCamera("GV01", size_px=(640, 480))) as camera:
        until(lambda: camera.health().is_connected, "a connection to the camera")
        with pytest.raises(CameraFault) as caught:
            camera.grab(time.monotonic_ns(), 5.0)
        assert (caught.value.code, "512 x 512" in caught.value.message) == ("image-size", True)
    with contextlib.closing(GenicamCamera("no-such-camera")) as camera:
        until(lambda: "found: Aravis Fake 127.0.0.1" in camera.health().message, "the list of what is found")
        with pytest.raises(CameraFault) as caught:
            camera.grab(time.monotonic_ns(), 0.2)
        assert (caught.value.code, "eyebolt cameras" in caught.value.remedy) == ("camera-lost", True)


@against_aravis
def test_a_calibration_over_gige_vision(pushed_cell, start_daemon, tmp_path):
    cell = pushed_cell
    np.save(tmp_path / "images.npy", cell.images)
    shown = tmp_path / "shown"
    shown.write_text("0")
    lines = ('source = "genicam"', f'serial = "{ADDRESS}"', "exposure_us = 1000", 'motion_check = "off"')
    station = write_station(tmp_path, lens=LENS, camera_lines=lines, tolerance_mm=3.0, mount=cell.mount)
    size = ("--size", "640", "480", "--images", str(tmp_path / "images.npy"), "--shown", str(shown))
    with only_camera(), gige_camera.running(*size):
        daemon = start_daemon(station)
        with Robot(daemon.port) as robot:
            robot.say("hello 0")
            codes = []
            for index in range(len(cell.images)):
                shown.write_text(str(index))
                codes.append(robot.final(cell.line("capture", index + 1, index))[0])
            assert robot.final("solve 99")[0] == 0
    # Two of the small images show no board that can be found.
    board = load_context(station).board
    assert [code == 20 for code in codes] == [
        isinstance(find_board(image, board), NoDetection) for image in cell.images
    ]
    assert set(codes) == {0, 3, 20}
    kept = sorted(tmp_path.glob("sessions/*/images/*"))
    read_back = np.array([cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) for path in kept])
    np.testing.assert_array_equal(read_back, cell.images)


@pytest.mark.parametrize(
    ("pixel_format", "value", "expected"), [("Mono10", 1023, 65472), ("Mono12", 4095, 65520), ("Mono16", 65535, 65535)]
)
def test_values_of_few_bits_fill_sixteen(pixel_format, value, expected):
    # Source: Pixel Format Naming Convention of GenICam: the name ends in the number of bits, which are the lower ones.
    image = decoded(np.full((4, 6), value, np.uint16), pixel_format)
    assert image.dtype == np.uint16 and (image == expected).all()


@pytest.mark.parametrize("pattern", ["RG", "GR", "GB", "BG"])
def test_a_bayer_pattern_gives_the_gray_of_its_colour(pattern):
    colours = {"R": 200, "G": 120, "B": 40}
    # The first two letters are the first two pixels of the first row; the second row has the other two.
    second = {"RG": "GB", "GR": "BG", "GB": "RG", "BG": "GR"}[pattern]
    mosaic = np.array([[colours[one] for one in row] for row in (pattern, second)], np.uint8)
    image = decoded(np.tile(mosaic, (8, 8)), f"Bayer{pattern}8")
    gray = cv2.cvtColor(np.array([[[40, 120, 200]]], np.uint8), cv2.COLOR_BGR2GRAY)[0, 0]
    assert image.shape == (16, 16) and np.abs(image[2:-2, 2:-2].astype(int) - int(gray)).max() <= 1


def test_an_unknown_pixel_format_is_refused_and_colour_is_turned_around():
    rgb = np.zeros((2, 2, 3), np.uint8)
    rgb[..., 0] = 7
    assert (decoded(rgb, "RGB8")[..., 2] == 7).all()
    with pytest.raises(ValueError, match="YUV422"):
        decoded(np.zeros((2, 2), np.uint8), "YUV422_8")


def test_without_the_library_the_error_names_what_to_install(monkeypatch, tmp_path):
    monkeypatch.setitem(sys.modules, "viva_genicam", None)
    with pytest.raises(MachineFault) as caught:
        GenicamCamera()
    assert (caught.value.code, "eyebolt[genicam]" in caught.value.remedy) == ("camera-library", True)
    with pytest.raises(MachineFault):
        open_camera(CameraSection(source="genicam", intrinsics="camera.json"), tmp_path)
