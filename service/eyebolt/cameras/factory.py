"""From the [camera] section of a station file to an open source."""

from __future__ import annotations

from pathlib import Path

from eyebolt.cameras.camera import Camera
from eyebolt.cameras.device import DeviceCamera
from eyebolt.cameras.folder import FolderCamera
from eyebolt.cameras.genicam import GenicamCamera
from eyebolt.cameras.push import PushCamera
from eyebolt.cameras.simulated import SimulatedCamera
from eyebolt.cameras.video_file import VideoFileCamera
from eyebolt.config import CameraSection
from eyebolt.errors import InputFault

_UNSUPPORTED_SOURCES = {
    "stream": 'use source = "device" with path = "rtsp://..." or "http://...": it reads streams.',
}


def open_camera(
    section: CameraSection,
    base_folder: Path,
    start_after: str | None = None,
    keys: Path | None = None,
    size_px: tuple[int, int] | None = None,
) -> Camera:
    """The camera of a station; relative paths are relative to ``base_folder``.

    ``start_after``: name of the last image of this folder or video file that an earlier run used, see ``replay_path``;
    live sources ignore it. ``keys``: the station's key folder, for an endpoint that other computers can reach.
    ``size_px``: (width, height) of the images that are wanted; another size is refused before the pixels are read,
    where the source can tell.
    Raises InputFault ``camera-source`` for a source that this version does not serve, the InputFault of the source, or
    MachineFault.
    """
    # Which keys a source needs was checked with the station file.
    if section.source == "folder":
        return FolderCamera(base_folder / str(section.path), start_after, size_px)
    if section.source == "push":
        return PushCamera(str(section.endpoint), keys=keys, size_px=size_px)
    if section.source == "simulated":
        return SimulatedCamera(str(section.endpoint), size_px)
    if section.source == "device":
        video_file = base_folder / str(section.path)
        if video_file.is_file():
            return VideoFileCamera(video_file, start_after)
        return DeviceCamera(str(section.path), section.exposure_us, section.gain_db, size_px=size_px)
    if section.source == "genicam":
        return GenicamCamera(
            section.serial, section.exposure_us, section.gain_db, section.pixel_format, size_px=size_px
        )
    raise InputFault(
        "camera-source",
        f'source = "{section.source}" is not served by this version',
        _UNSUPPORTED_SOURCES[section.source],
        source=section.source,
    )


def replay_path(section: CameraSection, base_folder: Path) -> str | None:
    """``source_path`` of the frames of a station that replays a folder or a video file; None for a live camera."""
    path = base_folder / str(section.path)
    is_replay = section.source == "folder" or (section.source == "device" and path.is_file())
    return str(path.resolve()) if is_replay else None
