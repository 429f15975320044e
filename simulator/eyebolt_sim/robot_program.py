"""The simulated robot's program: moves from waypoint to waypoint and follows the protocol as a controller would."""

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
    """What the program moves: the cell's own arm, or that of another process."""

    def move_to(self, joints_rad: Array, seconds: float, now_s: float) -> None:
        """Begin a joint move that takes ``seconds``."""

    def place_board(self, base_T_board: Array) -> None:
        """Somebody lays the board down at ``base_T_board`` (4, 4)."""


class RejectedRequest(NamedTuple):
    """An answer above 9: its ``code``, and the capture, check (``number`` from 1) or solve it was given to."""

    verb: str
    number: int
    code: Code


@dataclass(frozen=True)
class ProgramOutcome:
    """How the program ended: ``stop_code`` 30-39 if the daemon said stop, else None; ``kept`` pairs; the last words."""

    stop_code: Code | None
    kept: int
    message: str
    rejected_requests: tuple[RejectedRequest, ...] = ()

    @property
    def solved(self) -> bool:
        """Whether it came to a solve, and the daemon could do it."""
        return self.stop_code is None and not any(answer.verb == "solve" for answer in self.rejected_requests)


@dataclass
class RobotProgram:
    """Hello, begin, a capture at each waypoint, checks, a placed board and its touches, solve, result, bye.

    ``flange_T_reported`` (4, 4) is the tool that the controller has active, the identity if it reports the flange;
    ``active_fault``: what its author got wrong.
    Raises InputFault ``sim-refused`` if the daemon finds fault with a line, MachineFault ``sim-no-daemon``.
    """

    link: RobotLink
    arm: MovableArm
    pose_format: PoseFormat
    flange_T_reported: Array
    speed: float
    print_line: Callable[[str], None]
    active_fault: ActiveFault = field(default_factory=lambda: ActiveFault(NO_FAULT))

    def run(
        self, waypoints: Sequence[Waypoint], checks: Sequence[Waypoint], touch_plan: TouchPlan | None = None
    ) -> ProgramOutcome:
        """Play the program; the arm starts at the first waypoint. ``checks`` come after all others, touches last."""
        self._seq = self._checked_exchange("hello 0", 0).aux
        self._joints_rad = waypoints[0].joints_rad
        self._pairs_kept = 0
        self._rejected_requests: list[RejectedRequest] = []
        self._poses = [waypoint.base_T_flange @ self.flange_T_reported for waypoint in (*waypoints, *checks)]
        started = self._request("begin")
        if not started.code.is_success:
            if started.code.is_stop:
                return self._stopped(started)
            raise refused_fault(f"begin was answered {started.code}")
        for number, waypoint in enumerate(waypoints, 1):
            self.active_fault.advance_to(number)
            answer = self._move_and_request("capture", waypoint, number - 1)
            self._record_rejection("capture", number, answer)
            self.print_line(f"waypoint {number}/{len(waypoints)}: {_reply_text(answer)}")
            if answer.code.is_stop:
                return self._stopped(answer)
            if answer.code.is_success and answer.aux == 0:
                break
        for number, waypoint in enumerate(checks, 1):
            answer = self._move_and_request("check", waypoint, len(waypoints) + number - 1)
            self._record_rejection("check", number, answer)
            self.print_line(f"check {number}/{len(checks)}: {_reply_text(answer)}")
            if answer.code.is_stop:
                return self._stopped(answer)
        stop = self._touch(touch_plan) if touch_plan is not None else None
        return self._finish() if stop is None else self._stopped(stop)

    def _touch(self, touch_plan: TouchPlan) -> Reply | None:
        """Place the board and touch it; the answer that says stop, if one does."""
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
        for number, (corner, shown) in enumerate(touch_plan.touches, 1):
            answer = self._request("touch", f"{corner} {self.pose_format.format_pose(shown @ self.flange_T_reported)}")
            self.print_line(f"touch {number}/{len(touch_plan.touches)}: corner {corner}: {answer.code}")
            if answer.code.is_stop:
                return answer
        return None

    def _finish(self) -> ProgramOutcome:
        solved = self._request("solve")
        self._record_rejection("solve", 1, solved)
        if solved.code.is_stop and solved.code != Code.NOT_ACCEPTED:
            self.print_line(f"solve: {solved.code}")
            return self._stopped(solved)
        self.print_line(
            f"solve: {solved.code}" + (f", p95 {solved.aux / 1000:.3f} mm" if solved.code.is_success else "")
        )
        result = self._request("result")
        numbers = " ".join(f"{value:g}" for value in result.numbers)
        self.print_line(
            f"result: {numbers}" if result.code.is_success else f"result: {result.code}, none is accepted yet"
        )
        self._request("bye")
        if solved.code == Code.NOT_ACCEPTED:
            return self._stopped(solved)
        message = "done" if solved.code.is_success else f"the daemon could not solve: {solved.code}"
        return ProgramOutcome(None, self._pairs_kept, message, tuple(self._rejected_requests))

    def _record_rejection(self, verb: str, number: int, answer: Reply) -> None:
        if not answer.code.is_success:
            self._rejected_requests.append(RejectedRequest(verb, number, answer.code))

    def _move_and_request(self, verb: str, waypoint: Waypoint, index: int) -> Reply:
        """Go there and send ``verb`` with the pose; ``index``, from 0: which of all that it goes to."""
        fault, started = self.active_fault.fault, self.active_fault.started
        if not fault.skips_move_to(index):
            seconds = travel_time_s(self._joints_rad, waypoint.joints_rad, self.speed)
            self.arm.move_to(waypoint.joints_rad, seconds, time.monotonic())
            time.sleep(seconds)
            self._joints_rad = waypoint.joints_rad
        answer = self._request(verb, self.pose_format.format_pose(fault.reported(self._poses, index, started)))
        self._pairs_kept = answer.count
        return answer

    def _request(self, verb: str, rest: str = "") -> Reply:
        """Send ``verb seq rest`` under a new number; with "10" ask again until it is answered for good."""
        self._seq += 1
        line = f"{verb} {self._seq} {rest}".rstrip()
        return self._checked_exchange(line, self._seq)

    def _checked_exchange(self, line: str, seq: int) -> Reply:
        answer = self.link.exchange_until_final(line, seq)
        if answer.code.is_line_fault:
            raise InputFault(
                "sim-refused",
                f"the daemon finds fault with {line!r}: {answer.code}",
                "46: add this address to [robot] allow; others: the daemon's log says what it read.",
                reply=answer.code,
            )
        return answer

    def _stopped(self, answer: Reply) -> ProgramOutcome:
        return ProgramOutcome(
            answer.code, self._pairs_kept, f"the daemon said stop: {answer.code}", tuple(self._rejected_requests)
        )


def check_waypoints(captures: Sequence[Waypoint], spare: Waypoint) -> list[Waypoint]:
    """The first waypoint once more, and one where nothing was captured."""
    return [captures[0], spare]


def active_tool(pose_format: PoseFormat, pose_of: str, tool: Sequence[float] | None) -> Array:
    """flange_T_reported (4, 4): the station's tool where poses are of the tool, else the identity."""
    return pose_format.parse_pose(tool) if pose_of == "tool" and tool is not None else np.eye(4)


def _reply_text(answer: Reply) -> str:
    if answer.code.is_success:
        return f"kept ({answer.code}), {answer.count} pairs, {answer.aux} wanted"
    return f"refused ({answer.code})" if answer.code.is_refusal else f"stop ({answer.code})"


def refused_fault(message: str) -> InputFault:
    """The fault ``sim-refused`` where no line is wrong, and only the daemon knows why it goes no further."""
    return InputFault("sim-refused", message, "the daemon's log and `eyebolt watch` say why.")
