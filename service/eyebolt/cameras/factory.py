"""From the [camera] table of a station file to an open source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path

from eyebolt.cameras.camera import Camera
from eyebolt.cameras.device import DeviceCamera
from eyebolt.cameras.folder import FolderCamera
from eyebolt.cameras.push import PushCamera
from eyebolt.cameras.simulated import SimulatedCamera
from eyebolt.cameras.video_file import VideoFileCamera
from eyebolt.errors import InputFault

SOURCES = ("device", "folder", "push", "simulated")

_UNSUPPORTED_SOURCES = {
    "stream": 'use source = "device" with path = "rtsp://..." or "http://...": streams are read there.',
    "genicam": 'use source = "push" and send the pictures from a program of your own that reads the camera; '
    "robot_scripts/python/push_camera_sender.py shows how.",
}


@dataclass(frozen=True)
class CameraSettings:
    """What the [camera] table says about the source. ``exposure_us`` and ``gain_db`` concern live devices only."""

    source: str = ""
    path: str | None = None
    url: str | None = None
    endpoint: str | None = None
    serial: str | None = None
    exposure_us: float | None = None
    gain_db: float | None = None


def open_camera(
    source: str,
    settings: CameraSettings | Mapping[str, object],
    base_folder: Path,
    start_after: str | None = None,
    keys: Path | None = None,
) -> Camera:
    """The camera that ``settings`` describe; relative paths are relative to ``base_folder``.

    ``source``: one of SOURCES. A mapping may hold further keys, which are not read. ``start_after``: name of the last
    recorded picture used, for folders and video files; live sources have no use for it. ``keys``: the station's folder
    of keys, for a source whose endpoint other computers reach.
    Raises InputFault ``camera-source``, ``camera-incomplete`` or those of the source, MachineFault.
    """
    if source in _UNSUPPORTED_SOURCES:
        raise InputFault(
            "camera-source",
            f'source = "{source}" is not served by this version',
            _UNSUPPORTED_SOURCES[source],
            source=source,
        )
    if isinstance(settings, Mapping):
        known = {field.name for field in fields(CameraSettings)}
        settings = CameraSettings(**{key: value for key, value in settings.items() if key in known})  # type: ignore[arg-type]
    if source == "folder":
        return FolderCamera(base_folder / _required(source, "path", settings.path), start_after)
    if source == "push":
        return PushCamera(_required(source, "endpoint", settings.endpoint), keys=keys)
    if source == "simulated":
        return SimulatedCamera(_required(source, "endpoint", settings.endpoint))
    if source == "device":
        return _open_device(settings, base_folder, start_after)
    raise InputFault(
        "camera-source",
        f'source = "{source}" is unknown',
        f"use one of {', '.join(SOURCES)} in [camera] of the station file.",
        source=source,
    )


def _open_device(settings: CameraSettings, base_folder: Path, start_after: str | None) -> Camera:
    if settings.path is not None and settings.url is not None:
        raise InputFault(
            "camera-incomplete",
            'source = "device" names both a path and a url',
            "keep one of them in [camera] of the station file.",
        )
    location = settings.url or _required("device", "path (device) or url (stream)", settings.path)
    video_file = base_folder / location
    if settings.url is None and video_file.is_file():
        return VideoFileCamera(video_file, start_after)
    return DeviceCamera(location, settings.exposure_us, settings.gain_db)


def _required(source: str, key: str, value: str | None) -> str:
    if value is None or not str(value).strip():
        raise InputFault(
            "camera-incomplete",
            f'source = "{source}" needs {key}',
            f"add {key} to [camera] of the station file.",
            source=source,
        )
    return str(value)
