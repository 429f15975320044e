"""The program of a modelled controller: one session, as a program in its language runs it."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from eyebolt.errors import InputFault, MachineFault
from eyebolt.protocol import Code
from eyebolt_sim.controllers.link import ControllerLink
from eyebolt_sim.moving_arm import travel_time_s
from eyebolt_sim.robot_link import Reply
from eyebolt_sim.robot_program import MovableArm, ProgramOutcome, RejectedRequest
from eyebolt_sim.transforms import Array
from eyebolt_sim.waypoints import Waypoint

_POLL_INTERVAL_S = 0.5
_RETRY_PAUSE_S = 0.2
_SILENT_TRIES = 5
# Code, seq and two numbers; `result` has the numbers of a pose after code and seq.
_COUNTS = 4
_PIECE = 2
_REMEDY = "read the daemon's log, then start the simulator again."


class ControllerProgram:
    """Hello, begin, a capture at each waypoint until no pair is wanted, checks, solve, result, bye.

    A refused capture is tried once more, a line without a reply is sent again, and a result that is too long for the
    controller's strings is read in pieces. Raises InputFault ``sim-refused``, ``sim-string``, MachineFault
    ``sim-no-daemon``, ``sim-reply``.
    """

    def __init__(
        self,
        link: ControllerLink,
        arm: MovableArm,
        flange_T_reported: Array,
        speed: float,
        print_line: Callable[[str], None],
    ) -> None:
        """``flange_T_reported`` (4, 4): the active tool frame; ``speed``: times that of `travel_time_s`."""
        self._link = link
        self._row = link.controller
        self._arm = arm
        self._flange_T_reported = flange_T_reported
        self._speed = speed
        self._print_line = print_line
        self._seq = 0
        self._kept = 0
        self._rejected: list[RejectedRequest] = []

    def run(self, waypoints: Sequence[Waypoint], checks: Sequence[Waypoint]) -> ProgramOutcome:
        """Run the program from the first waypoint on; ``checks`` follow the captures."""
        self._seq = int(self._exchange(["hello", "0"], 0, _COUNTS).aux)
        self._joints_rad = waypoints[0].joints_rad
        begun = self._request("begin")
        if not begun.code.is_success:
            return self._stopped(begun)
        for number, waypoint in enumerate(waypoints, 1):
            reply = self._capture("capture", number, waypoint)
            if reply.code.is_stop:
                return self._stopped(reply)
            if reply.code.is_success and reply.aux == 0:
                break
        for number, waypoint in enumerate(checks, 1):
            reply = self._capture("check", number, waypoint)
            if reply.code.is_stop:
                return self._stopped(reply)
        solved = self._request("solve")
        self._note_rejection("solve", 1, solved)
        result = self._result()
        self._print_line("result: " + (" ".join(f"{n:g}" for n in result) or "none is handed out"))
        self._request("bye")
        if solved.code.is_stop:
            return self._stopped(solved)
        message = "done" if solved.code.is_success else f"the daemon could not solve: {solved.code}"
        return ProgramOutcome(None, self._kept, message, tuple(self._rejected), result)

    def _capture(self, verb: str, number: int, waypoint: Waypoint) -> Reply:
        seconds = travel_time_s(self._joints_rad, waypoint.joints_rad, self._speed)
        self._arm.move_to(waypoint.joints_rad, seconds, time.monotonic())
        time.sleep(seconds)
        self._joints_rad = waypoint.joints_rad
        reply = self._request_at_pose(verb, waypoint)
        if reply.code.is_refusal:
            time.sleep(_RETRY_PAUSE_S)
            reply = self._request_at_pose(verb, waypoint)
        self._kept = reply.count
        self._note_rejection(verb, number, reply)
        self._print_line(f"{verb} {number}: {reply.code}, {reply.count} pairs, {reply.aux} wanted")
        return reply

    def _request_at_pose(self, verb: str, waypoint: Waypoint) -> Reply:
        numbers = self._row.pose_format.numbers(waypoint.base_T_flange @ self._flange_T_reported)
        pose = self._row.pose_parts(numbers)
        if self._row.streams_pose:
            self._link.send(self._line(["pose"], pose))
        return self._request(verb, pose)

    def _request(self, verb: str, pose: Sequence[str] = ()) -> Reply:
        """A recorded request under a new number; its final reply."""
        self._seq += 1
        reply = self._exchange([verb, str(self._seq)], self._seq, _COUNTS, pose)
        while not reply.code.is_final:
            if self._row.min_reply_wait_s is not None:
                # Its program has no loop for this: the station's reply_wait_s was to prevent it.
                raise MachineFault("sim-reply", f"the program of {self._row.name} cannot poll after a 10", _REMEDY)
            time.sleep(_POLL_INTERVAL_S)
            reply = self._exchange(["again", str(self._seq)], self._seq, _COUNTS)
        if reply.code.is_line_fault:
            raise InputFault(
                "sim-refused",
                f"the daemon rejects {verb} {self._seq} with {reply.code}: {reply.code.message}",
                reply.code.remedy,
                reply=reply.code,
            )
        return reply

    def _result(self) -> tuple[float, ...]:
        """The numbers of the accepted result; none if there is none."""
        self._seq += 1
        wanted = self._row.pose_format.field_count
        longest = self._row.reader.max_characters
        if longest is None or longest >= 80:
            return self._numbers(["result", str(self._seq)], wanted)
        firsts = range(1, wanted + 1, _PIECE)
        while True:
            pieces = [self._piece(first, wanted) for first in (*firsts, 1)]
            # Another result may have been accepted between two pieces.
            if pieces[-1] == pieces[0]:
                return tuple(number for piece in pieces[:-1] for number in piece)

    def _piece(self, first: int, wanted: int) -> tuple[float, ...]:
        amount = min(_PIECE, wanted - first + 1)
        return self._numbers(["result", str(self._seq), str(first), str(amount)], amount)

    def _numbers(self, words: Sequence[str], count: int) -> tuple[float, ...]:
        reply = self._exchange(words, self._seq, 2 + count)
        return reply.numbers if reply.code.is_success else ()

    def _exchange(self, words: Sequence[str], seq: int, count: int, pose: Sequence[str] = ()) -> Reply:
        """Send a line until a reply to it is read."""
        for _ in range(_SILENT_TRIES):
            self._link.send(self._line(words, pose))
            while (numbers := self._link.read(count)) is not None:
                # A reply to an earlier line that came too late is passed over.
                if numbers[1] == seq:
                    return Reply(Code(int(numbers[0])), seq, numbers[2:])
        raise MachineFault("sim-no-daemon", f"the daemon does not reply to {' '.join(words)}", _REMEDY)

    def _line(self, words: Sequence[str], pose: Sequence[str]) -> list[str]:
        """The parts of a line."""
        separator = self._row.separator
        text = separator.join(words)
        return [text + separator, *pose] if pose else [text]

    def _note_rejection(self, verb: str, number: int, reply: Reply) -> None:
        if not reply.code.is_success:
            self._rejected.append(RejectedRequest(verb, number, reply.code))

    def _stopped(self, reply: Reply) -> ProgramOutcome:
        message = f"the daemon stopped the program: {reply.code}"
        return ProgramOutcome(reply.code, self._kept, message, tuple(self._rejected))
