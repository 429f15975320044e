"""A simulated cell as a folder of images and the reported pose of each."""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike

from eyebolt.config.template import CHARUCO_BOARD, station_template
from eyebolt_sim.cell import CellOptions, prepare_cell
from eyebolt_sim.lens import Lens, simple_lens
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.render import Renderer
from support.daemon_process import free_ports

NEAR_MM, FAR_MM = 400.0, 700.0
LENS = simple_lens(1280, 960, 1400.0, (-0.1, 0.05, 0.0005, -0.0005, 0))


@dataclass(frozen=True)
class RecordedCell:
    """Images and poses of a session that can be replayed through a folder camera."""

    images: Path
    """folder of the images"""
    poses: tuple[str, ...]
    """the pose of each waypoint as text of the robot"""
    hand_eye: np.ndarray
    """the true transform (4, 4), m"""

    def capture(self, seq: int, index: int | None = None) -> str:
        """The capture line of the waypoint ``index`` (default: ``seq - 1``)."""
        return f"capture {seq} {self.poses[seq - 1 if index is None else index]}"

    def station(self, place: Path, /, image_count: int | None = None, **changes: Any) -> Path:
        """A station file in the folder ``place`` for these images, or for copies of the first ``image_count``."""
        place.mkdir(parents=True, exist_ok=True)
        served = self.images
        if image_count is not None:
            served = place / "images"
            served.mkdir()
            for image in sorted(self.images.iterdir())[:image_count]:
                shutil.copy(image, served)
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

    ``edit`` maps text of the template to its replacement; ``changes`` are arguments of the template.
    """
    robot_port, status_port = free_ports(2)
    (place / "camera.json").write_text(json.dumps(lens.to_json()))
    chosen: dict[str, Any] = {
        "connection": f'listen = "127.0.0.1:{listen or robot_port}"',
        "status": f"tcp://127.0.0.1:{status_port}",
        "control": None,
        "near_mm": NEAR_MM,
        "far_mm": FAR_MM,
        # The simulator draws its board exactly, as it knows its lens exactly.
        "board_lines": (*CHARUCO_BOARD, "scale_sigma_percent = 1e-7"),
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
    """Renders the image of every waypoint; the robot noise is in the images, not in the reported poses."""
    station_file = write_station(folder, **changes)
    cell = prepare_cell(station_file, CellOptions(seed=seed, waypoints=waypoints, checks=False))
    images = folder / "images"
    images.mkdir()
    arm, renderer = cell.moving_arm(), Renderer(cell.lens, cell.board, seed=seed)
    for number, waypoint in enumerate(cell.captures):
        arm.move_to(waypoint.joints_rad, 1e-6, float(number))
        view = cell.view_from_outward(arm.pose_at(number + 0.5))
        cv2.imwrite(str(images / f"{number:03d}.png"), renderer.render(view, number))
    poses = tuple(PoseFormat().format_pose(w.base_T_flange) for w in cell.captures)
    return RecordedCell(images, poses, cell.scene.hand_eye)


def grid_errors_mm(
    found: ArrayLike, true: ArrayLike, lens: Lens = LENS, near_mm: float = NEAR_MM, far_mm: float = FAR_MM
) -> np.ndarray:
    """Distances (405,), mm, between points of the working volume transformed by ``found`` and by ``true``."""
    u, v = np.meshgrid(np.linspace(0, lens.width_px - 1, 9), np.linspace(0, lens.height_px - 1, 9))
    rays = lens.rays(np.stack([u.ravel(), v.ravel()], axis=-1))
    points = (rays[None] * np.linspace(near_mm / 1e3, far_mm / 1e3, 5)[:, None, None]).reshape(-1, 3)
    between = np.asarray(found) - np.asarray(true)
    errors_mm: np.ndarray = np.linalg.norm(points @ between[:3, :3].T + between[:3, 3], axis=1) * 1e3
    return errors_mm
