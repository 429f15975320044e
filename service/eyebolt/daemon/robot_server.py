"""The robot's port: admission, limits, and lines in and out. Handles sockets and lines, not sessions.

Connections do not affect each other: each is read at its own rate, buffers a bounded number of bytes and lines, and is
evicted for a new one if it is idle. The connection that holds the station is never evicted.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import itertools
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

import structlog

from eyebolt.addresses import split_host_port
from eyebolt.config import RobotSection
from eyebolt.daemon.connection_limits import READ_BYTES, WRITE_BYTES, ConnectionLimits, RateLimit
from eyebolt.daemon.dead_peers import DEAD_AFTER_S, detect_dead_peer
from eyebolt.daemon.dialler import Dialler
from eyebolt.logs import LogThrottle, ThrottledLogger
from eyebolt.protocol import (
    OPENING_BYTES,
    VERBS,
    Code,
    ForeignProtocol,
    LateLineFeed,
    Line,
    LineFault,
    LineSplitter,
    OverlongLine,
    Reply,
    ReplyEndings,
    Request,
    encode,
    foreign_protocol,
    overlong_fault,
    parse,
)
from eyebolt.session import Caller

_DRAIN_POLL_S = 0.05
_MAX_LOGGED_CHARACTERS = 120
# Before a connection is closed that sent no request: seq 0, nothing kept.
_NOT_ALLOWED = Reply(Code.PEER_NOT_ALLOWED, 0, 0, 0)
_NOT_NOW = Reply(Code.NOT_NOW, 0, 0, 0)

# What a time-out of TCP is reported as, by what the network last answered.
_DEAD_PEER_ERRORS = (errno.ETIMEDOUT, errno.EHOSTUNREACH, errno.ENETUNREACH)
_LINE_ENDING_REMEDY = "have the robot program end every line with LF, CR or CR LF"
_FOREIGN_REMEDIES = {
    ForeignProtocol.HTTP: "this port is for robots, not for browsers or web clients: correct the port there",
    ForeignProtocol.TLS: "connect without TLS: the robot protocol is plain TCP",
    ForeignProtocol.SSH: "this port is for robots, not for SSH: correct the port there",
    ForeignProtocol.ZMTP: "watchers connect to [station] status, cameras to [camera] endpoint: correct the port there",
}

_log = structlog.get_logger("robot")

OnLine = Callable[[Caller, Request | LineFault], None]


class RobotServer:
    """Listens or dials, as configured; calls ``on_line`` for each line, ``on_disconnect`` for each end.

    ``holder`` returns the number of the connection that holds the station, or None. At the connection limit a new
    connection takes the place of the one idle longest, first of those that never sent a well-formed line.
    """

    def __init__(
        self,
        robot: RobotSection,
        pose_field_count: int,
        on_line: OnLine,
        on_disconnect: Callable[[int], None],
        holder: Callable[[], int | None],
        limits: ConnectionLimits | None = None,
    ) -> None:
        self._robot = robot
        self._pose_field_count = pose_field_count
        self._on_line = on_line
        self._on_disconnect = on_disconnect
        self._holder = holder
        self._limits = limits or ConnectionLimits()
        self._numbers = itertools.count(1)
        self._open: dict[int, RobotConnection] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None
        self._throttled_log = ThrottledLogger(_log)
        # A controller that accepts each connection and ends it is dialled for as long as it does so.
        dials = LogThrottle(max_entries=4, window_s=600.0) if robot.dial is not None else LogThrottle()
        self._connection_log = ThrottledLogger(_log, dials)
        self._dialler: Dialler | None = None
        # The newest address that was turned away, until an admitted peer sends a line of the protocol.
        self._rejected_peer: str | None = None

    async def start(self) -> str:
        """Opens the port; returns the address, in words. Raises OSError if the address is taken."""
        if self._robot.dial is not None:
            self._dialler = Dialler(*split_host_port(self._robot.dial), self._serve)
            self._keep_task(asyncio.create_task(self._dialler.run()))
            return f"dialling {self._robot.dial}"
        host, port = split_host_port(self._robot.listen or "")
        self._server = await asyncio.start_server(self._on_connection, host, port, limit=READ_BYTES)
        return f"listening on {self._robot.listen}"

    async def close(self) -> None:
        """Closes the port and every connection."""
        if self._server is not None:
            self._server.close()
        for task in list(self._tasks):
            task.cancel()
        for number in list(self._open):
            self.drop(number)
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def answer(self, caller: Caller, reply: Reply, bracketed: bool) -> None:
        """Writes a reply, if its connection is still open."""
        connection = self._open.get(caller.connection)
        if connection is not None:
            connection.answer(caller, reply, bracketed)
            self._dispatch_next(connection)

    def drop(self, number: int) -> None:
        """Closes one connection, half-open or not, without waiting for it."""
        connection = self._open.pop(number, None)
        if connection is not None:
            connection.disconnect()
            peer = connection.peer
            self._connection_log.info("client disconnected", peer, peer=peer, connection=number)

    def peer(self, number: int | None) -> str | None:
        """Address of an open connection."""
        connection = self._open.get(number) if number is not None else None
        return connection.peer if connection is not None else None

    def notice(self, holder: int | None) -> str:
        """What the operator should know about the connection that holds the station, or about any if none does."""
        shown = self._open.values() if holder is None else [self._open[holder]] if holder in self._open else []
        for connection in shown:
            if connection.lacks_line_ending:
                count = connection.splitter.buffered_bytes
                return f"{connection.peer} sent {count} bytes without a line ending: {_LINE_ENDING_REMEDY}"
        if holder is None and self._rejected_peer is not None:
            return f"{self._rejected_peer} was turned away (46): its address is not in [robot] allow"
        return self._dialler.notice() if holder is None and self._dialler is not None else ""

    def _keep_task(self, task: asyncio.Task[None]) -> None:
        # asyncio itself holds only weak references to tasks.
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _on_connection(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        current = asyncio.current_task()
        if current is not None:
            self._keep_task(current)
        peer = _peer_of(writer)
        if not self._robot.allows(peer):
            remedy = f'if this is your robot, add "{peer}" to allow under [robot] in the station file, and restart'
            self._throttled_log.warning(
                "connection rejected: address not in [robot] allow",
                peer,
                peer=peer,
                code=int(Code.PEER_NOT_ALLOWED),
                remedy=remedy,
            )
            self._rejected_peer = peer
            self._keep_task(asyncio.create_task(_retrieve_reset(writer)))
            rejected = RobotConnection(0, peer, writer, self._now_s())
            rejected.send_unsolicited(_NOT_ALLOWED)
            rejected.disconnect()
            return
        if len(self._open) >= self._limits.max_connections:
            self._evict_idle()
        # asyncio's server logs a cancelled connection task as an error.
        with contextlib.suppress(asyncio.CancelledError):
            await self._serve(reader, writer)

    def _evict_idle(self) -> None:
        others = [c for c in self._open.values() if c.number != self._holder()]
        idle = min(others, key=lambda c: (c.has_sent_valid_line, c.last_line_s))
        count = self._limits.max_connections
        self._throttled_log.warning(
            "connection evicted: connection limit reached, idle longest",
            idle.peer,
            peer=idle.peer,
            code=int(Code.NOT_NOW),
            connection=idle.number,
            remedy=f"close programs that are not needed: {count} are connected, and a station has one robot",
        )
        self._close_unanswered(idle)

    def _on_first_line_timeout(self, connection: RobotConnection) -> None:
        if connection.number not in self._open or connection.has_sent_valid_line:
            return
        self._throttled_log.warning(
            "connection closed: no valid line in time",
            connection.peer,
            peer=connection.peer,
            code=int(Code.NOT_NOW),
            connection=connection.number,
            timeout_s=self._limits.first_line_timeout_s,
            remedy="have the robot program send hello as soon as it is connected",
        )
        self._close_unanswered(connection)

    def _close_unanswered(self, connection: RobotConnection) -> None:
        connection.send_unsolicited(_NOT_NOW)
        self.drop(connection.number)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> bool:
        """Serves a connection to its end; whether a well-formed line was received on it."""
        connection = RobotConnection(next(self._numbers), _peer_of(writer), writer, self._now_s())
        number, peer = connection.number, connection.peer
        self._open[number] = connection
        self._keep_task(asyncio.create_task(_retrieve_reset(writer)))
        if (robot_socket := writer.get_extra_info("socket")) is not None:
            detect_dead_peer(robot_socket)
        self._connection_log.info("client connected", peer, peer=peer, connection=number)
        # A controller that the daemon itself dialled may be silent for ever: no other peer can have its place.
        timeout_s = None if self._robot.dial is not None else self._limits.first_line_timeout_s
        loop = asyncio.get_running_loop()
        timer = None if timeout_s is None else loop.call_later(timeout_s, self._on_first_line_timeout, connection)
        try:
            while number in self._open:
                data = await reader.read(READ_BYTES)
                if not data:
                    break
                await self._throttle(connection, self._receive(connection, data), len(data))
                await writer.drain()
                if connection.is_refused:
                    break
            # A peer that has shut down its sending side still gets the replies to its lines.
            while number in self._open and (connection.busy or connection.inbox):
                await asyncio.sleep(_DRAIN_POLL_S)
        except OSError as error:
            if error.errno in _DEAD_PEER_ERRORS:
                self._throttled_log.warning(
                    "connection lost: the peer no longer answers",
                    peer,
                    peer=peer,
                    connection=number,
                    timeout_s=DEAD_AFTER_S,
                    remedy="check the controller's power, and the network cable",
                )
        finally:
            if timer is not None:
                timer.cancel()
            connection.end_line_timer()
            self.drop(number)
            self._on_disconnect(number)
        return connection.has_sent_valid_line

    async def _throttle(self, connection: RobotConnection, lines: int, size_bytes: int) -> None:
        rate_limit = self._rate_limit_of(connection)
        throttle_s = connection.throttle_s(lines, size_bytes, rate_limit, self._limits.burst_s, self._now_s())
        if throttle_s and not connection.is_throttled:
            connection.is_throttled = True
            self._throttled_log.warning(
                "connection throttled: line rate above the limit",
                connection.peer,
                peer=connection.peer,
                connection=connection.number,
                lines_per_s=round(rate_limit.lines_per_s),
                bytes_per_s=round(rate_limit.bytes_per_s),
                remedy="have the program wait for each reply; send live poses from the robot's own connection",
            )
        if throttle_s:
            await asyncio.sleep(throttle_s)

    def _rate_limit_of(self, connection: RobotConnection) -> RateLimit:
        holder = self._holder()
        if holder is None:
            return self._limits.unclaimed.share(max(1, len(self._open)))
        return self._limits.holder if holder == connection.number else self._limits.others

    def _receive(self, connection: RobotConnection, data: bytes) -> int:
        """Takes in what was read; the number of lines in it."""
        if not connection.has_sent_valid_line and self._is_foreign(connection, connection.extend_opening(data)):
            return 0
        items = connection.splitter.feed(data)
        for item in items:
            if connection.is_refused or connection.number not in self._open:
                break
            if isinstance(item, LateLineFeed):
                connection.add_late_line_feed()
            elif len(connection.inbox) < self._limits.max_queued_lines:
                self._receive_line(connection, item)
            else:
                self._throttled_log.warning(
                    "connection closed: too many lines without waiting for replies",
                    connection.peer,
                    peer=connection.peer,
                    connection=connection.number,
                    remedy="have the robot program wait for the reply to each line before it sends the next one",
                )
                self.drop(connection.number)
                break
        self._watch_line_ending(connection, bool(items))
        return len(items)

    def _is_foreign(self, connection: RobotConnection, opening: bytes) -> bool:
        """Whether the peer speaks another protocol; it is disconnected then, and nothing more of it is served."""
        protocol = foreign_protocol(opening)
        if protocol is None:
            return False
        self._throttled_log.warning(
            "connection closed: not the robot protocol",
            connection.peer,
            peer=connection.peer,
            connection=connection.number,
            protocol=protocol.value,
            remedy=_FOREIGN_REMEDIES[protocol],
        )
        connection.is_refused = True
        self.drop(connection.number)
        return True

    def _refuse_after_unknown_verbs(self, connection: RobotConnection) -> None:
        """Counts a line without a known verb; the connection ends with the reply to the last one that is admitted."""
        connection.unknown_verbs += 1
        # The daemon itself chose a controller that it dials, and would dial again.
        if connection.unknown_verbs < self._limits.max_unknown_verbs or self._robot.dial is not None:
            return
        connection.is_refused = True
        self._throttled_log.warning(
            "connection closed: no line of the robot protocol",
            connection.peer,
            peer=connection.peer,
            code=int(Code.UNKNOWN_VERB),
            connection=connection.number,
            lines=connection.unknown_verbs,
            remedy="have the robot program begin each line with a verb, first hello; another program uses another port",
        )

    def _watch_line_ending(self, connection: RobotConnection, has_ended_line: bool) -> None:
        if has_ended_line or not connection.splitter.has_unfinished_line:
            connection.end_line_timer()
        if connection.line_timer is None and connection.splitter.has_unfinished_line:
            connection.line_timer = asyncio.get_running_loop().call_later(
                self._limits.line_timeout_s, self._on_line_timeout, connection
            )

    def _on_line_timeout(self, connection: RobotConnection) -> None:
        connection.lacks_line_ending = True
        self._throttled_log.warning(
            "no line ending received",
            connection.peer,
            peer=connection.peer,
            connection=connection.number,
            received_bytes=connection.splitter.buffered_bytes,
            timeout_s=self._limits.line_timeout_s,
            remedy=_LINE_ENDING_REMEDY,
        )

    def _receive_line(self, connection: RobotConnection, item: Line | OverlongLine) -> None:
        raw = item.prefix if isinstance(item, OverlongLine) else item.content
        if not connection.has_sent_valid_line and self._is_foreign(connection, raw):
            return
        caller = Caller(connection.number, connection.endings.register(item.terminator))
        parsed: Request | LineFault
        if isinstance(item, OverlongLine):
            parsed = overlong_fault(item.prefix)
        else:
            parsed = parse(item.content, self._pose_field_count, self._robot.joint_count)
        has_reply = parsed.has_reply if isinstance(parsed, LineFault) else VERBS[parsed.verb].has_reply
        line = raw[:_MAX_LOGGED_CHARACTERS].decode("ascii", "backslashreplace")
        if isinstance(parsed, LineFault):
            self._throttled_log.warning(
                "malformed line",
                connection.peer,
                peer=connection.peer,
                line=line,
                code=int(parsed.code),
                message=parsed.message,
            )
            if parsed.code is Code.UNKNOWN_VERB and not connection.has_sent_valid_line:
                self._refuse_after_unknown_verbs(connection)
        else:
            connection.has_sent_valid_line, connection.last_line_s = True, self._now_s()
            self._rejected_peer = None
            if has_reply:
                _log.info("request received", line=line, connection=connection.number)
            if parsed.has_ignored_group and not connection.has_sent_ignored_group:
                connection.has_sent_ignored_group = True
                _log.info("group behind the pose ignored", line=line, connection=connection.number)
        if has_reply:
            connection.inbox.append((caller, parsed))
            self._dispatch_next(connection)
            return
        # Live poses arrive many times a second; they need no reply and do not wait for the request in progress.
        connection.endings.discard(caller.line_id)
        if isinstance(parsed, Request):
            self._on_line(caller, parsed)

    def _dispatch_next(self, connection: RobotConnection) -> None:
        if not connection.busy and connection.inbox:
            connection.busy = True
            self._on_line(*connection.inbox.popleft())

    @staticmethod
    def _now_s() -> float:
        return asyncio.get_running_loop().time()


async def _retrieve_reset(writer: asyncio.StreamWriter) -> None:
    """Waits for the end of a connection: asyncio logs a reset by the peer with a traceback if nobody retrieves it."""
    with contextlib.suppress(OSError):
        await writer.wait_closed()


def _peer_of(writer: asyncio.StreamWriter) -> str:
    return str((writer.get_extra_info("peername") or ("?",))[0])


@dataclass
class RobotConnection:
    """One connection: its bytes to lines, its lines one after the other, its replies to bytes."""

    number: int
    """Counts the connections of this daemon, from 1; 0: never admitted."""
    peer: str
    """Its address."""
    writer: asyncio.StreamWriter
    last_line_s: float
    """When the last well-formed line was received, or since when it is open: seconds of the loop's clock."""
    has_sent_valid_line: bool = False
    """A well-formed line was received."""
    is_throttled: bool = False
    """Was read more slowly at least once."""
    splitter: LineSplitter = field(default_factory=LineSplitter)
    endings: ReplyEndings = field(default_factory=ReplyEndings)
    inbox: deque[tuple[Caller, Request | LineFault]] = field(default_factory=deque)
    """Lines that wait until the one before has its reply, so that lines sent at once mean the same as lines sent one by
    one."""
    busy: bool = False
    """A line is in progress."""
    unknown_verbs: int = 0
    """Lines without a known verb before the first well-formed line."""
    has_sent_ignored_group: bool = False
    """A pose was followed by a group in brackets that is ignored, and the log has it."""
    is_refused: bool = False
    """It is no robot: nothing more is read from it."""
    line_timer: asyncio.TimerHandle | None = None
    """Runs while a line is unfinished."""
    lacks_line_ending: bool = False
    """The unfinished line has been so for too long."""
    _opening: bytes = b""
    _read_until_s: float = 0.0

    def __post_init__(self) -> None:
        self.writer.transport.set_write_buffer_limits(high=WRITE_BYTES)

    def throttle_s(self, lines: int, size_bytes: int, rate_limit: RateLimit, burst_s: float, now_s: float) -> float:
        """How long to pause reading after these lines and bytes: 0 within the rate.

        The generic cell rate algorithm (ITU-T I.371), with a rate that may change meanwhile.
        """
        self._read_until_s = max(self._read_until_s, now_s) + rate_limit.cost_s(lines, size_bytes)
        return max(0.0, self._read_until_s - now_s - burst_s)

    def extend_opening(self, data: bytes) -> bytes:
        """The first bytes of the connection, with ``data`` as far as they are among them; empty beyond that."""
        missing = OPENING_BYTES - len(self._opening)
        if missing <= 0:
            return b""
        self._opening += data[:missing]
        return self._opening

    def end_line_timer(self) -> None:
        """The unfinished line has ended, or the connection."""
        if self.line_timer is not None:
            self.line_timer.cancel()
        self.line_timer, self.lacks_line_ending = None, False

    def answer(self, caller: Caller, reply: Reply, bracketed: bool) -> None:
        """Writes the reply to the line in progress; the next line may follow."""
        self._write(encode(reply, bracketed, self.endings.ending_for(caller.line_id)))
        self.busy = False

    def add_late_line_feed(self) -> None:
        """Adds the LF to a reply that was already written with CR."""
        late = self.endings.late_line_feed()
        if late:
            self._write(late)

    def send_unsolicited(self, reply: Reply) -> None:
        """A reply to no line, before the connection is closed."""
        self._write(encode(reply, False, b"\n"))

    def disconnect(self) -> None:
        """Closes without waiting. Data that the peer does not read are discarded: they would keep the socket open."""
        transport = self.writer.transport
        if self.writer.is_closing() or transport.get_write_buffer_size():
            transport.abort()
        else:
            self.writer.close()

    def _write(self, data: bytes) -> None:
        with contextlib.suppress(OSError, RuntimeError):
            self.writer.write(data)
