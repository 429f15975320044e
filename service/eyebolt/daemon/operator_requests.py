"""Requests of the operator: handed to the session as those of a peer of its own, which the robot never waits for."""

from __future__ import annotations

import asyncio
import itertools
import time
from collections.abc import Callable

from eyebolt.config import RobotSection
from eyebolt.protocol import Code, LineFault, Reply, parse
from eyebolt.results import utc_timestamp
from eyebolt.session import OPERATOR_CONNECTION, Caller, GuidedRecord, messages


class OperatorRequests:
    """Each request waits for its final reply. ``post`` puts an event into the loop's queue."""

    def __init__(
        self, robot: RobotSection, pose_field_count: int, post: Callable[[messages.RequestReceived], None]
    ) -> None:
        self._robot = robot
        self._pose_field_count = pose_field_count
        self._post = post
        self._numbers = itertools.count(1)
        self._waiting: dict[int, asyncio.Future[messages.SendReply]] = {}

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
