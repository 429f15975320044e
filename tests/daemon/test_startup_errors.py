"""A station that cannot be served: one text, exit code 1, no traceback."""

import json
import re
import socket

import pytest
from structlog.testing import capture_logs

from eyebolt.daemon.control_server import ControlServer
from eyebolt.daemon.daemon import CameraLog
from eyebolt.daemon.status_publisher import StatusPublisher
from eyebolt.errors import MachineFault
from eyebolt.protocol import LinkStatus
from support.daemon_process import Robot


@pytest.fixture
def station(recorded_cell, tmp_path):
    return lambda name, **changes: recorded_cell.station(tmp_path / name, **changes)


def is_one_clear_text(text, exit_code, code, words):
    assert exit_code == 1, text
    assert text.count("eyebolt: ") == 1, text
    assert f"({code})\n  What to do: " in text, text
    assert words in text.split("What to do")[0], text
    assert "Traceback" not in text, text


def no_station_file(path):
    path.unlink()


def not_a_text(path):
    path.write_bytes(b"\xff\xfe\x00station")


def two_faults(path):
    path.write_text(
        path.read_text().replace('mount = "fixed"', 'mount = "ceiling"').replace("min_pairs = 8", "min_pairs = 0")
    )


def no_lens_file(path):
    (path.parent / "camera.json").unlink()


def bad_lens_file(path):
    (path.parent / "camera.json").write_text(json.dumps({"width": 1280, "height": "tall"}))


@pytest.mark.parametrize(
    ("spoil", "code", "words"),
    [
        (no_station_file, "file-unreadable", ["station.toml", "No such file"]),
        (not_a_text, "file-unreadable", ["station.toml", "UTF-8"]),
        (two_faults, "station-file", ["2 faults", "ceiling", "min_pairs"]),
        (no_lens_file, "file-unreadable", ["camera.json", "lens file"]),
        (bad_lens_file, "lens-file", ["the lens file", "height"]),
    ],
)
def test_files_that_are_missing_or_wrong(station, eyebolt, spoil, code, words):
    path = station("bay")
    spoil(path)
    exit_code, _, text = eyebolt("serve", path, "--log", "json")
    for word in words:
        is_one_clear_text(text, exit_code, code, word)
    assert not (path.parent / "sessions").exists()


# TEST-NET-1 of RFC 5737: no computer has an address of it.
ELSEWHERE = "192.0.2.1"


@pytest.mark.parametrize("opened", [StatusPublisher, lambda endpoint: ControlServer(endpoint, None, None, None)])
@pytest.mark.parametrize(
    ("endpoint", "words"),
    [(f"tcp://{ELSEWHERE}:4751", f"this computer has no address {ELSEWHERE}"), ("taken", "another program")],
)
def test_an_address_that_this_computer_lacks_is_not_told_as_taken(opened, endpoint, words):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        address = f"tcp://127.0.0.1:{taken.getsockname()[1]}" if endpoint == "taken" else endpoint
        with pytest.raises(MachineFault) as caught:
            opened(address)
    assert words in caught.value.message
    assert ("another port" in caught.value.remedy) is (endpoint == "taken")


def test_the_robots_address_is_told_alike(station, eyebolt):
    path = station("elsewhere")
    path.write_text(re.sub(r'listen = "127.0.0.1', f'listen = "{ELSEWHERE}', path.read_text()))
    exit_code, _, text = eyebolt("serve", path, "--log", "json")
    is_one_clear_text(text, exit_code, "robot-port", f"this computer has no address {ELSEWHERE}")


def test_ports_locks_and_folders_that_are_not_available(recorded_cell, station, start_daemon, eyebolt, tmp_path):
    record = str(tmp_path / "record")
    served = station("served", folder=record)
    status = next(line for line in served.read_text().splitlines() if line.startswith("status")).split('"')[1]
    daemon = start_daemon(served)
    no_images, no_record = station("no-images", image_count=0), station("no-record", folder="taken")
    (no_images.parent / "images").rmdir()
    (no_record.parent / "taken").write_text("a file")
    wanted = {
        station("port", listen=daemon.port): ("robot-port", f"127.0.0.1:{daemon.port}"),
        station("status", status=status): ("status-port", status),
        station("second", folder=record): ("record-locked", f"in use by process {daemon.process.pid}"),
        no_images: ("camera-folder", "images is not a folder"),
        no_record: ("record-write", "taken"),
    }
    for path, (code, words) in wanted.items():
        exit_code, _, said = eyebolt("serve", path, "--log", "json")
        is_one_clear_text(said, exit_code, code, words)
    # None of them has disturbed the one that was there first.
    with Robot(daemon.port) as robot:
        assert robot.final(recorded_cell.capture(1))[:3] == (0, 1, 1)


def test_a_camera_without_images_is_logged_once_then_every_ten_minutes():
    silent, alive = LinkStatus(is_connected=False, message="gone", remedy="plug it in"), LinkStatus(is_connected=True)
    log = CameraLog()
    with capture_logs() as entries:
        for second in (*range(4), 5.0):
            log.note(silent, float(second))
        assert [(e["log_level"], e["camera"], e["remedy"]) for e in entries] == [("warning", "gone", "plug it in")]
        log.note(silent, 700.0)
        assert len(entries) == 2
        log.note(alive, 701.0)
        log.note(silent, 702.0)
        log.note(alive, 703.0)
    assert [e["log_level"] for e in entries] == ["warning", "warning", "info"]
