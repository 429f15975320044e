"""A simulated cell whose arm is guided by hand: it streams its poses in real time, and the camera sees it move."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

import numpy as np

from eyebolt_sim.arm import Arm
from eyebolt_sim.cell import Cell
from eyebolt_sim.cell_geometry import UPRIGHT_T_OUTWARD, Turns
from eyebolt_sim.hand_guiding import HandGuidedArm, HandMotion, StreamTiming
from eyebolt_sim.moving_arm import MovingArm
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.robot_link import RobotLink
from eyebolt_sim.robot_program import active_tool
from eyebolt_sim.transforms import Array, inverse

# The simulated camera renders some ten images a second, so that the shortest rests of a hand show no three of them.
_REST_S = (0.8, 4.0)
_FIRST_REST_S = 2.0
GUIDED_ROUNDS = 3
"""How often the waypoints are visited: rests that were too short the first time are long enough later."""


class GuidedCell:
    """The arm of ``cell`` guided through its waypoints, ``rounds`` times, from ``begin`` on. Thread-safe."""

    def __init__(self, cell: Cell, timing: StreamTiming, rounds: int) -> None:
        self._cell = cell
        self._timing = timing
        self._rng = np.random.default_rng([cell.options.seed, 53])
        places = [waypoint.base_T_flange for waypoint in cell.captures] * rounds
        self._arm = HandGuidedArm(places, cell.noise, self._rng, HandMotion(rest_s=_REST_S))
        self._start_s: float | None = None
        exposure_us = cell.station.camera.exposure_us
        # An image without motion blur shows the middle of the exposure.
        self._middle_s = 0.0 if exposure_us is None else exposure_us / 2e6

    @property
    def end_s(self) -> float:
        """When the last rest ends, seconds after ``begin``."""
        return _FIRST_REST_S + self._arm.end_s

    def moving_arm(self) -> MovingArm:
        """The arm as the simulated camera sees it."""
        return _GuidedMovingArm(self.outward_at, self._cell)

    def outward_at(self, now_s: float) -> Array:
        """True base_T_outward (4, 4), m, of the outward flange frame at ``now_s`` of the monotonic clock."""
        pose: Array = self._arm.true_at(np.array([self._since_begin_s(now_s) + self._middle_s]))[0]
        return pose @ inverse(UPRIGHT_T_OUTWARD) if self._cell.scene.turns == Turns.VERTICAL else pose

    def stream(self, link: RobotLink, stop: threading.Event, print_line: Callable[[str], None]) -> None:
        """Sends the poses, each when it arrives at the daemon, until the motion ends or ``stop`` is set."""
        robot = self._cell.station.robot
        pose_format = PoseFormat(robot.length, robot.rotation, robot.angle)
        flange_T_reported = active_tool(pose_format, robot.pose_of, robot.tool)
        instants_s, arrivals_s = self._timing.draw(self.end_s + 1.0, self._rng)
        poses = self._arm.reported_at(instants_s - _FIRST_REST_S) @ flange_T_reported
        self._start_s = begin_s = time.monotonic()
        print_line(f"{self._timing.rate_hz:g} poses per second, delayed by {self._timing.delay_s * 1e3:.0f} ms")
        for arrival_s, pose in zip(arrivals_s, poses, strict=True):
            if stop.wait(max(0.0, begin_s + arrival_s - time.monotonic())):
                return
            link.send(f"pose {pose_format.format_pose(pose)}\n".encode("ascii"), "pose")

    def _since_begin_s(self, now_s: float) -> float:
        return 0.0 if self._start_s is None else now_s - self._start_s - _FIRST_REST_S


class _GuidedMovingArm(MovingArm):
    """A moving arm that a hand guides instead of a robot program."""

    def __init__(self, outward_at: Callable[[float], Array], cell: Cell) -> None:
        super().__init__(Arm(), cell.noise, cell.options.seed, cell.captures[0].joints_rad)
        self._outward_at = outward_at

    def pose_at(self, now_s: float) -> Array:
        """True base_T_outward (4, 4), m, of the outward flange frame."""
        return self._outward_at(now_s)
