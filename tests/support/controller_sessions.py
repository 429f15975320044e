"""Whole sessions of modelled controllers, and of a plain client with the same numbers, against ``eyebolt serve``.

The camera pushes images that were rendered once, the one of the waypoint where the robot stands: all clients of a cell
see the same images, and a difference between their results comes from their poses alone.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from eyebolt.config import RobotSection
from eyebolt.context import load_station
from eyebolt.session import ReplyFact, decode_facts
from eyebolt.store import SessionFolder, list_sessions
from eyebolt_sim.controllers import Connection, Controller, ControllerLink, ControllerProgram
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.robot_link import open_connection, open_link
from eyebolt_sim.robot_program import ProgramOutcome, RobotProgram
from support.daemon_process import LONGEST_S, DaemonProcess, free_ports
from support.push_camera_cell import PushedCell, PushingCamera

# Times reduced speed: the robot stands at its next waypoint at once.
_SPEED = 1e6


@dataclass(frozen=True)
class ClientSession:
    """What one session came to."""

    outcome: ProgramOutcome
    """what the robot program got"""
    transform: np.ndarray
    """(4, 4), m, of result.json"""
    lines: tuple[str, ...]
    """the lines of its captures and checks as they are on record"""


class ShownArm:
    """An arm whose camera shows the image of the waypoint that it moves to."""

    def __init__(self, cell: PushedCell, camera: PushingCamera) -> None:
        self._cell, self._camera = cell, camera

    def move_to(self, joints_rad: np.ndarray, seconds: float, now_s: float) -> None:
        """See ``MovableArm``."""
        same = [k for k, waypoint in enumerate(self._cell.waypoints) if np.array_equal(waypoint.joints_rad, joints_rad)]
        self._camera.shown = same[0]

    def place_board(self, base_T_board: np.ndarray) -> None:
        """See ``MovableArm``."""
        raise AssertionError("no board is placed in these sessions")


@dataclass(frozen=True)
class _Numbers:
    """The pose format of a plain client that prints all digits of the numbers of a pose, after ``printed``."""

    pose_format: PoseFormat
    printed: Callable[[list[float]], Sequence[float]]

    def format_pose(self, base_T_flange: np.ndarray) -> str:
        """See ``PoseFormat``."""
        return " ".join(repr(number) for number in self.printed(self.pose_format.numbers(base_T_flange)))


class ControllerCell:
    """A daemon of its own for the sessions of one controller in a recorded cell; a context manager."""

    def __init__(
        self, cell: PushedCell, place: Path, controller: Controller, connection: Connection, min_pairs: int = 6
    ) -> None:
        self.controller = controller
        self._cell, self._place = cell, place
        form, wait_s = controller.pose_format, controller.min_reply_wait_s
        station_file = cell.station(
            place,
            tolerance_mm=3.0,
            min_pairs=min_pairs,
            max_pairs=40,
            connection=f'{connection} = "127.0.0.1:{free_ports(1)[0]}"',
            length=form.length,
            rotation=form.rotation,
            angle=form.angle,
            robot_lines=[] if wait_s is None else [f"reply_wait_s = {wait_s}"],
            accept="when-proven",
        )
        self.robot: RobotSection = load_station(station_file).robot
        controller.check_fits(self.robot)
        self._started = contextlib.ExitStack()
        # A daemon that dials has no port of its own.
        self.daemon = self._started.enter_context(DaemonProcess(station_file))
        self._camera = self._started.enter_context(PushingCamera(cell, place))

    def __enter__(self) -> ControllerCell:
        return self

    def __exit__(self, *_: object) -> None:
        self._started.close()

    def modelled(self) -> ClientSession:
        """A session of the modelled controller."""
        with contextlib.closing(ControllerLink(self.controller, open_connection(self.robot, LONGEST_S))) as link:
            return self._run(ControllerProgram(link, self._arm(), np.eye(4), _SPEED, print_nothing))

    def plain(self, full_precision: bool = False) -> ClientSession:
        """A session of a plain client that sends the same numbers, or those of ``full_precision``."""
        row = self.controller
        numbers: Any = _Numbers(row.pose_format, (lambda exact: exact) if full_precision else row.printed_numbers)
        with contextlib.closing(open_link(self.robot, LONGEST_S)) as link:
            return self._run(RobotProgram(link, self._arm(), numbers, np.eye(4), _SPEED, print_nothing))

    def _arm(self) -> ShownArm:
        return ShownArm(self._cell, self._camera)

    def _run(self, program: ControllerProgram | RobotProgram) -> ClientSession:
        *captures, spare = self._cell.waypoints
        outcome = program.run(captures, [captures[0], spare])
        session = list_sessions(self._place / "sessions")[-1]
        document = json.loads((session / "result.json").read_text(encoding="utf-8"))
        facts = decode_facts(SessionFolder.open_read_only(session).records)
        lines = tuple(
            fact.request.line
            for fact in facts
            if isinstance(fact, ReplyFact) and fact.request.line.split()[0] in ("capture", "check")
        )
        return ClientSession(outcome, np.array(document["transform"]["matrix_m"]), lines)


def print_nothing(line: str) -> None:
    """For programs that print their progress."""
