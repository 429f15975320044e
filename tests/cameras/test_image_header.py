"""The size of an image is read from its header: what is absurd or not wanted is never decoded."""

import contextlib
import resource
import struct
import time
import zlib

import cv2
import numpy as np
import pytest
import zmq

from eyebolt.cameras.folder import FolderCamera
from eyebolt.cameras.frame_message import encode_frame
from eyebolt.cameras.image_header import read_image_size
from eyebolt.cameras.push import PushCamera
from eyebolt.errors import CameraFault, RecordFault
from eyebolt.store import SessionFolder
from eyebolt.store.images import encode_image
from support.daemon_process import free_ports
from support.processes import until

FORMATS = [
    (".png", ()),
    (".jpg", ()),
    (".jpg", (cv2.IMWRITE_JPEG_PROGRESSIVE, 1)),
    (".bmp", ()),
    (".tif", ()),
    (".webp", (cv2.IMWRITE_WEBP_QUALITY, 50)),
    (".webp", (cv2.IMWRITE_WEBP_QUALITY, 101)),
]


def png_of(width, height):
    """A PNG file of zeros: a few kilobytes for a gigabyte of pixels."""

    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")


@pytest.mark.parametrize(("suffix", "parameters"), FORMATS)
@pytest.mark.parametrize("shape", [(61, 83), (60, 80, 3)])
def test_the_size_is_that_of_the_decoded_image(tmp_path, suffix, parameters, shape):
    path = tmp_path / f"a{suffix}"
    image = np.random.default_rng(1).integers(0, 255, shape).astype(np.uint8)
    assert cv2.imwrite(str(path), image, parameters)
    assert read_image_size(path) == (shape[1], shape[0])


@pytest.mark.parametrize("head", [b"P5\n# a comment\n83 61\n255\n", b"P2 83\n61 255\n", b"P6\n83 61\n65535\n"])
def test_portable_formats(tmp_path, head):
    (tmp_path / "a.pgm").write_bytes(head)
    assert read_image_size(tmp_path / "a.pgm") == (83, 61)


@pytest.mark.parametrize(("suffix", "parameters"), FORMATS)
def test_any_damage_of_a_header_is_no_defect(tmp_path, suffix, parameters):
    path, random = tmp_path / f"a{suffix}", np.random.default_rng(2)
    assert cv2.imwrite(str(path), np.zeros((60, 80), np.uint8), parameters)
    whole = path.read_bytes()
    for length in range(60):
        path.write_bytes(whole[:length])
        # A size may stand before the place of the cut.
        with contextlib.suppress(ValueError):
            assert read_image_size(path) == (80, 60)
    for _ in range(200):
        damaged = bytearray(whole)
        damaged[random.integers(min(len(whole), 300))] = random.integers(256)
        path.write_bytes(damaged)
        try:
            width, height = read_image_size(path)
            assert 0 < width * height <= 1e8
        except (ValueError, OSError):
            pass


def test_a_folder_refuses_another_size_before_it_is_decoded(tmp_path):
    (tmp_path / "a.png").write_bytes(png_of(30_000, 30_000))
    (tmp_path / "b.png").write_bytes(png_of(10_000, 9_000))
    assert cv2.imwrite(str(tmp_path / "c.png"), np.zeros((60, 80), np.uint8))
    camera = FolderCamera(tmp_path, size_px=(80, 60))
    before_kb, started_s = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, time.process_time()
    codes = []
    for _ in range(2):
        with pytest.raises(CameraFault) as caught:
            camera.grab(time.monotonic_ns(), 1.0)
        codes.append(caught.value.code)
    # The first is absurd whatever the lens is.
    assert codes == ["image-unreadable", "image-size"]
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb < 50_000
    assert time.process_time() - started_s < 1
    assert camera.grab(time.monotonic_ns(), 1.0).pixels.shape == (60, 80)


def test_a_pushed_image_of_another_size_is_refused_and_its_pixels_are_not_kept():
    endpoint = f"tcp://127.0.0.1:{free_ports(1)[0]}"
    camera, context = PushCamera(endpoint, size_px=(80, 60)), zmq.Context()
    try:
        socket = context.socket(zmq.PUSH)
        socket.setsockopt(zmq.LINGER, 0)
        socket.connect(endpoint)

        def push(number, shape):
            pixels = np.zeros(shape, np.uint8)
            header, raw = encode_frame(pixels, frame_id=number, boot_id="a", exposed_ns=time.monotonic_ns())
            socket.send_multipart([header, raw])

        def code():
            try:
                return camera.grab(0, 0.0).pixels.shape
            except CameraFault as fault:
                return fault.code if fault.code == "image-size" else None

        push(1, (2000, 3000))
        assert until(code, "the image of another size") == "image-size"
        assert camera._newest is not None
        assert camera._newest.message.raw == b""
        push(2, (60, 80))
        until(lambda: code() == (60, 80), "the image of the right size")
    finally:
        camera.close()
        context.destroy(linger=0)


def test_a_recorded_image_of_an_absurd_size_is_not_read(tmp_path):
    with SessionFolder.create(tmp_path, "20260314-091500-01", {}) as session:
        session.store_image("0000.tif", np.zeros((6, 8), np.uint8))
        path = session.path / "images/0000.tif"
        data = bytearray(encode_image(np.zeros((6, 8), np.uint8)))
        # The values of the tags ImageWidth and ImageLength.
        for row in (0, 1):
            struct.pack_into("<I", data, 10 + 12 * row + 8, 30_000)
        with path.open("wb") as file:
            file.write(data)
            file.truncate(256 + 30_000**2)
        with pytest.raises(RecordFault) as caught:
            session.load_image("0000.tif")
        assert caught.value.code == "record-read"
