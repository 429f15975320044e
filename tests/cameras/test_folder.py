import time

import cv2
import numpy as np
import pytest

from eyebolt.cameras.folder import FolderCamera, natural_sort_key
from eyebolt.errors import CameraFault, InputFault
from eyebolt.testing.camera_conformance import check_camera


def write(folder, *names, image=None):
    for name in names:
        value = sum(map(ord, name)) % 256
        assert cv2.imwrite(str(folder / name), np.full((4, 6), value, np.uint8) if image is None else image)


def take(camera):
    return camera.grab(time.monotonic_ns(), 1.0)


def code_of(action):
    with pytest.raises(CameraFault) as caught:
        action()
    return caught.value.code


def test_it_keeps_the_promise_of_a_camera(tmp_path):
    write(tmp_path, *(f"p{k:03d}.png" for k in range(20)))
    found = check_camera(lambda: FolderCamera(tmp_path), lambda frame: frame.exposed_ns, grabs=6, idle_s=0.1)
    assert found == []


def test_images_come_in_order_of_their_names_with_numbers_as_numbers(tmp_path):
    write(tmp_path, "img10.png", "img2.png", "img1.jpg", "b.bmp")
    (tmp_path / "notes.txt").write_text("no image")
    (tmp_path / "folder.png").mkdir()
    write(tmp_path, ".hidden.png")
    camera = FolderCamera(tmp_path)
    frames = [take(camera) for _ in range(4)]
    assert [frame.name for frame in frames] == ["b.bmp", "img1.jpg", "img2.png", "img10.png"]
    assert {frame.method for frame in frames} == {"replay"}
    assert code_of(lambda: take(camera)) == "images-exhausted"


def test_a_restart_resumes_after_the_last_image_even_if_it_was_removed(tmp_path):
    write(tmp_path, "a1.png", "a2.png", "a3.png")
    assert take(FolderCamera(tmp_path, start_after="a1.png")).name == "a2.png"
    (tmp_path / "a2.png").unlink()
    assert take(FolderCamera(tmp_path, start_after="a2.png")).name == "a3.png"
    assert code_of(lambda: take(FolderCamera(tmp_path, start_after="a3.png"))) == "images-exhausted"


def test_it_never_rewinds_but_uses_images_added_later(tmp_path):
    write(tmp_path, "m5.png")
    camera = FolderCamera(tmp_path)
    take(camera)
    write(tmp_path, "m4.png")
    assert code_of(lambda: take(camera)) == "images-exhausted"
    assert not camera.health().is_connected
    write(tmp_path, "m6.png")
    assert camera.health().is_connected
    assert "1 images left" in camera.health().message
    assert take(camera).name == "m6.png"


def test_a_damaged_image_is_named_and_counts_as_taken(tmp_path):
    (tmp_path / "a.png").write_bytes(b"\x89PNG\r\n\x1a\nnothing")
    write(tmp_path, "b.png")
    camera = FolderCamera(tmp_path)
    with pytest.raises(CameraFault) as caught:
        take(camera)
    assert caught.value.code == "image-unreadable"
    assert "a.png" in caught.value.message
    assert take(camera).name == "b.png"


@pytest.mark.parametrize(
    ("stored", "expected_shape"), [((5, 7), (5, 7)), ((5, 7, 3), (5, 7, 3)), ((5, 7, 4), (5, 7, 3))]
)
@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
def test_pixels_come_as_they_were_stored_without_alpha(tmp_path, stored, expected_shape, dtype):
    image = np.random.default_rng(3).integers(0, np.iinfo(dtype).max, stored).astype(dtype)
    write(tmp_path, "p.png", image=image)
    pixels = take(FolderCamera(tmp_path)).pixels
    assert pixels.shape == expected_shape
    assert pixels.dtype == dtype
    assert np.array_equal(pixels, image if image.ndim == 2 else image[:, :, :3])


def test_pixels_that_are_no_integers_are_refused(tmp_path):
    write(tmp_path, "p.tiff", image=np.zeros((4, 4), np.float32))
    assert code_of(lambda: take(FolderCamera(tmp_path))) == "image-unreadable"


def test_a_missing_folder_is_reported_at_once(tmp_path):
    with pytest.raises(InputFault) as caught:
        FolderCamera(tmp_path / "missing")
    assert caught.value.code == "camera-folder"


def test_a_folder_that_vanishes_is_exhausted(tmp_path):
    folder = tmp_path / "gone"
    folder.mkdir()
    camera = FolderCamera(folder)
    folder.rmdir()
    assert code_of(lambda: take(camera)) == "images-exhausted"


def test_name_order_is_total():
    names = ["img2", "img02", "img10", "2b", "b2", "", "img", "½", "img²"]
    ordered = sorted(names, key=natural_sort_key)
    names.reverse()
    assert sorted(names, key=natural_sort_key) == ordered
    assert ordered.index("img02") < ordered.index("img2") < ordered.index("img10")
