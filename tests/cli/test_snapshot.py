"""One picture of the camera: from the camera itself, from the running daemon, and when there is none."""

import cv2
import numpy as np
import pytest

from eyebolt.boards import find_board
from eyebolt.cli import snapshot
from eyebolt.context import load_context
from support.daemon_process import Robot
from support.published_status import PublishedStatus
from support.status_messages import make_status
from support.view_messages import make_view


@pytest.fixture(autouse=True)
def _impatient(monkeypatch):
    monkeypatch.setattr(snapshot, "_STATUS_WAIT_S", 0.2)


def one_image_station(recorded_cell, place, pixels=None):
    station = recorded_cell.station(place, image_count=1)
    if pixels is not None:
        (image,) = (place / "images").iterdir()
        cv2.imwrite(str(image), pixels)
    return station


def test_without_a_daemon_the_camera_is_opened_and_the_corners_are_drawn(recorded_cell, eyebolt, tmp_path):
    station, out = one_image_station(recorded_cell, tmp_path), tmp_path / "picture.png"
    code, output, errors = eyebolt("snapshot", station, "--out", out)
    assert (code, errors) == (0, "")
    assert "no daemon answers" in output and "the camera itself" in output and str(out) in output
    picture, plain = cv2.imread(str(out)), cv2.imread(str(next((tmp_path / "images").iterdir())))
    height, width = plain.shape[:2]
    assert picture.shape[1] == width and picture.shape[0] > height
    found = find_board(plain, load_context(station).board)
    assert f"{len(found.ids)} corners" in output
    at = np.round(found.corners_px).astype(int)
    assert (picture[at[:, 1], at[:, 0]] > 200).all(), "a white cross at every corner"
    untouched = (picture[:height] == plain).all(axis=2)
    assert 0.8 < untouched.mean() < 1, "the rest is the picture"


def test_a_picture_without_the_board_exits_with_3_and_says_why(recorded_cell, eyebolt, tmp_path):
    station = one_image_station(recorded_cell, tmp_path, np.full((960, 1280), 2, np.uint8))
    out = tmp_path / "picture.jpg"
    code, output, _ = eyebolt("snapshot", station, "--out", out)
    assert code == snapshot.EXIT_NOT_FOUND and "too dark" in output and "(code 25)" in output
    assert cv2.imread(str(out)) is not None


def test_faults_name_the_file(recorded_cell, eyebolt, tmp_path):
    station = one_image_station(recorded_cell, tmp_path)
    for out, word in ((tmp_path / "picture.gif", "snapshot-file"), (tmp_path / "no" / "a.png", "file-unwritable")):
        code, _, errors = eyebolt("snapshot", station, "--out", out)
        assert code == 1 and word in errors and str(out) in errors


def test_a_running_daemon_is_asked_and_its_camera_is_left_alone(
    recorded_cell, start_daemon, eyebolt, monkeypatch, tmp_path
):
    monkeypatch.setattr(snapshot, "_STATUS_WAIT_S", 60.0)
    station, out = recorded_cell.station(tmp_path), tmp_path / "picture.png"
    daemon = start_daemon(station)
    with Robot(daemon.port) as robot:
        code, _, errors = eyebolt("snapshot", station, "--out", out)
        assert code == 1 and "snapshot-none" in errors and "capture" in errors.lower() and not out.exists()
        robot.say("hello 0")
        assert robot.final(recorded_cell.capture(1))[0] == 0
        code, output, _ = eyebolt("snapshot", station, "--out", out)
        assert code == 0 and "running daemon" in output
        picture = cv2.imread(str(out))
        assert picture.shape[1] == 960 and picture.shape[0] > 720
        # The second image of the folder is still there for the robot.
        assert robot.final(recorded_cell.capture(2))[0] == 0


def test_the_daemon_of_another_station_is_not_asked(recorded_cell, eyebolt, monkeypatch, tmp_path):
    monkeypatch.setattr(snapshot, "_STATUS_WAIT_S", 60.0)
    station, out = one_image_station(recorded_cell, tmp_path), tmp_path / "picture.png"
    with PublishedStatus(make_status(station="bay-9")) as other:
        lines = [f'status = "{other.endpoint}"' if line.startswith("status = ") else line
                 for line in station.read_text().splitlines()]  # fmt: skip
        station.write_text("\n".join(lines))
        code, output, _ = eyebolt("snapshot", station, "--out", out)
    assert code == 0 and "bay-9" in output and "the camera itself" in output


def test_a_picture_of_another_size_than_stated_is_not_decoded(tmp_path):
    """A small file may claim a picture of gigabytes."""
    jpeg = cv2.imencode(".jpg", np.zeros((60, 80, 3), np.uint8))[1].tobytes()
    assert snapshot._decoded(jpeg, (80, 60)).shape == (60, 80, 3)
    for damaged, size in ((jpeg, (81, 60)), (jpeg, None), (jpeg[:100], (80, 60)), (b"", (80, 60)), (jpeg, (5000, 60))):
        assert snapshot._decoded(damaged, size) is None


def test_both_outlines_are_drawn_and_told_apart_without_colour(tmp_path):
    """Where the result puts the board the line is dashed: it has gaps, the other has none."""
    square = [[60.0, 40.0], [260.0, 40.0], [260.0, 200.0], [60.0, 200.0]]
    message = make_view(board_outline_px=square, predicted_outline_px=[[x, y + 60] for x, y in square], corners_px=[])
    shown = snapshot.Snapshot(np.zeros((300, 320, 3), np.uint8), message, np.empty((0, 2)),
                              np.array(message.board_outline_px), np.array(message.predicted_outline_px))  # fmt: skip
    drawn = snapshot.draw(shown, ["one line"])
    seen, predicted = drawn[40, 62:258].max(axis=1), drawn[260, 62:258].max(axis=1)
    assert (seen > 100).all() and 0.3 < (predicted > 100).mean() < 0.9
    assert drawn.shape[0] > 300 and (drawn[300:] < 100).any()
