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
from eyebolt.daemon.connection_limits import READ_BYTES, WRITE_BYTES, DoorLimits, Pace
from eyebolt.logs import Sparing
from eyebolt.protocol import (
    VERBS,
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

_DIAL_AGAIN_S = 1.0
_LAST_ANSWERS_S = 0.05
_NOT_FROM_YOU = Reply(46, 0, 0, 0)
_NOT_NOW = Reply(45, 0, 0, 0)

_log = structlog.get_logger("robot")

OnLine = Callable[[Caller, Request | LineFault], None]


class RobotDoor:
    """Listens or dials as the station says; calls ``on_line`` for each line and ``on_left`` when one hangs up.

    ``holder`` gives the number of the connection that holds the station, or None. Where all places are taken, a
    newcomer gets that of the connection that has been silent longest, of those that never said a well-formed line if
    there are any.
    """

    def __init__(
        self,
        robot: RobotSection,
        pose_field_count: int,
        on_line: OnLine,
        on_left: Callable[[int], None],
        holder: Callable[[], int | None],
        limits: DoorLimits | None = None,
    ) -> None:
        self._robot = robot
        self._pose_field_count = pose_field_count
        self._on_line = on_line
        self._on_left = on_left
        self._holder = holder
        self._limits = limits or DoorLimits()
        self._numbers = itertools.count(1)
        self._open: dict[int, RobotConnection] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None
        self._sparing = Sparing()

    async def start(self) -> str:
        """Opens the door; returns where, in words. Raises OSError if the address cannot be had."""
        if self._robot.dial is not None:
            self._keep(asyncio.create_task(self._dial_on(*split_host_port(self._robot.dial))))
            return f"dialling {self._robot.dial}"
        host, port = split_host_port(self._robot.listen or "")
        self._server = await asyncio.start_server(self._came, host, port, limit=READ_BYTES)
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
            self._hand_on(connection)

    def drop(self, number: int) -> None:
        """Hangs up on one connection, half-open or not, without waiting for it."""
        connection = self._open.pop(number, None)
        if connection is not None:
            connection.hang_up()
            self._tell("info", "connection closed", connection.peer, connection=number)

    def peer(self, number: int | None) -> str | None:
        """Address of an open connection."""
        connection = self._open.get(number) if number is not None else None
        return connection.peer if connection is not None else None

    def _keep(self, task: asyncio.Task[None]) -> None:
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _dial_on(self, host: str, port: int) -> None:
        silent = False
        while True:
            try:
                reader, writer = await asyncio.open_connection(host, port, limit=READ_BYTES)
            except OSError as error:
                if not silent:
                    _log.warning(
                        "the robot does not answer yet: still dialling", address=f"{host}:{port}", why=str(error)
                    )
                silent = True
            else:
                silent = False
                await self._serve(reader, writer)
            await asyncio.sleep(_DIAL_AGAIN_S)

    async def _came(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        current = asyncio.current_task()
        if current is not None:
            self._keep(current)
        peer = _peer_of(writer)
        if not self._robot.allows(peer):
            remedy = f'if this is your robot, add "{peer}" to allow under [robot] in the station file, and start again'
            says = "refused: this address is not in [robot] allow of the station file"
            self._tell("warning", says, peer, code=46, remedy=remedy)
            stranger = RobotConnection(0, peer, writer, self._now_s())
            stranger.say_unasked(_NOT_FROM_YOU)
            stranger.hang_up()
            return
        if len(self._open) >= self._limits.connections:
            self._make_room()
        # The server's own bookkeeping takes a cancelled visitor for a crash.
        with contextlib.suppress(asyncio.CancelledError):
            await self._serve(reader, writer)

    def _make_room(self) -> None:
        others = [c for c in self._open.values() if c.number != self._holder()]
        silent = min(others, key=lambda c: (c.spoke, c.heard_s))
        most = self._limits.connections
        remedy = f"close what is not needed: {most} programs are connected, and a station has one robot"
        self._turn_out(silent, "hung up: silent longest, and a newcomer needs the place", remedy)

    def _too_silent(self, connection: RobotConnection) -> None:
        if connection.number in self._open and not connection.spoke:
            says = f"hung up: no well-formed line in {self._limits.first_line_s:.0f} s"
            self._turn_out(connection, says, "let the robot program say hello as soon as it is connected")

    def _turn_out(self, connection: RobotConnection, says: str, remedy: str) -> None:
        self._tell("warning", says, connection.peer, code=45, connection=connection.number, remedy=remedy)
        connection.say_unasked(_NOT_NOW)
        self.drop(connection.number)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        connection = RobotConnection(next(self._numbers), _peer_of(writer), writer, self._now_s())
        number = connection.number
        self._open[number] = connection
        self._tell("info", "connected", connection.peer, connection=number)
        # Whom the daemon called itself may wait as long as it likes: nobody else wants that place.
        patience_s = None if self._robot.dial is not None else self._limits.first_line_s
        loop = asyncio.get_running_loop()
        alarm = None if patience_s is None else loop.call_later(patience_s, self._too_silent, connection)
        try:
            while number in self._open:
                data = await reader.read(READ_BYTES)
                if not data:
                    break
                await self._rest(connection, self._take(connection, data), len(data))
                await writer.drain()
            # Who has said its last word still hears the answers to it.
            while number in self._open and (connection.busy or connection.inbox):
                await asyncio.sleep(_LAST_ANSWERS_S)
        except OSError:
            pass
        finally:
            if alarm is not None:
                alarm.cancel()
            self.drop(number)
            self._on_left(number)

    async def _rest(self, connection: RobotConnection, lines: int, size_bytes: int) -> None:
        pace = self._pace_of(connection)
        rest_s = connection.rest_s(lines, size_bytes, pace, self._limits.burst_s, self._now_s())
        if rest_s and not connection.slowed:
            connection.slowed = True
            remedy = "let the program wait for each answer; send live poses from the robot's own connection"
            says = "slowed: lines come faster than they are read"
            most = {"lines_per_s": round(pace.lines_per_s), "bytes_per_s": round(pace.bytes_per_s)}
            self._tell("warning", says, connection.peer, connection=connection.number, remedy=remedy, **most)
        if rest_s:
            await asyncio.sleep(rest_s)

    def _pace_of(self, connection: RobotConnection) -> Pace:
        holder = self._holder()
        if holder is None:
            return self._limits.nobody_yet.shared_by(max(1, len(self._open)))
        return self._limits.holder if holder == connection.number else self._limits.others

    def _take(self, connection: RobotConnection, data: bytes) -> int:
        items = connection.splitter.feed(data)
        for item in items:
            if isinstance(item, LateLineFeed):
                connection.add_late_line_feed()
            elif len(connection.inbox) < self._limits.unanswered:
                self._take_line(connection, item)
            else:
                says = "hung up: lines come faster than answers are waited for"
                remedy = "let the robot program wait for the answer to each line before it sends the next one"
                self._tell("warning", says, connection.peer, connection=connection.number, remedy=remedy)
                self.drop(connection.number)
                break
        return len(items)

    def _take_line(self, connection: RobotConnection, item: Line | OverlongLine) -> None:
        caller = Caller(connection.number, connection.endings.opened(item.terminator))
        parsed: Request | LineFault
        if isinstance(item, OverlongLine):
            parsed = overlong_fault(item.head)
        else:
            parsed = parse(item.content, self._pose_field_count)
        answered = parsed.answered if isinstance(parsed, LineFault) else VERBS[parsed.verb].answered
        raw = item.head if isinstance(item, OverlongLine) else item.content
        line = raw[:120].decode("ascii", "backslashreplace")
        if isinstance(parsed, LineFault):
            self._tell("warning", "a line is at fault", connection.peer, line=line, code=parsed.code, says=parsed.says)
        else:
            connection.spoke, connection.heard_s = True, self._now_s()
            if answered:
                _log.info("asked", line=line, connection=connection.number)
        if answered:
            connection.inbox.append((caller, parsed))
            self._hand_on(connection)
            return
        # Live poses come many a second and wait for nobody, least of all for the request in work.
        connection.endings.drop(caller.ticket)
        if isinstance(parsed, Request):
            self._on_line(caller, parsed)

    def _hand_on(self, connection: RobotConnection) -> None:
        if not connection.busy and connection.inbox:
            connection.busy = True
            self._on_line(*connection.inbox.popleft())

    def _tell(self, level: str, event: str, peer: str, **fields: object) -> None:
        more = self._sparing.tells((event, peer), self._now_s())
        if more is not None:
            getattr(_log, level)(event, peer=peer, **fields, **more)

    @staticmethod
    def _now_s() -> float:
        return asyncio.get_running_loop().time()


def _peer_of(writer: asyncio.StreamWriter) -> str:
    return str((writer.get_extra_info("peername") or ("?",))[0])


@dataclass
class RobotConnection:
    """``spoke``: whether a well-formed line came; ``heard_s``: when the last one did, or since when it is open, in
    seconds of the loop's clock."""

    number: int
    peer: str
    writer: asyncio.StreamWriter
    heard_s: float
    spoke: bool = False
    slowed: bool = False
    splitter: LineSplitter = field(default_factory=LineSplitter)
    endings: ReplyEndings = field(default_factory=ReplyEndings)
    # Lines read but not handed on: the next one is looked at when the one before has its reply, so that lines which
    # arrive glued together mean the same as lines sent one by one.
    inbox: deque[tuple[Caller, Request | LineFault]] = field(default_factory=deque)
    busy: bool = False
    _read_until_s: float = 0.0

    def __post_init__(self) -> None:
        self.writer.transport.set_write_buffer_limits(high=WRITE_BYTES)

    def rest_s(self, lines: int, size_bytes: int, pace: Pace, burst_s: float, now_s: float) -> float:
        """How long not to read on after so many lines and bytes: 0 within the pace.

        The generic cell rate algorithm (ITU-T I.371, from memory), with a rate that may change on the way.
        """
        self._read_until_s = max(self._read_until_s, now_s) + pace.cost_s(lines, size_bytes)
        return max(0.0, self._read_until_s - now_s - burst_s)

    def answer(self, caller: Caller, reply: Reply, bracketed: bool) -> None:
        """Writes the reply to the line in work; the next line may be handed on."""
        self._write(encode(reply, bracketed, self.endings.close(caller.ticket)))
        self.busy = False

    def add_late_line_feed(self) -> None:
        """A reply that ended in CR gets its LF, if it was written already."""
        late = self.endings.late_line_feed()
        if late:
            self._write(late)

    def say_unasked(self, reply: Reply) -> None:
        """A last word before hanging up: nobody asked for it, so it has an ending of its own."""
        self._write(encode(reply, False, b"\n"))

    def hang_up(self) -> None:
        """Closes without waiting. What a peer does not read is thrown away, else it would hold the socket for ever."""
        transport = self.writer.transport
        if self.writer.is_closing() or transport.get_write_buffer_size():
            transport.abort()
        else:
            self.writer.close()

    def _write(self, data: bytes) -> None:
        with contextlib.suppress(OSError, RuntimeError):
            self.writer.write(data)
