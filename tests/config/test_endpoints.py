"""Endpoints of a station file: relative paths and IPv6."""

import pytest

from eyebolt.addresses import is_ipv6_endpoint, is_remote_endpoint, resolve_endpoint
from eyebolt.context import load_context, load_station
from eyebolt.errors import InputFault
from support.folder_camera_cell import write_station


@pytest.mark.parametrize(
    ("endpoint", "resolved"),
    [
        ("ipc://camera", "ipc:///cells/bay-3/camera"),
        ("ipc://run/camera", "ipc:///cells/bay-3/run/camera"),
        ("ipc:///run/camera", "ipc:///run/camera"),
        ("ipc://@camera", "ipc://@camera"),
        ("tcp://127.0.0.1:4760", "tcp://127.0.0.1:4760"),
    ],
)
def test_relative_paths_are_relative_to_the_folder(endpoint, resolved):
    assert resolve_endpoint(endpoint, "/cells/bay-3") == resolved
    # The station file of the working directory itself.
    assert resolve_endpoint(endpoint, ".") == endpoint


def test_endpoints_of_a_station_file_do_not_follow_the_working_directory(tmp_path, monkeypatch):
    cell = tmp_path / "cell"
    cell.mkdir()
    lines = ('source = "push"', 'endpoint = "ipc://camera"')
    station_file = write_station(cell, status="ipc://status", camera_lines=lines)
    monkeypatch.chdir(tmp_path)
    for station in (load_station(station_file), load_context(station_file).station):
        assert station.station.status == f"ipc://{cell}/status"
        assert station.camera.endpoint == f"ipc://{cell}/camera"


def test_a_path_that_is_too_long_for_a_socket_is_a_fault_of_the_file(tmp_path):
    cell = tmp_path / ("x" * 100)
    cell.mkdir()
    with pytest.raises(InputFault) as fault:
        load_station(write_station(cell, status="ipc://status"))
    assert fault.value.code == "endpoint-length" and fault.value.remedy


def test_ipv6_endpoints():
    assert is_ipv6_endpoint("tcp://[::1]:4751") and not is_remote_endpoint("tcp://[::1]:4751")
    assert is_ipv6_endpoint("tcp://[::]:4751") and is_remote_endpoint("tcp://[::]:4751")
    assert not is_ipv6_endpoint("tcp://127.0.0.1:4751")
