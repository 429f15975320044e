"""Station file and lens file of an invented cell on free ports of this computer."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from eyebolt.config import station_template
from eyebolt.errors import InputFault
from eyebolt_sim.lens import CALIBRATED_SIGMA, INVENTED_LENS
from eyebolt_sim.processes import free_ports

# With the camera on the arm, its noise in rotation acts over the viewing distance at every pick.
_TOLERANCE_MM = {"fixed": 1.0, "arm": 1.5}


def write_demo_cell(
    folder: Path,
    mount: str,
    *,
    turns: str = "free",
    rotation: str = "quaternion-wxyz",
    robot_lines: Sequence[str] = (),
    camera_lines: Sequence[str] = (),
    settle_ms: int = 300,
    min_pairs: int = 8,
) -> Path:
    """Writes ``station.toml`` and ``camera.json`` to ``folder``, which is created; the path of the station file.

    ``mount`` is "fixed" or "arm"; ``turns``, ``rotation``, ``settle_ms`` and ``min_pairs`` are those keys of the
    station file, ``robot_lines`` and ``camera_lines`` further lines of [robot] and [camera].
    Raises InputFault ``folder-unwritable``.
    """
    robot_port, status_port, camera_port = free_ports(3)
    text = station_template(
        "demo-cell",
        mount,
        status=f"tcp://127.0.0.1:{status_port}",
        control=None,
        connection=f'listen = "127.0.0.1:{robot_port}"',
        camera_lines=('source = "simulated"', f'endpoint = "tcp://127.0.0.1:{camera_port}"', *camera_lines),
        turns=turns,
        rotation=rotation,
        robot_lines=robot_lines,
        tolerance_mm=_TOLERANCE_MM[mount],
    )
    text = text.replace("settle_ms = 300", f"settle_ms = {settle_ms}")
    text = text.replace("min_pairs = 8", f"min_pairs = {min_pairs}")
    station_file = folder / "station.toml"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "camera.json").write_text(
            json.dumps(INVENTED_LENS.to_json(CALIBRATED_SIGMA), indent=2) + "\n", encoding="utf-8"
        )
        station_file.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputFault(
            "folder-unwritable",
            f"the folder {folder} cannot be written: {error.strerror}",
            "name another folder: --folder.",
        ) from None
    return station_file
