"""The program of the simulated robot: moves from waypoint to waypoint and follows the protocol."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

import numpy as np

from eyebolt.errors import InputFault
from eyebolt.protocol import Code
from eyebolt_sim.cell_faults import NO_FAULT, ActiveFault
from eyebolt_sim.moving_arm import travel_time_s
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.robot_link import Reply, RobotLink
from eyebolt_sim.touch_plan import TouchPlan
from eyebolt_sim.transforms import Array
from eyebolt_sim.waypoints import Waypoint


class MovableArm(Protocol):
    """The arm that the program moves: that of this process, or of another one."""

    def move_to(self, joints_rad: Array, seconds: float, now_s: float) -> None:
        """Begin a joint-space move to ``joints_rad`` (6,) that takes ``seconds``."""

    def place_board(self, base_T_board: Array) -> None:
        """Place the board at ``base_T_board`` (4, 4)."""


class RejectedRequest(NamedTuple):
    """A request whose reply was not a success."""

    verb: str
    """capture, check or solve"""
    number: int
    """number of the waypoint or check, counted from 1"""
    code: Code
    """code of the final reply"""


@dataclass(frozen=True)
class ProgramOutcome:
    """How the program ended."""

    stop_code: Code | None
    """code that stopped the program; None if it ran to its end"""
    kept: int
    """pairs kept"""
    message: str
    """the end of the program in a few words"""
    rejected_requests: tuple[RejectedRequest, ...] = ()
    """requests without success, in order"""
    result: tuple[float, ...] = ()
    """numbers of the accepted result, in the robot's pose format; empty if none was handed out"""

    @property
    def solved(self) -> bool:
        """Whether the program requested a solve and it succeeded."""
        return self.stop_code is None and not any(rejected.verb == "solve" for rejected in self.rejected_requests)


