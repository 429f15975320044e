"""A simulated cell written down: a folder of pictures, and the pose that the robot reports at each of them."""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike

from eyebolt.config.template import station_template
from eyebolt_sim.cell import CellOptions, prepare_cell
from eyebolt_sim.lens import Lens, simple_lens
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.render import Renderer
from support.daemon_process import free_ports

NEAR_MM, FAR_MM = 400.0, 700.0
LENS = simple_lens(1280, 960, 1400.0, (-0.1, 0.05, 0.0005, -0.0005, 0))


@dataclass(frozen=True)
class RecordedCell:
    """``poses``: the fields of each waypoint as the robot prints them; ``hand_eye``: the true transform (4, 4)."""

    pictures: Path
    poses: tuple[str, ...]
    hand_eye: np.ndarray

    def capture(self, seq: int, index: int | None = None) -> str:
        """The capture line of the waypoint ``index`` (``seq - 1`` unless said)."""
        return f"capture {seq} {self.poses[seq - 1 if index is None else index]}"

    def station(self, place: Path, /, pictures: int | None = None, **changes: Any) -> Path:
        """A station file in the folder ``place`` that serves these pictures, or copies of only so many of them."""
        place.mkdir(parents=True, exist_ok=True)
        served = self.pictures
        if pictures is not None:
            served = place / "pictures"
            served.mkdir()
            for picture in sorted(self.pictures.iterdir())[:pictures]:
                shutil.copy(picture, served)
        return write_station(place, camera_lines=('source = "folder"', f'path = "{served}"'), **changes)


def write_station(
    place: Path,
    /,
    settle_ms: int = 0,
    listen: int | None = None,
    lens: Lens = LENS,
    edit: dict[str, str] | None = None,
    **changes: Any,
) -> Path:
    """A station file with its lens file in the folder ``place``, on free ports.

    ``edit`` maps what the template says to what shall stand there; ``changes`` are the template's own.
    """
    robot_port, status_port = free_ports(2)
    (place / "camera.json").write_text(json.dumps(lens.to_json()))
    chosen: dict[str, Any] = {
        "connection": f'listen = "127.0.0.1:{listen or robot_port}"',
        "status": f"tcp://127.0.0.1:{status_port}",
        "near_mm": NEAR_MM,
        "far_mm": FAR_MM,
        **changes,
    }
    text = station_template(**chosen)
    for old, new in {"settle_ms = 300": f"settle_ms = {settle_ms}", **(edit or {})}.items():
        if old not in text:
            raise AssertionError(f"the station file has no line with {old}")
        text = text.replace(old, new)
    station_file = place / "station.toml"
    station_file.write_text(text)
    return station_file


def record_cell(folder: Path, waypoints: int, seed: int, **changes: Any) -> RecordedCell:
    """Renders every waypoint of a cell, with the arm's scatter in the pictures and not in the reports."""
    station_file = write_station(folder, **changes)
    cell = prepare_cell(station_file, CellOptions(seed=seed, waypoints=waypoints, checks=False))
    pictures = folder / "pictures"
    pictures.mkdir()
    arm, renderer = cell.moving_arm(), Renderer(cell.lens, cell.board, seed=seed)
    for number, waypoint in enumerate(cell.captures):
        arm.move_to(waypoint.joints_rad, 1e-6, float(number))
        view = cell.view_from_outward(arm.pose_at(number + 0.5))
        cv2.imwrite(str(pictures / f"{number:03d}.png"), renderer.render(view, number))
    poses = tuple(PoseFormat().format_pose(w.base_T_flange) for w in cell.captures)
    return RecordedCell(pictures, poses, cell.scene.hand_eye)


def grid_errors_mm(
    found: ArrayLike, true: ArrayLike, lens: Lens = LENS, near_mm: float = NEAR_MM, far_mm: float = FAR_MM
) -> np.ndarray:
    """How far points of the working volume are off when ``found`` carries them and not ``true``: (405,) mm."""
    u, v = np.meshgrid(np.linspace(0, lens.width_px - 1, 9), np.linspace(0, lens.height_px - 1, 9))
    rays = lens.rays(np.stack([u.ravel(), v.ravel()], axis=-1))
    points = (rays[None] * np.linspace(near_mm / 1e3, far_mm / 1e3, 5)[:, None, None]).reshape(-1, 3)
    between = np.asarray(found) - np.asarray(true)
    errors_mm: np.ndarray = np.linalg.norm(points @ between[:3, :3].T + between[:3, 3], axis=1) * 1e3
    return errors_mm
