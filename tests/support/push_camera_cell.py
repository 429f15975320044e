"""A simulated cell with a small camera that pushes its images, for many captures in a short time."""

from __future__ import annotations

import contextlib
import json
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import zmq

from eyebolt_sim.cell import CellOptions, prepare_cell
from eyebolt_sim.lens import simple_lens
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.render import Renderer
from eyebolt_sim.waypoints import Waypoint, plan_waypoints
from support.folder_camera_cell import FAR_MM, NEAR_MM, write_station

LENS = simple_lens(640, 480, 700.0, (-0.1, 0.05, 0.0005, -0.0005, 0))
PERIOD_S = 0.02


@dataclass(frozen=True)
class PushedCell:
    """A camera's images of n waypoints, and the robot's poses there."""

    images: np.ndarray
    """(n, H, W), gray levels"""
    poses: tuple[str, ...]
    """the fields of each waypoint's pose as the robot prints them"""
    waypoints: tuple[Waypoint, ...]
    """joints and pose of each"""
    mount: str
    """``fixed`` or ``arm``"""

    def station(
        self, place: Path, tolerance_mm: float = 0.001, min_pairs: int = 8, max_pairs: int = 1000, **changes: Any
    ) -> Path:
        """A station file in the folder ``place``; the default tolerance is never met, so that sessions continue."""
        lines = ('source = "push"', f'endpoint = "{endpoint_of(place)}"', 'motion_check = "off"')
        goal = {"min_pairs = 8": f"min_pairs = {min_pairs}", "max_pairs = 40": f"max_pairs = {max_pairs}"}
        changes = {"mount": self.mount} | changes
        return write_station(place, lens=LENS, camera_lines=lines, tolerance_mm=tolerance_mm, edit=goal, **changes)

    def line(self, verb: str, seq: int, index: int) -> str:
        """The line of a capture or check at the waypoint ``index``."""
        return f"{verb} {seq} {self.poses[index % len(self.poses)]}"


def endpoint_of(place: Path) -> str:
    """Camera endpoint of the station in the folder ``place``."""
    return f"ipc://{place}/camera"


def record_pushed_cell(
    folder: Path,
    waypoints: int,
    seed: int,
    mount: str = "fixed",
    camera_shift_m: Sequence[float] = (0.0, 0.0, 0.0),
    only: Sequence[int] | None = None,
) -> PushedCell:
    """Renders the image of every waypoint; the robot noise is in the images, not in the reported poses.

    ``camera_shift_m``: the camera was moved so far along its own axes. ``only``: images of these waypoints alone.
    """
    station_file = write_station(folder, lens=LENS, mount=mount)
    cell = prepare_cell(station_file, CellOptions(seed=seed, waypoints=3, checks=False))
    planned = plan_waypoints(cell.scene, LENS, cell.board.shape, NEAR_MM / 1e3, FAR_MM / 1e3, waypoints, seed)
    arm, renderer, images = cell.moving_arm(), Renderer(LENS, cell.board, seed=seed), []
    for number, waypoint in enumerate(planned):
        arm.move_to(waypoint.joints_rad, 1e-6, float(number))
        if only is not None and number not in only:
            continue
        camera_T_board = cell.view_from_outward(arm.pose_at(number + 0.5))
        camera_T_board[:3, 3] -= camera_shift_m
        images.append(renderer.render(camera_T_board, number))
    poses = tuple(PoseFormat().format_pose(waypoint.base_T_flange) for waypoint in planned)
    return PushedCell(np.array(images), poses, tuple(planned), mount)


class PushingCamera:
    """Pushes the image number ``shown`` repeatedly from a thread; a context manager."""

    def __init__(self, cell: PushedCell, place: Path) -> None:
        self.shown = 0
        self._cell, self._endpoint = cell, endpoint_of(place)
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._push)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ended.set()
        self._thread.join()

    def _push(self) -> None:
        context = zmq.Context()
        socket = context.socket(zmq.PUSH)
        socket.setsockopt(zmq.SNDHWM, 1)
        socket.connect(self._endpoint)
        height, width = self._cell.images.shape[1:]
        header: dict[str, object] = {
            "schema": 1,
            "boot_id": "pushing",
            "width": width,
            "height": height,
            "channels": 1,
            "dtype": "uint8",
        }
        count = 0
        while not self._ended.wait(PERIOD_S):
            # The clock is read before `shown`: an image with a timestamp after a request is never an earlier one.
            header |= {"id": count, "exposed_ns": time.monotonic_ns()}
            image = self._cell.images[self.shown % len(self._cell.images)]
            with contextlib.suppress(zmq.Again):
                socket.send_multipart([json.dumps(header).encode(), image], zmq.NOBLOCK)
            count += 1
        context.destroy(linger=0)
