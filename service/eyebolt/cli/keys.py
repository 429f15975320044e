"""``eyebolt keys``: keys of a station that other computers can reach, and of its watchers, cameras and operators.

A station file is read with everything that a station can have, OpenCV included; ``eyebolt watch --endpoint`` starts
without: functions that read one import the reader.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from eyebolt.addresses import is_remote_endpoint, split_host_port
from eyebolt.errors import InputFault, MachineFault
from eyebolt.security import (
    ClientKeys,
    Role,
    make_client_keys,
    make_station_secret,
    read_client_keys,
)

_USES: Mapping[Role, str] = {
    "watcher": "eyebolt watch --endpoint ADDRESS --key FILE",
    "camera": "push_camera_sender.py",
    "operator": "eyebolt watch --endpoint ADDRESS --control ADDRESS --key FILE",
}


def make_keys(
    station_file: Path, watchers: Sequence[str], cameras: Sequence[str], operators: Sequence[str] = ()
) -> list[str]:
    """Makes the keys that are missing; returns the lines to print.

    Raises InputFault ``keys-unnamed`` if the station file names no folder for keys, and those of the key files.
    """
    from eyebolt.context import load_station

    folder = _keys_folder(station_file, load_station(station_file).station.keys)
    if folder is None:
        message = f"the station file {station_file} names no folder for keys"
        raise InputFault("keys-unnamed", message, 'add keys = "keys" to [station].', path=str(station_file))
    made = make_station_secret(folder)
    lines = [f"{folder}: the station's keys {'were made: restart the daemon' if made else 'exist'}"]
    requested: Mapping[Role, Sequence[str]] = {"watcher": watchers, "camera": cameras, "operator": operators}
    for role, names in requested.items():
        for name in names:
            path = make_client_keys(folder, role, name)
            use = f"copy it to the {role} {name} over a trusted channel, and delete it here ({_USES[role]})"
            lines.append(f"{path}: {use}")
    return lines


def status_source(
    station_file: Path | None, endpoint: str | None, key: Path | None
) -> tuple[str | None, str, ClientKeys | None]:
    """Name of a station (None with ``endpoint``), its status address, and the keys for it if it is on another computer.

    Raises MachineFault ``status-address``, InputFault ``keys-needed``, and those of the station file and the key files.
    """
    keys_of_client = None if key is None else read_client_keys(key)
    if endpoint is not None:
        if not is_endpoint(endpoint):
            raise MachineFault(
                "status-address",
                f"'{endpoint}' is not a valid status address",
                "give the daemon's status address as tcp://HOST:PORT, with the port in figures.",
                endpoint=endpoint,
            )
        if keys_of_client is None and endpoint.startswith("tcp://") and is_remote_endpoint(endpoint):
            message = f"{endpoint} is on another computer, where watching requires a key"
            remedy = "on the cell's PC: eyebolt keys STATION --watcher NAME; then here: --key FILE."
            raise InputFault("keys-needed", message, remedy, endpoint=endpoint)
        return None, endpoint, keys_of_client
    from eyebolt.context import load_station, local_status_source

    station_file = station_file or Path("station.toml")
    try:
        station = load_station(station_file)
    except InputFault as fault:
        if fault.code != "file-unreadable":
            raise
        hint = "Without the file: --endpoint, for example tcp://127.0.0.1:4751."
        raise InputFault(fault.code, fault.message, f"{fault.remedy} {hint}", **fault.data) from None
    return station.station.name, *local_status_source(station_file, station, keys_of_client)


def is_endpoint(endpoint: str) -> bool:
    """Whether a client can connect there: ZeroMQ accepts addresses without a port, and then waits for ever."""
    if endpoint.startswith("ipc://"):
        return True
    try:
        split_host_port(endpoint.removeprefix("tcp://") if endpoint.startswith("tcp://") else "")
    except ValueError:
        return False
    return True


def _keys_folder(station_file: Path, keys: str | None) -> Path | None:
    return None if keys is None else station_file.parent / keys
