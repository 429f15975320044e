"""The simulated robot's program: moves from waypoint to waypoint and follows the protocol as a controller would."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

import numpy as np

from eyebolt.errors import InputFault
from eyebolt_sim.cell_faults import NO_FAULT, FaultInForce
from eyebolt_sim.moving_arm import travel_time_s
from eyebolt_sim.pose_format import PoseTerms
from eyebolt_sim.robot_link import Answer, RobotLink
from eyebolt_sim.touch_plan import Touching
from eyebolt_sim.transforms import Array
from eyebolt_sim.waypoints import Waypoint

_NOT_ACCEPTED = 36


class Movable(Protocol):
    """What the program moves: the cell's own arm, or that of another process."""

    def move_to(self, joints_rad: Array, seconds: float, now_s: float) -> None:
        """Begin a joint move that takes ``seconds``."""

    def lay_board(self, base_T_board: Array) -> None:
        """Somebody lays the board down at ``base_T_board`` (4, 4)."""


class NotKept(NamedTuple):
    """An answer above 9: its ``code``, and the capture, check (``number`` from 1) or solve it was given to."""

    verb: str
    number: int
    code: int


@dataclass(frozen=True)
class Outcome:
    """How the program ended: ``stop_code`` 30-39 if the daemon said stop, else None; ``kept`` pairs; the last words."""

    stop_code: int | None
    kept: int
    says: str
    not_kept: tuple[NotKept, ...] = ()

    @property
    def solved(self) -> bool:
        """Whether it came to a solve, and the daemon could do it."""
        return self.stop_code is None and not any(answer.verb == "solve" for answer in self.not_kept)


