"""The station and the lens of an invented cell, on free ports of this computer: for ``demo`` and for the simulator."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from eyebolt.errors import InputFault
from eyebolt.geometry.camera import CameraModel
from eyebolt.programs import free_ports
from eyebolt.station.lens import lens_text
from eyebolt.station.template import station_template

_TOLERANCE_MM = 1.0


def write_invented_cell(folder: Path, mount: str) -> Path:
    """The station file written to ``folder``, which is made, its lens beside it; ``mount`` "fixed" or "arm".

    Raises InputFault ``folder-unwritable``.
    """
    robot, status, pictures = free_ports(3)
    camera = CameraModel(
        1280,
        1024,
        np.array([[1450.0, 0.0, 643.0], [0.0, 1451.0, 508.0], [0.0, 0.0, 1.0]]),
        np.array([-0.12, 0.09, 0.0004, -0.0003, 0.0]),
    )
    text = station_template(
        "demo-cell",
        mount,
        status=f"tcp://127.0.0.1:{status}",
        connection=f'listen = "127.0.0.1:{robot}"',
        camera_lines=('source = "simulated"', f'endpoint = "tcp://127.0.0.1:{pictures}"'),
        tolerance_mm=_TOLERANCE_MM,
    )
    station_file = folder / "station.toml"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "camera.json").write_text(lens_text(camera), encoding="utf-8")
        station_file.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputFault(
            "folder-unwritable", f"the folder {folder} cannot be used: {error.strerror}", "name another one: --folder."
        ) from None
    return station_file
