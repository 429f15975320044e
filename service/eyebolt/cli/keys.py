"""``eyebolt keys``: keys for a station that other computers reach, and for who may watch it or send it pictures."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from eyebolt.addresses import is_remote_endpoint
from eyebolt.context import load_station
from eyebolt.errors import InputFault
from eyebolt.security import (
    ClientKeys,
    Role,
    local_client_keys,
    make_client_keys,
    make_station_secret,
    read_client_keys,
)


def make_keys(station_file: Path, watchers: Sequence[str], cameras: Sequence[str]) -> list[str]:
    """Makes what is missing; the lines to show.

    Raises InputFault ``keys-unnamed`` if the station file names no folder for them, and those of ``keys.files``.
    """
    folder = _keys_folder(station_file, load_station(station_file).station.keys)
    if folder is None:
        message = f"the station file {station_file} does not say where its keys are"
        raise InputFault("keys-unnamed", message, 'add keys = "keys" to [station].', path=str(station_file))
    made = make_station_secret(folder)
    lines = [f"{folder}: the station's keys {'were made: start the daemon anew' if made else 'are there'}"]
    requested: list[tuple[Role, str]] = [*(("watcher", n) for n in watchers), *(("camera", n) for n in cameras)]
    for role, name in requested:
        path = make_client_keys(folder, role, name)
        use = "eyebolt watch --endpoint ADDRESS --key FILE" if role == "watcher" else "push_camera_sender.py"
        lines.append(f"{path}: take it to the {role} {name} without anybody reading it, and delete it here ({use})")
    return lines


def status_source(station_file: Path | None, endpoint: str | None, key: Path | None) -> tuple[str, ClientKeys | None]:
    """Where to listen for a station's status, and with which keys if that is beyond this computer.

    Raises InputFault: of the station file, ``keys-needed``, and those of ``keys.files``.
    """
    keys_of_client = None if key is None else read_client_keys(key)
    if endpoint is not None:
        if keys_of_client is None and endpoint.startswith("tcp://") and is_remote_endpoint(endpoint):
            message = f"{endpoint} is on another computer, and a station lets nobody watch from there without a key"
            remedy = "on the station's computer: eyebolt keys STATION --watcher NAME; then here: --key FILE."
            raise InputFault("keys-needed", message, remedy, endpoint=endpoint)
        return endpoint, keys_of_client
    station_file = station_file or Path("station.toml")
    try:
        station = load_station(station_file).station
    except InputFault as fault:
        if fault.code != "file-unreadable":
            raise
        hint = "Without the file: --endpoint, for example tcp://127.0.0.1:4751."
        raise InputFault(fault.code, fault.message, f"{fault.remedy} {hint}", **fault.data) from None
    status, folder = station.status, _keys_folder(station_file, station.keys)
    if is_remote_endpoint(status) and keys_of_client is None and folder is not None:
        keys_of_client = local_client_keys(folder)
    # Listening at all addresses of a computer is done by the daemon only.
    return status.replace("//0.0.0.0:", "//127.0.0.1:").replace("//[::]:", "//[::1]:"), keys_of_client


def _keys_folder(station_file: Path, keys: str | None) -> Path | None:
    return None if keys is None else station_file.parent / keys
