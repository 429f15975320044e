"""Where recorded images go on: after the last one used, in the same folder or file only."""

import json

import cv2
import numpy as np
import pytest

from eyebolt.cameras import open_camera
from eyebolt.context import load_context
from eyebolt.daemon.startup import last_image_used, recover
from eyebolt.session.facts import FrameInfo, ImageFact, RequestRef, SessionFact, encode_fact
from eyebolt.store.session_folder import SessionFolder
from support.folder_camera_cell import write_station


def folder_of_images(path, count=4):
    path.mkdir()
    for number in range(count):
        assert cv2.imwrite(str(path / f"{number:03d}.png"), np.zeros((4, 4), np.uint8))
    return path


def station_of(place, path, source="folder"):
    return load_context(write_station(place, camera_lines=(f'source = "{source}"', f'path = "{path}"')))


def record_image(context, name, source_path, session="20260314-091500-01"):
    """A session on disk whose last image has this name and source."""
    opened = SessionFact(session=session, station="bay-3", mount="fixed", timestamp="2026-03-14T09:15:00Z")
    path = None if source_path is None else str(source_path)
    frame = FrameInfo(name=name, method="replay", received_ns=1, exposed_ns=2, arrived_ns=3, source_path=path)
    image = ImageFact(
        index=0,
        verb="capture",
        request=RequestRef(seq=1, line="capture 1 0 0 0 1 0 0 0"),
        timestamp="2026-03-14T09:15:00Z",
        raw_pose=None,
        base_T_flange=None,
        file="0000.tif",
        sha256="",
        frame=frame,
    )
    facts = [encode_fact(opened), encode_fact(image)]
    SessionFolder.create(context.record_folder, session, context.snapshots, first=facts).close()


def next_image(context):
    """Name of the image that the daemon would take next, and where from."""
    folder, _, last_frame = recover(context)
    if folder is not None:
        folder.close()
    camera = open_camera(context.station.camera, context.folder, last_image_used(context, last_frame))
    frame = camera.grab(0, 1.0)
    return frame.name, frame.source_path


def test_a_restart_goes_on_after_the_last_image(tmp_path):
    images = folder_of_images(tmp_path / "images")
    context = station_of(tmp_path, "images")
    assert next_image(context) == ("000.png", str(images))
    record_image(context, "001.png", images)
    assert next_image(context) == ("002.png", str(images))
    record_image(context, "002.png", images, session="20260314-101500-01")
    assert next_image(context) == ("003.png", str(images)), "a new session does not rewind"


@pytest.mark.parametrize("used", ["other", None], ids=["another folder", "a live camera"])
def test_images_of_another_source_begin_with_the_first(tmp_path, capsys, used):
    folder_of_images(tmp_path / "images")
    context = station_of(tmp_path, "images")
    record_image(context, "001.png", used and tmp_path / used)
    assert next_image(context)[0] == "000.png"
    assert "another source was used last" in capsys.readouterr().out


def test_a_link_to_another_folder_is_another_source(tmp_path):
    first, second = folder_of_images(tmp_path / "first"), folder_of_images(tmp_path / "second")
    (tmp_path / "images").symlink_to("first")
    context = station_of(tmp_path, "images")
    record_image(context, "001.png", first)
    assert next_image(context) == ("002.png", str(first))
    (tmp_path / "images").unlink()
    (tmp_path / "images").symlink_to("second")
    assert next_image(context) == ("000.png", str(second))


def test_a_video_file_after_a_folder_begins_with_its_first_image(tmp_path):
    writer = cv2.VideoWriter(str(tmp_path / "clip.avi"), cv2.VideoWriter_fourcc(*"MJPG"), 10, (64, 48))  # type: ignore[attr-defined]
    for _ in range(3):
        writer.write(np.zeros((48, 64, 3), np.uint8))
    writer.release()
    context = station_of(tmp_path, "clip.avi", source="device")
    record_image(context, "002.png", tmp_path / "images")
    assert next_image(context)[0] == "clip.avi#0"
    record_image(context, "clip.avi#0", tmp_path / "clip.avi", session="20260314-101500-01")
    assert next_image(context)[0] == "clip.avi#1"


def test_the_source_is_on_record(tmp_path):
    """As JSON, so that a later version reads the same."""
    images = folder_of_images(tmp_path / "images")
    context = station_of(tmp_path, "images")
    record_image(context, "000.png", images)
    folder, _, last_frame = recover(context)
    folder.close()
    assert last_frame.source_path == str(images)
    assert json.loads(folder.records[-1])["frame"]["source_path"] == str(images)
