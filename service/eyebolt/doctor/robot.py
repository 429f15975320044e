"""One pose of the robot, read from its own line, while no daemon has the port. No request is served meanwhile."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterator
from dataclasses import dataclass

from eyebolt.addresses import listening_reason, listening_remedy, split_host_port
from eyebolt.context import StationContext
from eyebolt.deadline import Deadline
from eyebolt.doctor.bounded import Report
from eyebolt.doctor.report import CheckResult, State, sentence
from eyebolt.errors import InputFault
from eyebolt.geometry import describe_pose
from eyebolt.protocol import Code, Line, LineFault, LineSplitter, OverlongLine, Reply, Request, encode, parse

SUBJECT = "robot's pose"
_READ_BYTES = 4096
_MAX_LINES = 200


@dataclass
class PoseCheck:
    """Waits for a robot, and reads the first pose that it sends."""

    context: StationContext
    wait_s: float
    _turned_away: str = ""

    def run(self, report: Report) -> None:
        """Reports one result."""
        deadline = Deadline.after(self.wait_s)
        try:
            with self._connections(deadline) as connections:
                for peer, connection in connections:
                    result = self._read(peer, connection, deadline)
                    if result is not None:
                        report(result)
                        return
        except OSError as error:
            report(self._unreachable(error))
            return
        report(self._nobody())

    @contextlib.contextmanager
    def _connections(self, deadline: Deadline) -> Iterator[Iterator[tuple[str, socket.socket]]]:
        robot = self.context.station.robot
        if robot.dial is not None:
            with socket.create_connection(split_host_port(robot.dial), max(deadline.remaining_s, 0.1)) as connection:
                yield iter([(robot.dial, connection)])
            return
        host, port = split_host_port(str(robot.listen))
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        with socket.create_server((host, port), family=family, dualstack_ipv6=host == "::") as server:
            yield self._accepted(server, deadline)

    def _accepted(self, server: socket.socket, deadline: Deadline) -> Iterator[tuple[str, socket.socket]]:
        while not deadline.has_passed:
            server.settimeout(max(deadline.remaining_s, 0.01))
            try:
                connection, address = server.accept()
            except TimeoutError:
                return
            with connection:
                peer = str(address[0])
                if self.context.station.robot.allows(peer):
                    yield peer, connection
                else:
                    self._turned_away = peer

    def _read(self, peer: str, connection: socket.socket, deadline: Deadline) -> CheckResult | None:
        """The pose of this connection, or a line at fault; None if it ends, or the time does, without either."""
        splitter, lines = LineSplitter(), 0
        while not deadline.has_passed and lines < _MAX_LINES:
            connection.settimeout(max(deadline.remaining_s, 0.01))
            try:
                data = connection.recv(_READ_BYTES)
            except (TimeoutError, ConnectionError):
                data = b""
            if not data:
                return self._without_ending(peer, splitter)
            for item in splitter.feed(data):
                if isinstance(item, (Line, OverlongLine)):
                    lines += 1
                    result = self._judge(peer, connection, item)
                    if result is not None:
                        return result
        return None

    def _judge(self, peer: str, connection: socket.socket, line: Line | OverlongLine) -> CheckResult | None:
        content = line.content if isinstance(line, Line) else line.prefix
        pose_format = self.context.pose_format
        request = parse(content, pose_format.field_count)
        text = content[:100].decode("ascii", "backslashreplace")
        if isinstance(request, LineFault):
            message = f'{peer} sent "{text}": {request.message}'
            return CheckResult(subject=SUBJECT, state=State.FAULT, message=message, remedy=request.code.remedy)
        self._answer(connection, request, line.terminator)
        if request.pose is None:
            return None
        try:
            pose = pose_format.to_matrix(request.pose)
        except InputFault as fault:
            message = f'{peer} sent "{text}": {fault.message}'
            return CheckResult(subject=SUBJECT, state=State.FAULT, message=message, remedy=fault.remedy)
        message = f"{peer} sent {pose_format.description}: {describe_pose(pose, self.context.station.robot.pose_of)}"
        return CheckResult(
            subject=SUBJECT,
            state=State.OK,
            message=message,
            remedy="Compare it with the arm: if an axis points elsewhere, [robot] rotation or angle is another one.",
        )

    @staticmethod
    def _answer(connection: socket.socket, request: Request, terminator: bytes) -> None:
        """A greeting is answered, so that a program goes on to a line with a pose; nothing else is served."""
        if request.verb == "pose":
            return
        code = Code.OK if request.verb == "hello" else Code.NOT_NOW
        with contextlib.suppress(OSError):
            connection.sendall(encode(Reply(code, request.seq or 0, 0, 0), request.bracketed, terminator))

    def _without_ending(self, peer: str, splitter: LineSplitter) -> CheckResult | None:
        if not splitter.has_unfinished_line:
            return None
        message = f"{peer} sent {splitter.buffered_bytes} bytes without a line ending"
        remedy = "End each line with CR, LF or both."
        return CheckResult(subject=SUBJECT, state=State.FAULT, message=message, remedy=remedy)

    def _unreachable(self, error: OSError) -> CheckResult:
        robot = self.context.station.robot
        if robot.dial is not None:
            message = f"nothing answers at [robot] dial = {robot.dial}: {error.strerror or error}"
            remedy = "Start the program on the controller that listens there; check address, network and firewall."
        else:
            address = str(robot.listen)
            message = f"[robot] listen = {address}: {listening_reason(error, address)}"
            remedy = listening_remedy(error, address, "[robot] listen")
        return CheckResult(subject=SUBJECT, state=State.FAULT, message=message, remedy=sentence(remedy))

    def _nobody(self) -> CheckResult:
        robot = self.context.station.robot
        if self._turned_away:
            message = f"{self._turned_away} connected and was turned away: it is not in [robot] allow"
            remedy = f'If this is the robot, add "{self._turned_away}" to allow.'
            return CheckResult(subject=SUBJECT, state=State.FAULT, message=message, remedy=remedy)
        where = f"connected to {robot.listen}" if robot.dial is None else f"sent by {robot.dial}"
        message = f"no line with a pose came within {self.wait_s:g} s: none {where}"
        return CheckResult(subject=SUBJECT, state=State.WARNING, message=message, remedy=how_to_send(self.context))


def how_to_send(context: StationContext) -> str:
    """How the robot is made to send one pose."""
    fields = " ".join(f"n{k}" for k in range(1, context.pose_format.field_count + 1))
    return (
        f'Have the controller send one line "pose {fields}" in its own format (a guide program of robot_scripts does);'
        " the arm need not move."
    )
