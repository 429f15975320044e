"""Who may read the record: as the station file states, whatever the process's umask is."""

import os
import stat
from unittest.mock import Mock

import numpy as np
import pytest

from eyebolt.access import Access
from eyebolt.config import parse_station, station_template
from eyebolt.context import load_context
from eyebolt.daemon.executor import DaemonExecutor
from eyebolt.errors import InputFault
from eyebolt.geometry import Mount
from eyebolt.session.messages import OpenSession, SessionOpened
from eyebolt.store import FileSystem, RecordLock, SessionFolder, access_of, write_atomically
from support.folder_camera_cell import write_station

IMAGE = np.zeros((4, 6), np.uint8)


@pytest.fixture(params=[0o000, 0o022, 0o077])
def umask(request):
    before = os.umask(request.param)
    yield request.param
    os.umask(before)


def modes(folder):
    return {stat.S_IMODE(path.stat().st_mode) for path in folder.rglob("*") if path.name != ".lock"}


def record(record_folder, access):
    files = FileSystem(access=access)
    with (
        RecordLock(record_folder, access),
        SessionFolder.create(record_folder, "20260314-091500-01", {"station.toml": b"a"}, files) as session,
    ):
        session.append([b"{}"])
        session.store_image("0000.tif", IMAGE)
    return session.path


@pytest.mark.parametrize(
    ("access", "folder_mode", "file_mode"),
    [(Access.OWNER, 0o700, 0o600), (Access.GROUP, 0o750, 0o640), (Access.ALL, 0o755, 0o644)],
)
def test_new_folders_and_files(tmp_path, umask, access, folder_mode, file_mode):
    path = record(tmp_path / "records/bay", access)
    assert modes(tmp_path) == {folder_mode, file_mode}
    assert access_of(path) is access


@pytest.mark.usefixtures("umask")
def test_a_session_stays_as_readable_as_it_is(tmp_path):
    path = record(tmp_path / "records", Access.OWNER)
    path.chmod(0o755)
    with SessionFolder.open(path) as session:
        session.store_image("0001.tif", IMAGE)
        write_atomically(FileSystem(access=access_of(path)), path / "result.json", b"{}")
    for name in ("images/0001.tif", "result.json"):
        assert stat.S_IMODE((path / name).stat().st_mode) == 0o644
    assert stat.S_IMODE((path / "images/0000.tif").stat().st_mode) == 0o600
    assert access_of(tmp_path / "none") is Access.OWNER


def test_the_station_file_states_it():
    text = station_template()
    assert parse_station(text, "s").record.access is Access.OWNER
    assert parse_station(text + 'access = "group"\n', "s").record.access is Access.GROUP
    with pytest.raises(InputFault):
        parse_station(text + 'access = "0640"\n', "s")


def test_a_session_of_the_daemon_is_as_the_station_file_states(tmp_path):
    station_file = write_station(tmp_path)
    station_file.write_text(station_file.read_text() + 'access = "group"\n')
    context = load_context(station_file)
    executor = DaemonExecutor(context, Mock(), None, Mock(), Mock(), Mock(), Mock())
    opened = executor._open_session(OpenSession(1, "bay-3", Mount.FIXED, "2026-03-14T09:15:00Z"))
    assert isinstance(opened, SessionOpened)
    assert modes(context.record_folder) == {0o750, 0o640}
