"""Real daemons for tests of several packages, and one recorded cell that most of them serve from."""

import sys

import pytest
import structlog

from eyebolt.cli.main import main
from eyebolt.store.names import list_sessions
from support.daemon_process import DaemonProcess, Robot
from support.folder_camera_cell import RecordedCell, record_cell


@pytest.fixture(scope="session")
def recorded_cell(tmp_path_factory) -> RecordedCell:
    """Twelve waypoints of a simulated cell with a fixed camera: their pictures and what the robot says at each."""
    return record_cell(tmp_path_factory.mktemp("cell"), waypoints=12, seed=4)


@pytest.fixture(scope="session")
def recorded_session(recorded_cell, tmp_path_factory):
    """The folder of a session of seven pairs, one of them taken back, a pose that was refused, and a check."""
    station = recorded_cell.station(tmp_path_factory.mktemp("recorded"))
    said = ["begin 1", *(recorded_cell.capture(seq, seq - 2) for seq in range(2, 9))]
    # The pose of the waypoint before once more.
    said += [recorded_cell.capture(9, 6), "undo 10", recorded_cell.capture(11, 8).replace("capture", "check")]
    said += ["solve 12", "bye 13"]
    daemon = DaemonProcess(station)
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        codes = [robot.final(line)[0] for line in said]
    daemon.terminate()
    assert codes[8] == 26, codes
    return list_sessions(station.parent / "sessions")[-1]


@pytest.fixture
def start_daemon():
    """Starts ``eyebolt serve`` as a process; all are ended with the test."""
    started = []

    def start(station_file, **options) -> DaemonProcess:
        started.append(DaemonProcess(station_file, **options))
        return started[-1]

    yield start
    for daemon in started:
        daemon.end()


@pytest.fixture
def eyebolt(monkeypatch, capsys):
    """The command ``eyebolt`` without a process of its own, which takes seconds to start: exit code, output, errors."""

    def call(*arguments):
        monkeypatch.setattr(sys, "argv", ["eyebolt", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            main()
        said = capsys.readouterr()
        return ended.value.code or 0, said.out, said.err

    yield call
    structlog.reset_defaults()
