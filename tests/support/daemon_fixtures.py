"""Real daemons for tests of several packages, and one recorded cell that most of them serve from."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import structlog

from eyebolt.cli.main import main
from eyebolt.store.names import list_sessions
from support.daemon_process import DaemonProcess, Robot
from support.folder_camera_cell import RecordedCell, record_cell
from support.push_camera_cell import PushedCell, record_pushed_cell


@pytest.fixture(scope="session")
def recorded_cell(tmp_path_factory: pytest.TempPathFactory) -> RecordedCell:
    """Twelve waypoints of a simulated cell with a fixed camera: their images and the robot's pose at each."""
    return record_cell(tmp_path_factory.mktemp("cell"), waypoints=12, seed=4)


@pytest.fixture(scope="session")
def pushed_cell(tmp_path_factory: pytest.TempPathFactory) -> PushedCell:
    """Twelve waypoints of a simulated cell whose camera pushes its images."""
    return record_pushed_cell(tmp_path_factory.mktemp("pushed-cell"), waypoints=12, seed=4)


@pytest.fixture(scope="session")
def recorded_session(recorded_cell: RecordedCell, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a session of seven pairs, one of them undone, a pose that was refused, and a check."""
    station = recorded_cell.station(tmp_path_factory.mktemp("recorded"))
    lines = ["begin 1", *(recorded_cell.capture(seq, seq - 2) for seq in range(2, 9))]
    # The pose of the previous waypoint once more.
    lines += [recorded_cell.capture(9, 6), "undo 10", recorded_cell.capture(11, 8).replace("capture", "check")]
    lines += ["solve 12", "bye 13"]
    with DaemonProcess(station) as daemon:
        with Robot(daemon.port) as robot:
            robot.say("hello 0")
            codes = [robot.final(line)[0] for line in lines]
        daemon.terminate()
    assert codes[8] == 26, codes
    return list_sessions(station.parent / "sessions")[-1]


@pytest.fixture
def start_daemon() -> Iterator[Callable[..., DaemonProcess]]:
    """Starts ``eyebolt serve`` as a process; all are ended with the test."""
    with contextlib.ExitStack() as started:

        def start(station_file: Path, **options: object) -> DaemonProcess:
            return started.enter_context(DaemonProcess(station_file, **options))  # type: ignore[arg-type]

        yield start


@pytest.fixture
def eyebolt(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Iterator[Callable[..., tuple[int | str, str, str]]]:
    """The command ``eyebolt`` without a process of its own, which takes seconds to start: exit code, output, errors."""

    def call(*arguments: object) -> tuple[int | str, str, str]:
        monkeypatch.setattr(sys, "argv", ["eyebolt", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            main()
        captured = capsys.readouterr()
        return ended.value.code or 0, captured.out, captured.err

    yield call
    structlog.reset_defaults()