@dataclass
class RobotProgram:
    """Hello, begin, a capture at each waypoint, checks, a placed board and its touches, solve, result, bye.

    ``flange_T_reported`` (4, 4) is the tool that the controller has active, the identity if it reports the flange;
    ``in_force``: what its author got wrong.
    Raises InputFault ``sim-refused`` if the daemon finds fault with a line, MachineFault ``sim-no-daemon``.
    """

    link: RobotLink
    arm: Movable
    terms: PoseTerms
    flange_T_reported: Array
    speed: float
    say: Callable[[str], None]
    in_force: FaultInForce = field(default_factory=lambda: FaultInForce(NO_FAULT))

    def run(
        self, waypoints: Sequence[Waypoint], checks: Sequence[Waypoint], touching: Touching | None = None
    ) -> Outcome:
        """Play the program; the arm starts at the first waypoint. ``checks`` come after all others, touches last."""
        self._seq = self._final("hello 0", 0).aux
        self._at = waypoints[0].joints_rad
        self._kept = 0
        self._not_kept: list[NotKept] = []
        self._places = [waypoint.base_T_flange @ self.flange_T_reported for waypoint in (*waypoints, *checks)]
        begun = self._request("begin")
        if not 0 <= begun.code <= 9:
            if 30 <= begun.code <= 39:
                return self._stopped(begun)
            raise cannot_go_on(f"begin was answered {begun.code}")
        for number, waypoint in enumerate(waypoints, 1):
            self.in_force.captures_at(number)
            answer = self._visit("capture", waypoint, number - 1)
            self._note("capture", number, answer)
            self.say(f"waypoint {number}/{len(waypoints)}: {_words(answer)}")
            if 30 <= answer.code <= 39:
                return self._stopped(answer)
            if answer.code <= 9 and answer.aux == 0:
                break
        for number, waypoint in enumerate(checks, 1):
            answer = self._visit("check", waypoint, len(waypoints) + number - 1)
            self._note("check", number, answer)
            self.say(f"check {number}/{len(checks)}: {_words(answer)}")
            if 30 <= answer.code <= 39:
                return self._stopped(answer)
        stop = self._touch(touching) if touching is not None else None
        return self._finish() if stop is None else self._stopped(stop)

    def _touch(self, touching: Touching) -> Answer | None:
        """Place the board and touch it; the answer that says stop, if one does."""
        if touching.laid:
            self.arm.lay_board(touching.base_T_board)
        placed = self._request("place") if touching.place_at is None else self._visit("place", touching.place_at, 0)
        self.say(f"place: {placed.code}")
        if placed.code > 9:
            return placed if 30 <= placed.code <= 39 else None
        for number, (corner, shown) in enumerate(touching.touches, 1):
            answer = self._request("touch", f"{corner} {self.terms.print_pose(shown @ self.flange_T_reported)}")
            self.say(f"touch {number}/{len(touching.touches)}: corner {corner}: {answer.code}")
            if 30 <= answer.code <= 39:
                return answer
        return None

    def _finish(self) -> Outcome:
        solved = self._request("solve")
        self._note("solve", 1, solved)
        if 30 <= solved.code <= 39 and solved.code != _NOT_ACCEPTED:
            self.say(f"solve: {solved.code}")
            return self._stopped(solved)
        self.say(f"solve: {solved.code}" + (f", p95 {solved.aux / 1000:.3f} mm" if solved.code <= 9 else ""))
        result = self._request("result")
        numbers = " ".join(f"{value:g}" for value in result.numbers)
        self.say(f"result: {numbers}" if result.code <= 9 else f"result: {result.code}, none is accepted yet")
        self._request("bye")
        if solved.code == _NOT_ACCEPTED:
            return self._stopped(solved)
        says = "done" if solved.code <= 9 else f"the daemon could not solve: {solved.code}"
        return Outcome(None, self._kept, says, tuple(self._not_kept))

    def _note(self, verb: str, number: int, answer: Answer) -> None:
        if answer.code > 9:
            self._not_kept.append(NotKept(verb, number, answer.code))

    def _visit(self, verb: str, waypoint: Waypoint, place: int) -> Answer:
        """Go there and send ``verb`` with the pose; ``place``, from 0: which of all that it goes to."""
        fault, begun = self.in_force.fault, self.in_force.begun
        if not fault.stands_still(place):
            seconds = travel_time_s(self._at, waypoint.joints_rad, self.speed)
            self.arm.move_to(waypoint.joints_rad, seconds, time.monotonic())
            time.sleep(seconds)
            self._at = waypoint.joints_rad
        answer = self._request(verb, self.terms.print_pose(fault.reported(self._places, place, begun)))
        self._kept = answer.count
        return answer

    def _request(self, verb: str, rest: str = "") -> Answer:
        """Send ``verb seq rest`` under a new number; with "10" ask again until it is answered for good."""
        self._seq += 1
        line = f"{verb} {self._seq} {rest}".rstrip()
        return self._final(line, self._seq)

    def _final(self, line: str, seq: int) -> Answer:
        answer = self.link.final(line, seq)
        if 40 <= answer.code <= 49:
            raise InputFault(
                "sim-refused",
                f"the daemon finds fault with {line!r}: {answer.code}",
                "46: add this address to [robot] allow; others: the daemon's log says what it read.",
                reply=answer.code,
            )
        return answer

    def _stopped(self, answer: Answer) -> Outcome:
        return Outcome(answer.code, self._kept, f"the daemon said stop: {answer.code}", tuple(self._not_kept))


def check_waypoints(captures: Sequence[Waypoint], spare: Waypoint) -> list[Waypoint]:
    """The first waypoint once more, and one where nothing was captured."""
    return [captures[0], spare]


def tool_in_force(terms: PoseTerms, pose_of: str, tool: Sequence[float] | None) -> Array:
    """flange_T_reported (4, 4): the station's tool where poses are of the tool, else the identity."""
    return terms.read_pose(tool) if pose_of == "tool" and tool is not None else np.eye(4)


def _words(answer: Answer) -> str:
    if answer.code <= 9:
        return f"kept ({answer.code}), {answer.count} pairs, {answer.aux} wanted"
    return f"refused ({answer.code})" if answer.code <= 29 else f"stop ({answer.code})"


def cannot_go_on(says: str) -> InputFault:
    """The fault ``sim-refused`` where no line is wrong, and only the daemon knows why it goes no further."""
    return InputFault("sim-refused", says, "the daemon's log and `eyebolt watch` say why.")
