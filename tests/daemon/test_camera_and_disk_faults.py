"""A failing disk, unusable images, a lost camera, SIGTERM during a capture."""

import errno
import os

import cv2
import numpy as np

from eyebolt.session import ImageFact
from eyebolt.store.lock import RecordLock
from eyebolt.store.names import list_sessions
from support.daemon_process import Robot
from support.folder_camera_cell import write_station
from support.recorded_facts import newest_facts


def test_a_failing_disk_is_31_until_it_recovers(recorded_cell, start_daemon, tmp_path):
    """A limit on the file size acts on this process like a full disk."""
    daemon = start_daemon(recorded_cell.station(tmp_path))
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        assert robot.final(recorded_cell.capture(1))[:3] == (0, 1, 1)
        # No image is this small.
        daemon.limit_file_size(60_000)
        assert robot.final(recorded_cell.capture(2))[:3] == (31, 2, 1)
        message = daemon.wait_for_log("reply sent", code=31, seq=2)["message"]
        assert "0001.tif" in message and os.strerror(errno.EFBIG) in message
        assert robot.ask("again 2")[:3] == (31, 2, 1)
        assert robot.ask("status 3")[:3] == (0, 3, 1)
        daemon.limit_file_size(None)
        assert robot.final(recorded_cell.capture(2, 2))[:3] == (0, 2, 2)
        # An undo needs no image: only the journal would have to grow, and a part of its record fits.
        (session,) = list_sessions(tmp_path / "sessions")
        daemon.limit_file_size((session / "facts.journal").stat().st_size + 40)
        assert robot.final("undo 4")[:3] == (31, 4, 2)
        assert robot.ask("status 5")[2] == 2
        daemon.limit_file_size(None)
        assert robot.final("undo 4")[:3] == (0, 4, 1)
        daemon.kill()
    # The image that could not be stored belongs to no pair.
    assert sorted(p.name for p in (session / "images").iterdir()) == ["0000.tif", "0001.tif"]
    want = cv2.imread(str(recorded_cell.images / "002.png"), cv2.IMREAD_UNCHANGED)
    assert (cv2.imread(str(session / "images/0001.tif"), cv2.IMREAD_UNCHANGED) == want).all()
    daemon = start_daemon(tmp_path / "station.toml")
    assert not daemon.log("journal tail was damaged")
    with Robot(daemon.port) as robot:
        assert robot.ask("hello 0")[2:] == (1, 4)


def test_a_record_folder_that_is_taken_away_is_31(recorded_cell, start_daemon, tmp_path):
    daemon = start_daemon(recorded_cell.station(tmp_path))
    sessions, aside = tmp_path / "sessions", tmp_path / "aside"
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        assert robot.final(recorded_cell.capture(1))[0] == 0
        sessions.rename(aside)
        assert robot.final(recorded_cell.capture(2))[:3] == (31, 2, 1)
        sessions.write_text("a file where the folder was")
        assert robot.final("begin 3")[0] == 31
        sessions.unlink()
        aside.rename(sessions)
        assert robot.final(recorded_cell.capture(4, 2))[:3] == (0, 4, 2)


def test_unusable_images_are_refused_with_their_reason(recorded_cell, start_daemon, tmp_path):
    station = recorded_cell.station(tmp_path, image_count=6)
    images = tmp_path / "images"
    good = cv2.imread(str(images / "000.png"), cv2.IMREAD_GRAYSCALE)
    cv2.imwrite(str(images / "001.png"), cv2.resize(good, (640, 480)))
    cv2.imwrite(str(images / "002.png"), np.full_like(good, 90))
    cv2.imwrite(str(images / "003.png"), np.full_like(good, 1))
    (images / "004.png").write_bytes(b"no image at all")
    (images / "005.png").write_bytes((images / "000.png").read_bytes())
    daemon = start_daemon(station)
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        replies = [robot.final(recorded_cell.capture(seq))[:3] for seq in range(1, 6)]
        # The place of the first pair once more, and after that the folder is empty.
        replies += [robot.final(recorded_cell.capture(seq, 0))[:3] for seq in (6, 7)]
    assert replies == [(0, 1, 1), (38, 2, 1), (20, 3, 1), (25, 4, 1), (22, 5, 1), (26, 6, 1), (22, 7, 1)]
    # The size that it has; the unreadable file; the last one there is.
    for seq, words in {2: "640 x 480", 5: "004.png", 7: "005.png"}.items():
        assert words in daemon.wait_for_log("reply sent", seq=seq, code=replies[seq - 1][0])["message"]


def test_a_camera_that_is_gone_is_30(start_daemon, recorded_cell, tmp_path):
    gone = f'endpoint = "ipc://{tmp_path}/nobody"'
    daemon = start_daemon(write_station(tmp_path, camera_lines=('source = "simulated"', gone)))
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        assert robot.final(recorded_cell.capture(1))[:3] == (30, 1, 0)
        assert f"ipc://{tmp_path}/nobody" in daemon.wait_for_log("reply sent", code=30)["message"]


def test_sigterm_during_a_capture_ends_the_daemon_and_frees_the_record(recorded_cell, start_daemon, tmp_path):
    station = recorded_cell.station(tmp_path, settle_ms=10_000)
    daemon = start_daemon(station)
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        # Settling takes 10 s: the reply in between says so, and the end does not wait for it.
        assert robot.ask(recorded_cell.capture(1))[:2] == (10, 1)
        assert daemon.terminate(longest_s=8.0) == 0
        assert robot.reply() == ""
    assert daemon.log()[-1]["event"] == "daemon stopped"
    with RecordLock(tmp_path / "sessions"):
        pass
    assert "Traceback" not in daemon.text()


def test_a_changed_station_file_begins_a_new_session(recorded_cell, start_daemon, tmp_path):
    station = recorded_cell.station(tmp_path)
    daemon = start_daemon(station)
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        assert robot.final(recorded_cell.capture(1))[0] == 0
    assert daemon.terminate() == 0
    station.write_text(station.read_text().replace("tolerance_mm = 1.0", "tolerance_mm = 2.0"))
    daemon = start_daemon(station)
    with Robot(daemon.port) as robot:
        assert robot.ask("hello 0") == (0, 0, 0, 0)
        assert robot.ask("again 1")[0] == 43
        # The same seq, another waypoint: a new session has numbering of its own. The images go on.
        assert robot.final(recorded_cell.capture(1, 1))[:3] == (0, 1, 1)
    daemon.kill()
    first, second = list_sessions(tmp_path / "sessions")
    assert b"tolerance_mm = 1.0" in (first / "station.toml").read_bytes()
    assert b"tolerance_mm = 2.0" in (second / "station.toml").read_bytes()
    assert b'"name":"000.png"' in (first / "facts.journal").read_bytes()
    (frame,) = (fact.frame for fact in newest_facts(station, ImageFact))
    assert (frame.name, frame.source_path) == ("001.png", str(recorded_cell.images.resolve()))
