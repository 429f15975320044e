"""The robot's door: TCP connections to lines, replies to bytes. Knows addresses and sockets, not sessions."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

import structlog

from eyebolt.session.events import Caller
from eyebolt.station.checks import split_host_port
from eyebolt.station.sections import RobotSection
from eyebolt.wire.endings import ReplyEndings
from eyebolt.wire.lines import Line, LineSplitter, OverlongLine
from eyebolt.wire.replies import Reply, encode
from eyebolt.wire.requests import LineFault, Request, overlong_fault, parse
from eyebolt.wire.verbs import VERBS

MOST_CONNECTIONS = 32
# A robot waits for each answer; more unanswered lines than this is not one.
MOST_WAITING = 64
_READ_BYTES = 4096
_DIAL_AGAIN_S = 1.0
_LAST_ANSWERS_S = 0.05

_log = structlog.get_logger("robot")

OnLine = Callable[[Caller, Request | LineFault], None]


@dataclass
class _Connection:
    number: int
    peer: str
    writer: asyncio.StreamWriter
    splitter: LineSplitter
    endings: ReplyEndings
    # Lines read but not handed on: the next one is looked at when the one before has its reply, so that lines which
    # arrive glued together mean the same as lines sent one by one.
    inbox: deque[tuple[Caller, Request | LineFault]] = field(default_factory=deque)
    busy: bool = False


class RobotDoor:
    """Listens or dials as the station says; calls ``on_line`` for each line and ``on_left`` when one hangs up."""

    def __init__(
        self, robot: RobotSection, pose_field_count: int, on_line: OnLine, on_left: Callable[[int], None]
    ) -> None:
        self._robot = robot
        self._pose_field_count = pose_field_count
        self._on_line = on_line
        self._on_left = on_left
        self._numbers = itertools.count(1)
        self._open: dict[int, _Connection] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None

    async def start(self) -> str:
        """Opens the door; returns where, in words. Raises OSError if the address cannot be had."""
        if self._robot.dial is not None:
            self._keep(asyncio.create_task(self._dial_on(*split_host_port(self._robot.dial))))
            return f"dialling {self._robot.dial}"
        host, port = split_host_port(self._robot.listen or "")
        self._server = await asyncio.start_server(self._came, host, port)
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
        if connection is None:
            return
        terminator = connection.endings.close(caller.ticket)
        with contextlib.suppress(OSError, RuntimeError):
            connection.writer.write(encode(reply, bracketed, terminator))
        connection.busy = False
        self._hand_on(connection)

    def drop(self, number: int) -> None:
        """Hangs up on one connection, half-open or not, without waiting for it."""
        connection = self._open.pop(number, None)
        if connection is not None:
            _log.info("connection closed", connection=number, peer=connection.peer)
            connection.writer.transport.abort() if connection.writer.is_closing() else connection.writer.close()

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
                reader, writer = await asyncio.open_connection(host, port)
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
        peer = str((writer.get_extra_info("peername") or ("?",))[0])
        if not self._robot.allows(peer):
            _log.warning("refused: this address is not in [robot] allow of the station file", peer=peer)
            await self._turn_away(writer, Reply(46, 0, 0, 0))
        elif len(self._open) >= MOST_CONNECTIONS:
            _log.warning("refused: too many connections", peer=peer, most=MOST_CONNECTIONS)
            await self._turn_away(writer, Reply(45, 0, 0, 0))
        else:
            # The server's own bookkeeping takes a cancelled visitor for a crash.
            with contextlib.suppress(asyncio.CancelledError):
                await self._serve(reader, writer)

    async def _turn_away(self, writer: asyncio.StreamWriter, reply: Reply) -> None:
        with contextlib.suppress(OSError):
            writer.write(encode(reply, False, b"\n"))
            writer.close()
            await writer.wait_closed()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        number = next(self._numbers)
        peer = str((writer.get_extra_info("peername") or ("?",))[0])
        connection = _Connection(number, peer, writer, LineSplitter(), ReplyEndings())
        self._open[number] = connection
        _log.info("connected", connection=number, peer=peer)
        try:
            while number in self._open:
                data = await reader.read(_READ_BYTES)
                if not data:
                    break
                self._take(connection, data)
                await writer.drain()
            # Who has said its last word still hears the answers to it.
            while number in self._open and (connection.busy or connection.inbox):
                await asyncio.sleep(_LAST_ANSWERS_S)
        except OSError:
            pass
        finally:
            self.drop(number)
            self._on_left(number)

    def _take(self, connection: _Connection, data: bytes) -> None:
        for item in connection.splitter.feed(data):
            if isinstance(item, Line | OverlongLine):
                if len(connection.inbox) >= MOST_WAITING:
                    _log.warning("hung up: lines come faster than answers are waited for", peer=connection.peer)
                    self.drop(connection.number)
                    return
                caller = Caller(connection.number, connection.endings.opened(item.terminator))
                parsed: Request | LineFault
                if isinstance(item, OverlongLine):
                    parsed = overlong_fault(item.head)
                else:
                    parsed = parse(item.content, self._pose_field_count)
                self._note(connection, item, parsed)
                if not _answered(parsed):
                    # Live poses come many a second and wait for nobody, least of all for the request in work.
                    connection.endings.drop(caller.ticket)
                    if isinstance(parsed, Request):
                        self._on_line(caller, parsed)
                    continue
                connection.inbox.append((caller, parsed))
                self._hand_on(connection)
            else:
                late = connection.endings.late_line_feed()
                if late:
                    connection.writer.write(late)

    def _hand_on(self, connection: _Connection) -> None:
        if not connection.busy and connection.inbox:
            connection.busy = True
            self._on_line(*connection.inbox.popleft())

    def _note(self, connection: _Connection, item: Line | OverlongLine, parsed: Request | LineFault) -> None:
        raw = item.content if isinstance(item, Line) else item.head
        line = raw[:120].decode("ascii", "backslashreplace")
        if isinstance(parsed, LineFault):
            _log.warning("a line is at fault", line=line, code=parsed.code, says=parsed.says, peer=connection.peer)
        elif parsed.verb != "pose":
            _log.info("asked", line=line, connection=connection.number)


def _answered(parsed: Request | LineFault) -> bool:
    return parsed.answered if isinstance(parsed, LineFault) else VERBS[parsed.verb].answered
