"""The robot's door: who may come in, who must make room, and what their lines are. Knows sockets, not sessions.

A connection costs the others nothing: each is read at a pace of its own, holds a bounded number of bytes and lines, and
gives way to a newcomer if it has nothing to say. The one that holds the station never gives way.

One connection of the robot's door: its bytes to lines, its lines one after the other, its answers to bytes.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

import structlog

from eyebolt.addresses import split_host_port
from eyebolt.config import RobotSection
from eyebolt.daemon.connection_limits import READ_BYTES, WRITE_BYTES, ConnectionLimits, RateLimit
from eyebolt.logs import LogThrottle
from eyebolt.protocol import (
    VERBS,
    Code,
    LateLineFeed,
    Line,
    LineFault,
    LineSplitter,
    OverlongLine,
    Reply,
    ReplyEndings,
    Request,
    encode,
    overlong_fault,
    parse,
)
from eyebolt.session import Caller

_REDIAL_INTERVAL_S = 1.0
_DRAIN_POLL_S = 0.05
_NOT_ALLOWED = Reply(Code.PEER_NOT_ALLOWED, 0, 0, 0)
_NOT_NOW = Reply(Code.NOT_NOW, 0, 0, 0)

_log = structlog.get_logger("robot")

OnLine = Callable[[Caller, Request | LineFault], None]


class RobotServer:
    """Listens or dials as the station says; calls ``on_line`` for each line and ``on_disconnect`` when one hangs up.

    ``holder`` gives the number of the connection that holds the station, or None. Where all places are taken, a
    newcomer gets that of the connection that has been silent longest, of those that never said a well-formed line if
    there are any.
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
        self._log_throttle = LogThrottle()

    async def start(self) -> str:
        """Opens the door; returns where, in words. Raises OSError if the address cannot be had."""
        if self._robot.dial is not None:
            self._keep_task(asyncio.create_task(self._dial_forever(*split_host_port(self._robot.dial))))
            return f"dialling {self._robot.dial}"
        host, port = split_host_port(self._robot.listen or "")
        self._server = await asyncio.start_server(self._on_connection, host, port, limit=READ_BYTES)
        return f"listening on {self._robot.listen}"

    async def close(self) -> None:
        """Hangs up on everybody."""
        if self._server is not None:
            self._server.close()
        for task in list(self._tasks):
            task.cancel()
        for number in list(self._open):
            self.drop(number)
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def answer(self, caller: Caller, reply: Reply, bracketed: bool) -> None:
        """Writes a reply, if its connection is still there."""
        connection = self._open.get(caller.connection)
        if connection is not None:
            connection.answer(caller, reply, bracketed)
            self._dispatch_next(connection)

    def drop(self, number: int) -> None:
        """Hangs up on one connection, half-open or not, without waiting for it."""
        connection = self._open.pop(number, None)
        if connection is not None:
            connection.disconnect()
            self._log_throttled("info", "client disconnected", connection.peer, connection=number)

    def peer(self, number: int | None) -> str | None:
        """Address of an open connection."""
        connection = self._open.get(number) if number is not None else None
        return connection.peer if connection is not None else None

    def _keep_task(self, task: asyncio.Task[None]) -> None:
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _dial_forever(self, host: str, port: int) -> None:
        silent = False
        while True:
            try:
                reader, writer = await asyncio.open_connection(host, port, limit=READ_BYTES)
            except OSError as error:
                if not silent:
                    _log.warning("robot not reachable: retrying", address=f"{host}:{port}", reason=str(error))
                silent = True
            else:
                silent = False
                await self._serve(reader, writer)
            await asyncio.sleep(_REDIAL_INTERVAL_S)

    async def _on_connection(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        current = asyncio.current_task()
        if current is not None:
            self._keep_task(current)
        peer = _peer_of(writer)
        if not self._robot.allows(peer):
            remedy = f'if this is your robot, add "{peer}" to allow under [robot] in the station file, and start again'
            message = "connection rejected: address not in [robot] allow"
            self._log_throttled("warning", message, peer, code=int(Code.PEER_NOT_ALLOWED), remedy=remedy)
            rejected = RobotConnection(0, peer, writer, self._now_s())
            rejected.send_unsolicited(_NOT_ALLOWED)
            rejected.disconnect()
            return
        if len(self._open) >= self._limits.max_connections:
            self._evict_idle()
        # The server's own bookkeeping takes a cancelled visitor for a crash.
        with contextlib.suppress(asyncio.CancelledError):
            await self._serve(reader, writer)

    def _evict_idle(self) -> None:
        others = [c for c in self._open.values() if c.number != self._holder()]
        silent = min(others, key=lambda c: (c.has_spoken, c.last_line_s))
        most = self._limits.max_connections
        remedy = f"close what is not needed: {most} programs are connected, and a station has one robot"
        self._evict(silent, "connection evicted: connection limit reached, idle longest", remedy)

    def _on_first_line_timeout(self, connection: RobotConnection) -> None:
        if connection.number in self._open and not connection.has_spoken:
            message = f"hung up: no well-formed line in {self._limits.first_line_timeout_s:.0f} s"
            self._evict(connection, message, "let the robot program say hello as soon as it is connected")

    def _evict(self, connection: RobotConnection, message: str, remedy: str) -> None:
        self._log_throttled(
            "warning", message, connection.peer, code=int(Code.NOT_NOW), connection=connection.number, remedy=remedy
        )
        connection.send_unsolicited(_NOT_NOW)
        self.drop(connection.number)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        connection = RobotConnection(next(self._numbers), _peer_of(writer), writer, self._now_s())
        number = connection.number
        self._open[number] = connection
        self._log_throttled("info", "client connected", connection.peer, connection=number)
        # Whom the daemon called itself may wait as long as it likes: nobody else wants that place.
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
            # Who has said its last word still hears the answers to it.
            while number in self._open and (connection.busy or connection.inbox):
                await asyncio.sleep(_DRAIN_POLL_S)
        except OSError:
            pass
        finally:
            if timer is not None:
                timer.cancel()
            self.drop(number)
            self._on_disconnect(number)

    async def _throttle(self, connection: RobotConnection, lines: int, size_bytes: int) -> None:
        rate_limit = self._rate_limit_of(connection)
        throttle_s = connection.throttle_s(lines, size_bytes, rate_limit, self._limits.burst_s, self._now_s())
        if throttle_s and not connection.is_throttled:
            connection.is_throttled = True
            remedy = "let the program wait for each answer; send live poses from the robot's own connection"
            message = "connection throttled: line rate above the limit"
            most = {"lines_per_s": round(rate_limit.lines_per_s), "bytes_per_s": round(rate_limit.bytes_per_s)}
            self._log_throttled(
                "warning", message, connection.peer, connection=connection.number, remedy=remedy, **most
            )
        if throttle_s:
            await asyncio.sleep(throttle_s)

    def _rate_limit_of(self, connection: RobotConnection) -> RateLimit:
        holder = self._holder()
        if holder is None:
            return self._limits.unclaimed.share(max(1, len(self._open)))
        return self._limits.holder if holder == connection.number else self._limits.others

    def _receive(self, connection: RobotConnection, data: bytes) -> int:
        items = connection.splitter.feed(data)
        for item in items:
            if isinstance(item, LateLineFeed):
                connection.add_late_line_feed()
            elif len(connection.inbox) < self._limits.max_queued_lines:
                self._receive_line(connection, item)
            else:
                message = "connection closed: too many lines without waiting for replies"
                remedy = "let the robot program wait for the answer to each line before it sends the next one"
                self._log_throttled("warning", message, connection.peer, connection=connection.number, remedy=remedy)
                self.drop(connection.number)
                break
        return len(items)

    def _receive_line(self, connection: RobotConnection, item: Line | OverlongLine) -> None:
        caller = Caller(connection.number, connection.endings.register(item.terminator))
        parsed: Request | LineFault
        if isinstance(item, OverlongLine):
            parsed = overlong_fault(item.prefix)
        else:
            parsed = parse(item.content, self._pose_field_count)
        has_reply = parsed.has_reply if isinstance(parsed, LineFault) else VERBS[parsed.verb].has_reply
        raw = item.prefix if isinstance(item, OverlongLine) else item.content
        line = raw[:120].decode("ascii", "backslashreplace")
        if isinstance(parsed, LineFault):
            self._log_throttled(
                "warning", "malformed line", connection.peer, line=line, code=int(parsed.code), message=parsed.message
            )
        else:
            connection.has_spoken, connection.last_line_s = True, self._now_s()
            if has_reply:
                _log.info("request received", line=line, connection=connection.number)
        if has_reply:
            connection.inbox.append((caller, parsed))
            self._dispatch_next(connection)
            return
        # Live poses come many a second and wait for nobody, least of all for the request in work.
        connection.endings.discard(caller.line_id)
        if isinstance(parsed, Request):
            self._on_line(caller, parsed)

    def _dispatch_next(self, connection: RobotConnection) -> None:
        if not connection.busy and connection.inbox:
            connection.busy = True
            self._on_line(*connection.inbox.popleft())

    def _log_throttled(self, level: str, event: str, peer: str, **fields: object) -> None:
        more = self._log_throttle.admit((event, peer), self._now_s())
        if more is not None:
            getattr(_log, level)(event, peer=peer, **fields, **more)

    @staticmethod
    def _now_s() -> float:
        return asyncio.get_running_loop().time()


def _peer_of(writer: asyncio.StreamWriter) -> str:
    return str((writer.get_extra_info("peername") or ("?",))[0])


@dataclass
class RobotConnection:
    """``has_spoken``: whether a well-formed line came; ``last_line_s``: when the last one did, or since when it is open, in
    seconds of the loop's clock."""

    number: int
    peer: str
    writer: asyncio.StreamWriter
    last_line_s: float
    has_spoken: bool = False
    is_throttled: bool = False
    splitter: LineSplitter = field(default_factory=LineSplitter)
    endings: ReplyEndings = field(default_factory=ReplyEndings)
    # Lines read but not handed on: the next one is looked at when the one before has its reply, so that lines which
    # arrive glued together mean the same as lines sent one by one.
    inbox: deque[tuple[Caller, Request | LineFault]] = field(default_factory=deque)
    busy: bool = False
    _read_until_s: float = 0.0

    def __post_init__(self) -> None:
        self.writer.transport.set_write_buffer_limits(high=WRITE_BYTES)

    def throttle_s(self, lines: int, size_bytes: int, rate_limit: RateLimit, burst_s: float, now_s: float) -> float:
        """How long not to read on after so many lines and bytes: 0 within the pace.

        The generic cell rate algorithm (ITU-T I.371, from memory), with a rate that may change on the way.
        """
        self._read_until_s = max(self._read_until_s, now_s) + rate_limit.cost_s(lines, size_bytes)
        return max(0.0, self._read_until_s - now_s - burst_s)

    def answer(self, caller: Caller, reply: Reply, bracketed: bool) -> None:
        """Writes the reply to the line in work; the next line may be handed on."""
        self._write(encode(reply, bracketed, self.endings.ending_for(caller.line_id)))
        self.busy = False

    def add_late_line_feed(self) -> None:
        """A reply that ended in CR gets its LF, if it was written already."""
        late = self.endings.late_line_feed()
        if late:
            self._write(late)

    def send_unsolicited(self, reply: Reply) -> None:
        """A last word before hanging up: nobody asked for it, so it has an ending of its own."""
        self._write(encode(reply, False, b"\n"))

    def disconnect(self) -> None:
        """Closes without waiting. What a peer does not read is thrown away, else it would hold the socket for ever."""
        transport = self.writer.transport
        if self.writer.is_closing() or transport.get_write_buffer_size():
            transport.abort()
        else:
            self.writer.close()

    def _write(self, data: bytes) -> None:
        with contextlib.suppress(OSError, RuntimeError):
            self.writer.write(data)