@dataclass
class RobotProgram:
    """Hello, begin, a capture at each waypoint, checks, a placed board and its touches, solve, result, bye.

    Raises InputFault ``sim-refused`` if the daemon rejects a line as invalid, MachineFault ``sim-no-daemon``.
    """

    link: RobotLink
    """connection to the daemon"""
    arm: MovableArm
    """the arm"""
    pose_format: PoseFormat
    """format in which poses are sent"""
    flange_T_reported: Array
    """the active tool frame (4, 4); the identity if the controller reports the flange"""
    speed: float
    """times the reduced speed of `travel_time_s`"""
    print_line: Callable[[str], None]
    """receives the progress, line by line"""
    active_fault: ActiveFault = field(default_factory=lambda: ActiveFault(NO_FAULT))
    """fault of the cell"""
    joint_units: Sequence[str] = ()
    """unit of each joint that is sent behind a pose, "deg" or "rad"; empty: none is"""
    on_waypoint: Callable[[int], None] = lambda _: None
    """called before the move to each waypoint of a capture with its number, counted from 1"""

    def run(
        self,
        waypoints: Sequence[Waypoint],
        checks: Sequence[Waypoint],
        touch_plan: TouchPlan | None = None,
        first_waypoint: int = 1,
    ) -> ProgramOutcome:
        """Run the program; ``checks`` follow the captures, touches come last.

        ``first_waypoint``: the program goes on there, counted from 1, in the session that is open.
        """
        self._seq = self._checked_exchange("hello 0", 0).aux
        self._joints_rad = waypoints[0].joints_rad
        self._pairs_kept = 0
        self._rejected_requests: list[RejectedRequest] = []
        self._poses = [waypoint.base_T_flange @ self.flange_T_reported for waypoint in (*waypoints, *checks)]
        if first_waypoint == 1:
            begin = self._request("begin")
            if not begin.code.is_success:
                if begin.code.is_stop:
                    return self._stopped(begin)
                raise rejection_fault(f"the daemon replied {begin.code} to begin")
        for number, waypoint in enumerate(waypoints, 1):
            if number < first_waypoint:
                continue
            self.active_fault.advance_to(number)
            self.on_waypoint(number)
            reply = self._move_and_request("capture", waypoint, number - 1)
            self._note_rejection("capture", number, reply)
            self.print_line(f"waypoint {number}/{len(waypoints)}: {_reply_text(reply)}")
            if reply.code.is_stop:
                return self._stopped(reply)
            if reply.code.is_success and reply.aux == 0:
                break
        for number, waypoint in enumerate(checks, 1):
            reply = self._move_and_request("check", waypoint, len(waypoints) + number - 1)
            self._note_rejection("check", number, reply)
            self.print_line(f"check {number}/{len(checks)}: {_reply_text(reply)}")
            if reply.code.is_stop:
                return self._stopped(reply)
        stop = self._touch(touch_plan) if touch_plan is not None else None
        return self._finish() if stop is None else self._stopped(stop)

    def _touch(self, touch_plan: TouchPlan) -> Reply | None:
        """Place the board and touch it; the reply that stops the program, if there is one."""
        if touch_plan.needs_placing:
            self.arm.place_board(touch_plan.base_T_board)
        placed = (
            self._request("place")
            if touch_plan.view_waypoint is None
            else self._move_and_request("place", touch_plan.view_waypoint, 0)
        )
        self.print_line(f"place: {placed.code}")
        if not placed.code.is_success:
            return placed if placed.code.is_stop else None
        for number, (corner, reported) in enumerate(touch_plan.touches, 1):
            pose = self.pose_format.format_pose(reported @ self.flange_T_reported)
            reply = self._request("touch", f"{corner} {pose}")
            self.print_line(f"touch {number}/{len(touch_plan.touches)}: corner {corner}: {reply.code}")
            if reply.code.is_stop:
                return reply
        return None

    def _finish(self) -> ProgramOutcome:
        solved = self._request("solve")
        self._note_rejection("solve", 1, solved)
        if solved.code.is_stop and solved.code != Code.NOT_ACCEPTED:
            self.print_line(f"solve: {solved.code}")
            return self._stopped(solved)
        self.print_line(
            f"solve: {solved.code}" + (f", p95 {solved.aux / 1000:.3f} mm" if solved.code.is_success else "")
        )
        result = self._request("result")
        printed = " ".join(f"{value:g}" for value in result.numbers)
        self.print_line(
            f"result: {printed}" if result.code.is_success else f"result: {result.code}, none is handed out"
        )
        self._request("bye")
        if solved.code == Code.NOT_ACCEPTED:
            return self._stopped(solved)
        message = "done" if solved.code.is_success else f"the daemon could not solve: {solved.code}"
        numbers = result.numbers if result.code.is_success else ()
        return ProgramOutcome(None, self._pairs_kept, message, tuple(self._rejected_requests), numbers)

    def _note_rejection(self, verb: str, number: int, reply: Reply) -> None:
        if not reply.code.is_success:
            self._rejected_requests.append(RejectedRequest(verb, number, reply.code))

    def _move_and_request(self, verb: str, waypoint: Waypoint, index: int) -> Reply:
        """Move to the waypoint ``index``, counted from 0 over the whole program, and send ``verb`` with its pose."""
        fault, started = self.active_fault.fault, self.active_fault.started
        if not fault.skips_move_to(index):
            seconds = travel_time_s(self._joints_rad, waypoint.joints_rad, self.speed)
            self.arm.move_to(waypoint.joints_rad, seconds, time.monotonic())
            time.sleep(seconds)
            self._joints_rad = waypoint.joints_rad
        pose = self.pose_format.format_pose(fault.reported(self._poses, index, started))
        reply = self._request(verb, pose + self._joints(waypoint))
        self._pairs_kept = reply.count
        return reply

    def _joints(self, waypoint: Waypoint) -> str:
        """The joints of a waypoint as they follow its pose."""
        if not self.joint_units:
            return ""
        both = zip(waypoint.joints_rad, self.joint_units, strict=True)
        return " j " + " ".join(f"{q:.6f}" if unit == "rad" else f"{np.rad2deg(q):.4f}" for q, unit in both)

    def _request(self, verb: str, arguments: str = "") -> Reply:
        """Send ``verb seq arguments`` under a new sequence number and wait for the final reply."""
        self._seq += 1
        line = f"{verb} {self._seq} {arguments}".rstrip()
        return self._checked_exchange(line, self._seq)

    def _checked_exchange(self, line: str, seq: int) -> Reply:
        reply = self.link.exchange_until_final(line, seq)
        if reply.code.is_line_fault:
            raise InputFault(
                "sim-refused",
                f"the daemon rejects the line {line!r} with {reply.code}: {reply.code.message}",
                reply.code.remedy,
                reply=reply.code,
            )
        return reply

    def _stopped(self, reply: Reply) -> ProgramOutcome:
        return ProgramOutcome(
            reply.code,
            self._pairs_kept,
            f"the daemon stopped the program: {reply.code}",
            tuple(self._rejected_requests),
        )


def active_tool(pose_format: PoseFormat, pose_of: str, tool: Sequence[float] | None) -> Array:
    """flange_T_reported (4, 4): the tool of the station file if poses are of the tool, else the identity."""
    return pose_format.parse_pose(tool) if pose_of == "tool" and tool is not None else np.eye(4)


def rejection_fault(message: str) -> InputFault:
    """The fault ``sim-refused`` for a request that is valid but cannot be fulfilled; the daemon has the reason."""
    return InputFault("sim-refused", message, "read the reason in the daemon's log or with `eyebolt watch`.")


def _reply_text(reply: Reply) -> str:
    if reply.code.is_success:
        return f"kept ({reply.code}), {reply.count} pairs, {reply.aux} wanted"
    return f"refused ({reply.code})" if reply.code.is_refusal else f"stop ({reply.code})"
