"""The station and the lens of an invented cell, on free ports of this computer: for ``demo`` and for the simulator."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from eyebolt.config import station_template
from eyebolt.errors import InputFault
from eyebolt_sim.lens import Lens
from eyebolt_sim.processes import free_ports

_TOLERANCE_MM = 1.0


def write_demo_cell(folder: Path, mount: str) -> Path:
    """The station file written to ``folder``, which is made, its lens beside it; ``mount`` "fixed" or "arm".

    Raises InputFault ``folder-unwritable``.
    """
    robot, status, pictures = free_ports(3)
    camera = Lens(
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
        (folder / "camera.json").write_text(json.dumps(camera.as_json(), indent=2) + "\n", encoding="utf-8")
        station_file.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputFault(
            "folder-unwritable", f"the folder {folder} cannot be used: {error.strerror}", "name another one: --folder."
        ) from None
    return station_file
