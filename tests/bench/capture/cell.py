"""A simulated cell with a large camera: images, the reported pose of each, and a station file."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from eyebolt_sim.cell import CellOptions, prepare_cell
from eyebolt_sim.lens import simple_lens
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.render import Renderer
from support.folder_camera_cell import write_station

LENS = simple_lens(2448, 2048, 2600.0, (-0.1, 0.05, 0.0005, -0.0005, 0))
NEAR_MM, FAR_MM = 350.0, 650.0


@dataclass(frozen=True)
class LargeCell:
    """``images`` (n, H, W) and ``poses``, the fields of the robot's pose, for n waypoints."""

    folder: Path
    images: np.ndarray
    poses: tuple

    def station(self, motion_check):
        """A station file in a folder of its own, and the endpoint of its camera."""
        place = self.folder / f"station-{motion_check}"
        place.mkdir()
        endpoint = f"ipc://{place}/camera"
        lines = ('source = "push"', f'endpoint = "{endpoint}"', f'motion_check = "{motion_check}"')
        choices = {"camera_lines": lines, "near_mm": NEAR_MM, "far_mm": FAR_MM, "tolerance_mm": 0.05}
        return write_station(place, lens=LENS, settle_ms=200, **choices), endpoint


def record_large_cell(folder, waypoints, seed):
    """Renders the image of every waypoint; the robot noise is in the images, not in the reported poses."""
    place = folder / "plan"
    place.mkdir()
    cell = prepare_cell(
        write_station(place, lens=LENS, near_mm=NEAR_MM, far_mm=FAR_MM),
        CellOptions(seed=seed, waypoints=waypoints, checks=False),
    )
    arm, renderer = cell.moving_arm(), Renderer(cell.lens, cell.board, seed=seed)
    images = []
    for number, waypoint in enumerate(cell.captures):
        arm.move_to(waypoint.joints_rad, 1e-6, float(number))
        images.append(renderer.render(cell.view_from_outward(arm.pose_at(number + 0.5)), number))
    poses = tuple(PoseFormat().format_pose(w.base_T_flange) for w in cell.captures)
    return LargeCell(folder, np.array(images), poses)
