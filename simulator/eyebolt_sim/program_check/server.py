"""The stand-in for the daemon: the robot's port, with faults, around the session with a made-up cell."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from eyebolt.addresses import split_host_port
from eyebolt.config import Station
from eyebolt.errors import MachineFault
from eyebolt.plain_text import clean_line
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
from eyebolt.session import messages as msg
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.program_check.observer import ProgramObserver
from eyebolt_sim.program_check.poses import PoseCheck
from eyebolt_sim.program_check.script import Part, Times, Trouble
from eyebolt_sim.program_check.session import ScriptedSession, session_config
from eyebolt_sim.verdict import Verdict

_POLL_S = 0.05
_LINE_TIMEOUT_S = 2.0
_REDIAL_S = 1.0
_READ_BYTES = 4096
_SHOWN_CHARACTERS = 100
_NOT_ALLOWED = Reply(Code.PEER_NOT_ALLOWED, 0, 0, 0)
# Enough for a goal that is not met in the parts that end before it.
_PAIRS_OUT_OF_REACH = 100

Parsed = Request | LineFault


@dataclass
class _Peer:
    """One connection of the program."""

    number: int
    writer: asyncio.StreamWriter
    splitter: LineSplitter = field(default_factory=LineSplitter)
    endings: ReplyEndings = field(default_factory=ReplyEndings)
    inbox: deque[tuple[Caller, Parsed, bytes]] = field(default_factory=deque)
    current: tuple[Caller, Parsed, bytes] | None = None
    unfinished_since_s: float | None = None
    is_closed_here: bool = False


class StandIn:
    """Stands in for the daemon of a station until every part has ended, or ``stop`` is called.

    ``pairs``: with how many the goal is met; None: after all faults. ``print_line`` receives the conversation.
    """

    def __init__(
        self,
        station: Station,
        parts: Iterable[Part],
        print_line: Callable[[str], None],
        pairs: int | None = None,
        times: Times | None = None,
    ) -> None:
        robot = station.robot
        self._station = station
        self._parts = list(parts)
        self._print_line = print_line
        self._pairs = pairs
        self._times = times or Times()
        self.observer = ProgramObserver(PoseCheck(PoseFormat(robot.length, robot.rotation, robot.angle)), self._times)
        self._peers: dict[int, _Peer] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        self._opened = 0
        self._server: asyncio.Server | None = None
        self._stopped = asyncio.Event()
        self._last_activity_s = 0.0
        self._ended_since_s: float | None = None
        self._is_down = False
        self._played: list[str] = []

    def stop(self) -> None:
        """Ends ``run``: the verdict is about what was seen until then."""
        self._stopped.set()

    async def run(self, wait_s: float) -> Verdict:
        """Plays the parts. Raises MachineFault ``listen-no-program`` if none connects within ``wait_s`` seconds, and
        ``listen-port`` if the robot's port is taken."""
        dialling = None
        try:
            if self._station.robot.dial is None:
                await self._listen()
            else:
                dialling = asyncio.create_task(self._dial_forever(*split_host_port(self._station.robot.dial)))
            for number, part in enumerate(self._parts, 1):
                self._begin(part, number)
                await self._until_part_ends(wait_s)
                self._drop_all()
                self.observer.part_ended(is_interrupted=self._stopped.is_set())
                if self._stopped.is_set():
                    break
        finally:
            if dialling is not None:
                dialling.cancel()
            self._drop_all()
            if self._server is not None:
                self._server.close()
            for task in list(self._tasks):
                task.cancel()
            await asyncio.gather(*self._tasks, return_exceptions=True)
        return self._verdict()

    # Parts.

    def _begin(self, part: Part, number: int) -> None:
        self._part = part
        self._pending_troubles = deque(part.troubles)
        self._troubles: dict[int, Trouble] = {}
        self._done: set[int] = set()
        goes_to_the_end = part.name == "faults"
        pairs = (self._pairs or part.kept + 1) if goes_to_the_end else _PAIRS_OUT_OF_REACH
        config = session_config(self._station, pairs)
        self._session = ScriptedSession(config, self._times, self._trouble_of, self._on_reply, self._close)
        self._ended_since_s, self._has_begun = None, False
        self._part_since_s = self._last_activity_s = self._now_s()
        again = "start the robot program" if number == 1 else "start the robot program again"
        where = self._station.robot.listen or f"{self._station.robot.dial} (dialled)"
        self._print_line(f"Part {number} of {len(self._parts)}, {part.name}: {part.description}. At {where}: {again}.")

    async def _until_part_ends(self, wait_s: float) -> None:
        is_hint_shown = False
        while not self._stopped.is_set():
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._stopped.wait(), _POLL_S)
            self._watch_line_endings()
            now_s = self._now_s()
            if self._peers or self._is_down:
                self._last_activity_s = now_s
            if not self._has_begun:
                if now_s - self._part_since_s > wait_s:
                    if self._played or self.observer.lines:
                        self._print_line(f"no robot program came within {wait_s:.0f} s: this part is not played")
                        return
                    raise self._no_program(wait_s)
                continue
            is_over = self.observer.has_finished or self.observer.ended_by is not None
            if is_over and self._ended_since_s is None:
                self._ended_since_s = now_s
            if self._ended_since_s is not None:
                watched_s = now_s - self._ended_since_s
                if watched_s > self._times.quiet_s or (not self._peers and watched_s > self._times.quiet_s / 8):
                    return
            if self._peers or self._is_down:
                is_hint_shown = False
            elif not is_hint_shown and now_s - self._last_activity_s > self._times.away_s / 10:
                is_hint_shown = True
                self._print_line(
                    "no connection: if the program has ended, start it again; it has to go on where it was"
                )
            if not self._peers and now_s - self._last_activity_s > self._times.away_s:
                self._print_line(f"no connection for {self._times.away_s:.0f} s: the program has ended")
                return

    def _no_program(self, wait_s: float) -> MachineFault:
        robot = self._station.robot
        if robot.dial is not None:
            message = f"no robot program listens at {robot.dial}, the [robot] dial of the station file"
        else:
            message = f"no robot program connected to {robot.listen} within {wait_s:.0f} s"
        return MachineFault("listen-no-program", message, "start the robot program, or wait longer: --wait.")

    def _verdict(self) -> Verdict:
        observer = self.observer
        facts = [
            f"parts played: {', '.join(self._played) or 'none'}; {self._opened} connections, {observer.lines} lines, "
            f"{observer.captures} captures, {observer.live_poses} live poses",
            "images, pairs and result were made up: this says nothing about a calibration",
        ]
        name = self._station.station.name
        return Verdict(f"Robot program against the stand-in for the daemon of {name}", facts, observer.finish())

    # Connections.

    async def _listen(self) -> None:
        host, port = split_host_port(self._station.robot.listen or "")
        try:
            self._server = await asyncio.start_server(self._on_connection, host, port)
        except OSError as fault:
            raise MachineFault(
                "listen-port",
                f"{host}:{port}, the [robot] listen of the station file, cannot be opened: {fault.strerror}",
                "end the daemon or the program that uses the port, or use a copy of the station file.",
                host=host,
                port=port,
            ) from fault

    async def _dial_forever(self, host: str, port: int) -> None:
        while True:
            if not self._is_down:
                with contextlib.suppress(OSError):
                    reader, writer = await asyncio.open_connection(host, port)
                    await self._serve(reader, writer)
            await asyncio.sleep(_REDIAL_S)

    async def _on_connection(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        current = asyncio.current_task()
        if current is not None:
            self._tasks.add(current)
            current.add_done_callback(self._tasks.discard)
        peer = str((writer.get_extra_info("peername") or ("?",))[0])
        if not self._station.robot.allows(peer):
            self._print_line(f"{peer} is not in [robot] allow of the station file: 46")
            writer.write(encode(_NOT_ALLOWED, False, b"\n"))
            writer.close()
            return
        with contextlib.suppress(asyncio.CancelledError, OSError):
            await self._serve(reader, writer)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._opened += 1
        peer = self._peers[self._opened] = _Peer(self._opened, writer)
        self.observer.connected(peer.number)
        self._print_line(f"connection {peer.number} opened")
        try:
            while peer.number in self._peers:
                data = await reader.read(_READ_BYTES)
                if not data:
                    break
                self._receive(peer, data)
        except OSError:
            pass
        finally:
            is_by_program = not peer.is_closed_here
            self._forget(peer)
            if is_by_program:
                self._print_line(f"connection {peer.number} closed by the program")
            writer.close()

    def _forget(self, peer: _Peer) -> None:
        if self._peers.pop(peer.number, None) is not None:
            self.observer.disconnected(peer.number, not peer.is_closed_here)
            self._session.happens(msg.Disconnected(peer.number))

    def _close(self, number: int) -> None:
        """Closes a connection from this side."""
        peer = self._peers.get(number)
        if peer is not None:
            peer.is_closed_here = True
            self._forget(peer)
            peer.writer.close()

    def _drop_all(self) -> None:
        for number in list(self._peers):
            self._close(number)

    # Lines.

    def _receive(self, peer: _Peer, data: bytes) -> None:
        for item in peer.splitter.feed(data):
            if isinstance(item, LateLineFeed):
                late = peer.endings.late_line_feed()
                if late:
                    peer.writer.write(late)
                continue
            self._receive_line(peer, item)
        if not peer.splitter.has_unfinished_line:
            peer.unfinished_since_s = None
        elif peer.unfinished_since_s is None:
            peer.unfinished_since_s = self._now_s()

    def _receive_line(self, peer: _Peer, item: Line | OverlongLine) -> None:
        raw = item.prefix if isinstance(item, OverlongLine) else item.content
        robot, count = self._station.robot, self._station.pose_format.field_count
        parsed: Parsed = overlong_fault(raw) if isinstance(item, OverlongLine) else parse(raw, count, robot.joint_count)
        if not self._has_begun:
            self._has_begun = True
            self._played.append(self._part.name)
        caller = Caller(peer.number, peer.endings.register(item.terminator))
        self.observer.whole()
        self.observer.line(peer.number, self._now_s(), parsed, len(raw))
        has_reply = parsed.has_reply if isinstance(parsed, LineFault) else VERBS[parsed.verb].has_reply
        if not has_reply:
            peer.endings.discard(caller.line_id)
            if isinstance(parsed, Request):
                self._session.request(caller, parsed)
            return
        peer.inbox.append((caller, parsed, raw))
        self._serve_next(peer)

    def _serve_next(self, peer: _Peer) -> None:
        if peer.current is not None or not peer.inbox:
            return
        peer.current = caller, parsed, _ = peer.inbox.popleft()
        if isinstance(parsed, LineFault):
            self._session.happens(msg.LineRejected(caller, parsed))
        elif parsed.verb == "capture" and self._trouble_of(parsed.seq or 0) is Trouble.LINE_FAULT:
            # As if the station file stated another pose format: nothing is recorded.
            fault = LineFault(Code.WRONG_FIELD_COUNT, parsed.seq or 0, "as scripted", parsed.bracketed, parsed.verb)
            self._session.happens(msg.LineRejected(caller, fault))
        else:
            self._session.request(caller, parsed)

    def _trouble_of(self, seq: int) -> Trouble:
        """What is scripted for the capture with this number; the next one of the part for a new number."""
        if seq not in self._troubles:
            self._troubles[seq] = self._pending_troubles.popleft() if self._pending_troubles else Trouble.NONE
        return self._troubles[seq]

    def _watch_line_endings(self) -> None:
        for peer in self._peers.values():
            since_s = peer.unfinished_since_s
            if since_s is not None and self._now_s() - since_s > _LINE_TIMEOUT_S:
                size_bytes = peer.splitter.buffered_bytes
                self.observer.unterminated(size_bytes)
                self._print_line(f"connection {peer.number}: {size_bytes} bytes without a line ending")
                peer.unfinished_since_s = None

    # Replies.

    def _on_reply(self, command: msg.SendReply) -> None:
        peer = self._peers.get(command.caller.connection)
        if peer is None or peer.current is None:
            return
        _, parsed, raw = peer.current
        reply = command.reply
        trouble = self._trouble_of_reply(parsed, reply)
        data = encode(reply, command.bracketed, peer.endings.ending_for(command.caller.line_id))
        shown = clean_line(raw[:_SHOWN_CHARACTERS].decode("ascii", "replace"))
        note = "" if trouble in (Trouble.NONE, Trouble.REFUSED) else f"   [{trouble.value}]"
        if isinstance(parsed, LineFault):
            note = f"   [{parsed.message}]"
        self._print_line(f"  {shown}  ->  {data.decode('ascii').strip()}{note}")
        if trouble is Trouble.LATE and isinstance(parsed, Request):
            self.observer.late(parsed)
            self._later(self._times.late_s, lambda: self._deliver(peer, parsed, reply, trouble, data))
        else:
            self._deliver(peer, parsed, reply, trouble, data)

    def _trouble_of_reply(self, parsed: Parsed, reply: Reply) -> Trouble:
        """The fault of the first final reply to a capture; others are sent as they are."""
        if not isinstance(parsed, Request) or parsed.verb != "capture" or not reply.code.is_final:
            return Trouble.NONE
        seq = parsed.seq or 0
        if seq in self._done or seq not in self._troubles:
            return Trouble.NONE
        self._done.add(seq)
        return self._troubles[seq]

    def _deliver(self, peer: _Peer, parsed: Parsed, reply: Reply, trouble: Trouble, data: bytes) -> None:
        if peer.number not in self._peers:
            return
        now_s, half = self._now_s(), max(1, len(data) // 2)
        until_s = now_s
        match trouble:
            case Trouble.LOST | Trouble.DROPPED | Trouble.RESTARTED:
                pass
            case Trouble.CUT:
                peer.writer.write(data[:half])
            case Trouble.DOUBLED:
                peer.writer.write(data + data)
            case Trouble.FRAGMENTED:
                fragments = [data[:1], data[1:half], data[half:]]
                for number, fragment in enumerate(fragments):
                    self._later(number * self._times.fragment_s, functools.partial(peer.writer.write, fragment))
                until_s += (len(fragments) - 1) * self._times.fragment_s
            case _:
                peer.writer.write(data)
        self.observer.replied(peer.number, now_s, parsed, reply, trouble, until_s)
        if trouble in (Trouble.CUT, Trouble.DROPPED):
            self._close(peer.number)
        elif trouble is Trouble.RESTARTED:
            self._restart()
        else:
            self._later(until_s - now_s, lambda: self._next(peer))

    def _next(self, peer: _Peer) -> None:
        peer.current = None
        self._serve_next(peer)

    def _restart(self) -> None:
        """The daemon goes down, and comes up again from its record."""
        self._drop_all()
        self._is_down = True
        if self._server is not None:
            self._server.close()
        self._print_line(f"the daemon is down for {self._times.down_s:.0f} s")
        self._later(self._times.down_s, self._start_again)

    def _start_again(self) -> None:
        async def start_again() -> None:
            if self._server is not None:
                await self._listen()
            self._session.restart()
            self._is_down = False
            self._print_line("the daemon is up again")

        task = asyncio.get_running_loop().create_task(start_again())
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def _later(self, seconds: float, action: Callable[[], None]) -> None:
        asyncio.get_running_loop().call_later(seconds, action)

    @staticmethod
    def _now_s() -> float:
        return time.monotonic()
