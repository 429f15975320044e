"""Requests of the operator: handed to the session as those of a peer of its own, which the robot never waits for."""

from __future__ import annotations

import asyncio
import itertools
import time
from collections.abc import Callable
from dataclasses import dataclass

import structlog

from eyebolt.config import RobotSection
from eyebolt.protocol import (
    Code,
    ControlAction,
    ControlOutcome,
    ControlReply,
    ControlRequest,
    LineFault,
    Reply,
    Request,
    parse,
)
from eyebolt.results import utc_timestamp
from eyebolt.session import OPERATOR_CONNECTION, Caller, GuidedRecord, State, messages

# A stream of poses has ten a second and more; after a longer pause the arm may stand elsewhere.
LIVE_POSE_LIMIT_S = 0.5
_VERBS = {
    ControlAction.BEGIN: "begin",
    ControlAction.TAKE: "capture",
    ControlAction.UNDO: "undo",
    ControlAction.FINISH: "bye",
}
_NO_SESSION_REMEDY = "begin a session first (eyebolt session begin STATION)."

_log = structlog.get_logger("control")


@dataclass(frozen=True)
class _LivePose:
    """The newest pose that a robot streamed."""

    connection: int
    line: str
    """Its numbers, and joint angles behind a ``j``, as the robot wrote them."""
    at_s: float


class OperatorRequests:
    """Each request waits for its final reply. ``post`` puts an event into the loop's queue; ``state``: that of now."""

    def __init__(
        self,
        robot: RobotSection,
        pose_field_count: int,
        post: Callable[[messages.RequestReceived], None],
        state: Callable[[], State],
    ) -> None:
        self._robot = robot
        self._pose_field_count = pose_field_count
        self._post = post
        self._state = state
        self._numbers = itertools.count(1)
        self._waiting: dict[int, asyncio.Future[messages.SendReply]] = {}
        self._live_pose: _LivePose | None = None

    async def submit(
        self,
        verb: str,
        pose_line: str | None = None,
        at_ns: int | None = None,
        guided: GuidedRecord | None = None,
    ) -> messages.SendReply:
        """The final reply to ``verb``, in words too; ``pose_line``: what follows the seq, as a robot writes it.

        ``at_ns``: when it counts as received; None: now. ``guided``: the image to use, of a pair of a guided session.
        The session numbers the request. A line that cannot be parsed gets the code that a robot would get.
        """
        line = f"{verb} 0" if pose_line is None else f"{verb} 0 {pose_line}"
        parsed = parse(line.encode("ascii", "replace"), self._pose_field_count, self._robot.joint_count)
        caller = Caller(OPERATOR_CONNECTION, next(self._numbers))
        if isinstance(parsed, LineFault):
            return messages.SendReply(caller, Reply(parsed.code, 0, 0, 0), False, parsed.message)
        if parsed.seq is None:
            message = f"{verb} is no request of an operator"
            return messages.SendReply(caller, Reply(Code.NOT_NOW, 0, 0, 0), False, message)
        reply: asyncio.Future[messages.SendReply] = asyncio.get_running_loop().create_future()
        self._waiting[caller.line_id] = reply
        try:
            received_ns = time.monotonic_ns() if at_ns is None else at_ns
            self._post(messages.RequestReceived(caller, parsed, received_ns, utc_timestamp(), guided))
            return await reply
        finally:
            del self._waiting[caller.line_id]

    def answer(self, command: messages.SendReply) -> None:
        """Ends the wait of the request that the reply is to, if anybody still waits."""
        reply = self._waiting.get(command.caller.line_id)
        if reply is not None and not reply.done():
            reply.set_result(command)

    def note_pose(self, connection: int, request: Request) -> None:
        """Keeps a live pose; one of a connection that does not hold the station only if none does."""
        if self._state().robot_connection in (None, connection):
            self._live_pose = _LivePose(connection, request.text.partition(" ")[2], time.monotonic())

    def forget_pose_of(self, connection: int) -> None:
        """The connection has ended."""
        if self._live_pose is not None and self._live_pose.connection == connection:
            self._live_pose = None

    async def handle(self, request: ControlRequest) -> ControlReply:
        """Carries out a request that came over the control socket."""
        action = request.action
        if action is ControlAction.STATE:
            return self._reply(request, ControlOutcome.DONE, "")
        declined = self._declined(request)
        if declined is not None:
            return declined
        pose_line = self._live_pose.line if action is ControlAction.TAKE and self._live_pose is not None else None
        sent = await self.submit(_VERBS[action], pose_line)
        code = sent.reply.code
        outcome = ControlOutcome.DONE if code.is_success else ControlOutcome.REFUSED
        last = self._state().log
        recorded = None if last is None else last.replies.get(sent.reply.seq)
        remedy = recorded.remedy if sent.is_recorded and recorded is not None else code.remedy
        if code is Code.NOT_NOW:
            # That remedy is for robot programs; the message names what is missing, or who is first.
            remedy = "look at the screen; if it is still wanted, request it again."
        return self._reply(request, outcome, sent.message or code.message, remedy, code)

    def _declined(self, request: ControlRequest) -> ControlReply | None:
        """The reply to a request that does not get as far as the session; None if it does."""
        state, action = self._state(), request.action
        log = state.log if state.is_open else None
        name = None if log is None else log.name
        if action is ControlAction.BEGIN:
            if log is None or request.new or not (log.kept or log.checks or log.touches):
                return None
            message = f"session {log.name} is open with {_pairs(state.kept)}: in a new one they do not count"
            remedy = "finish it, or confirm that a new one is wanted (eyebolt session begin STATION --new)."
            return self._reply(request, ControlOutcome.UNCONFIRMED, message, remedy)
        if log is None:
            return self._reply(request, ControlOutcome.NO_SESSION, "no session is open", _NO_SESSION_REMEDY)
        if (request.session or name) != name or request.kept not in (None, state.kept):
            message = f"the session has changed meanwhile: {log.name} has {_pairs(state.kept)}"
            return self._reply(request, ControlOutcome.CHANGED, message, "look at the screen, then request it again.")
        age_s = self._live_pose_age_s()
        if action is ControlAction.TAKE and (age_s is None or age_s > LIVE_POSE_LIMIT_S):
            message = "the robot streams no pose" if age_s is None else f"the newest pose is {age_s:.1f} s old"
            remedy = (
                "start the robot program that streams 'pose' lines (guide.* in robot_scripts), or have the robot"
                " program send 'capture' itself."
            )
            return self._reply(request, ControlOutcome.NO_LIVE_POSE, message, remedy)
        return None

    def _live_pose_age_s(self) -> float | None:
        return None if self._live_pose is None else time.monotonic() - self._live_pose.at_s

    def _reply(
        self,
        request: ControlRequest,
        outcome: ControlOutcome,
        message: str,
        remedy: str = "",
        code: Code | None = None,
    ) -> ControlReply:
        state = self._state()
        age_s = self._live_pose_age_s()
        if request.action is not ControlAction.STATE:
            _log.info("request of the operator", action=request.action, outcome=outcome, message=message)
        return ControlReply(
            id=request.id,
            outcome=outcome,
            code=code,
            message=message,
            remedy=remedy,
            station=state.config.station,
            session=state.log.name if state.log is not None and state.is_open else None,
            kept=state.kept if state.is_open else 0,
            wanted=state.pairs_wanted,
            live_pose_age_s=None if age_s is None else round(age_s, 3),
        )


def _pairs(count: int) -> str:
    return f"{count} {'pair' if count == 1 else 'pairs'}"
