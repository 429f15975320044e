"""Random sessions on disturbed lines, with restarted robot programs and daemons, compared with an undisturbed one.

The robot's side is a program that knows the protocol's rules of recovery and nothing of the disturbances: after a
broken connection, a silence or a restart it says hello, asks for its last request and goes on. Requests have fixed
numbers, as in a program whose waypoints are numbered.
"""

from __future__ import annotations

import contextlib
import json
import random
import select
import shutil
import socket
import struct
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from pathlib import Path
from typing import Any

from eyebolt.session import ReplyFact, decode_facts, fold
from eyebolt.store import SessionFolder, list_sessions
from support.daemon_process import free_ports
from support.prepared_daemon import PreparedCell, PreparedDaemon, Solves
from support.processes import Patience

CAPTURES = 6
# The first waypoint again, and one without a capture.
CHECKED = (0, 6)
POSES = 7
# A daemon's final codes for these sessions: kept, kept with advice, and no fault of the line.
SUCCESS, LINE_FAULTS = range(10), range(40, 50)
WORKING, NOT_NOW, UNKNOWN = 10, 45, 43
_POLL_S = 0.01
_RESET_ON_CLOSE = struct.pack("ii", 1, 0)


class Mishap(StrEnum):
    """What can happen to one request."""

    SPLIT = "line in pieces"
    """the line arrives in several segments"""
    DOUBLED = "line twice"
    """the line arrives twice in one segment"""
    GLUED = "glued to others"
    """the line arrives in one segment with live poses and a status before it"""
    CUT = "cut line"
    """the connection is reset or closed in the middle of the line"""
    BEGUN = "line begun twice"
    """the beginning of the line arrives, and then the line, without an ending between them"""
    LINE_LOST = "line lost"
    """the line never leaves; the robot waits in vain and sends it again"""
    REPLY_LOST = "reply lost"
    """the reply is overwritten before it is read; the robot asks again"""
    RESET = "reset"
    """the connection is reset after the line"""
    CLOSED = "closed"
    """the connection is closed in order after the line, and the reply not read"""
    HALF_OPEN = "half-open"
    """the robot opens another connection; the old one stays open and is never read again"""
    LATE = "late line"
    """on a half-open connection the line arrives once more, after it was served on the new one"""
    PROGRAM = "program restarted"
    """the robot program is restarted without memory, while its request is served"""
    STOPPED = "daemon stopped"
    """the daemon is stopped in order and started again, while the request is served"""
    KILLED = "daemon killed"
    """the daemon's loop is ended at once and started again, while the request is served"""


class _BrokenError(Exception):
    """The connection has ended."""


class _RestartedError(Exception):
    """The robot program is restarted."""


@dataclass
class DisturbedSession:
    """What one session came to."""

    pairs: Sequence[tuple[object, ...]]
    """of each kept capture and check: verb, seq, numbers of the pose, corners"""
    replies: list[tuple[int, int, int, int]]
    """seq, code, count, aux of every recorded reply, by seq"""
    result: dict[str, Any]
    """result.json without names and times"""
    handed_out: str
    """reply to ``result``"""
    sessions: int = 1
    """sessions on record"""
    mishaps: Counter[Mishap] = field(default_factory=Counter)
    """how often each happened"""
    is_dialled: bool = False
    """the daemon dialled the controller"""

    def differences(self, other: DisturbedSession) -> list[str]:
        """What differs from ``other``."""
        names = ("sessions", "pairs", "replies", "result", "handed_out")
        return [name for name in names if getattr(self, name) != getattr(other, name)]


class Robot:
    """The program; mishaps are drawn from ``rng`` with ``rate`` per request on average."""

    def __init__(self, daemon: PreparedDaemon, cell: PreparedCell, rng: random.Random, rate: float) -> None:
        self.mishaps: Counter[Mishap] = Counter()
        self._daemon, self._cell, self._rng, self._rate = daemon, cell, rng, rate
        self._address = ("127.0.0.1", daemon.port)
        # A controller that can only wait for a connection.
        self._listener = socket.create_server(self._address) if daemon.context.station.robot.dial else None
        self._socket: socket.socket | None = None
        self._abandoned: list[socket.socket] = []
        self._received = b""
        self._ending = b"\n"
        self._requests = self._plan()
        # What a controller keeps in a register through a restart of its program.
        self._has_sent_bye = False

    def run(self) -> str:
        """The whole session; the reply to ``result``."""
        done = 0
        self._connect()
        while done < len(self._requests):
            try:
                self._perform(done)
                done += 1
            except _RestartedError:
                done = self._requests_done()
        reply = self._exchange("result 0", 0)
        self.close()
        return ",".join(reply)

    def close(self) -> None:
        """Closes all connections."""
        for connection in (self._socket, self._listener, *self._abandoned):
            if connection is not None:
                connection.close()
        self._socket, self._listener, self._abandoned = None, None, []

    def _plan(self) -> list[tuple[str, int | None]]:
        """The requests in order; request k has the number k + 1: its line, and the pose where the robot stands."""
        at = [("capture", index) for index in range(CAPTURES)] + [("check", index) for index in CHECKED]
        lines = [(f"{verb} {seq} {self._cell.pose(index)}", index) for seq, (verb, index) in enumerate(at, 2)]
        last = len(lines) + 2
        return [("begin 1", None), *lines, (f"solve {last}", None), (f"bye {last + 1}", None)]

    def _perform(self, number: int) -> None:
        """One request until its final reply is known."""
        line, pose = self._requests[number]
        if pose is not None:
            self._daemon.stands_at = pose
        self._has_sent_bye = self._has_sent_bye or line.startswith("bye")
        seq = number + 1
        mishaps = [self._rng.choice(list(Mishap)) for _ in range(self._draw_count())]
        reply = self._disturbed(line, seq, mishaps)
        while int(reply[0]) not in SUCCESS:
            time.sleep(_POLL_S)
            code = int(reply[0])
            if code == WORKING:
                reply = self._exchange(f"again {seq}", seq)
            elif code in (NOT_NOW, UNKNOWN):
                # Work of before the reconnection, or the daemon never got the line: send it again.
                reply = self._exchange(line, seq)
            else:
                raise AssertionError(f"{line!r} is answered {','.join(reply)} after {mishaps}")

    def _draw_count(self) -> int:
        count = 0
        while self._rng.random() < self._rate / (1 + self._rate):
            count += 1
        return count

    def _disturbed(self, line: str, seq: int, mishaps: list[Mishap]) -> list[str]:
        """Sends the line through all ``mishaps``, then until a reply to it is read."""
        for mishap in mishaps:
            if mishap is Mishap.PROGRAM and self._has_sent_bye:
                # A program that lost its place after bye begins another session: that is a person's to see.
                continue
            self.mishaps[mishap] += 1
            try:
                self._suffer(mishap, self._spelled(line), seq)
            except (_BrokenError, OSError):
                self._connect()
        if self._rng.random() < 0.3:
            return self._exchange(f"again {seq}", seq)
        return self._exchange(line, seq)

    def _suffer(self, mishap: Mishap, data: bytes, seq: int) -> None:
        rng = self._rng
        match mishap:
            case Mishap.SPLIT:
                # Now and then between CR and LF.
                places = [len(data) - 1] if rng.random() < 0.3 else range(1, len(data))
                cuts = sorted(rng.sample(places, min(3, len(places))))
                for begin, end in zip([0, *cuts], [*cuts, len(data)], strict=True):
                    self._send(data[begin:end])
                    self._pause()
                self._reply_to(seq)
            case Mishap.DOUBLED:
                self._send(data * 2)
                self._reply_to(seq)
            case Mishap.GLUED:
                pose = b"pose " + self._cell.pose(self._daemon.stands_at).encode("ascii") + self._ending
                self._send(pose * rng.randrange(3) + b"status 999" + self._ending + data)
                self._reply_to(seq)
            case Mishap.CUT:
                self._send(data[: rng.randrange(1, len(data) - len(self._ending))])
                self._reset() if rng.random() < 0.5 else self._connect()
            case Mishap.BEGUN:
                # More than a bracket, which would be none of the line's fault.
                self._send(data[: rng.randrange(2, len(data) - len(self._ending))] + data)
                while int(self._line().strip("()").split(",")[0]) not in LINE_FAULTS:
                    # Replies that came too late.
                    pass
            case Mishap.LINE_LOST:
                # The robot's time limit passes.
                time.sleep(0.002)
            case Mishap.REPLY_LOST:
                self._send(data)
                if rng.random() < 0.5:
                    self._reply_to(seq)
                self._received = b""
            case Mishap.RESET:
                self._send(data)
                self._pause()
                self._reset()
            case Mishap.CLOSED:
                self._send(data)
                self._connected.close()
                self._connect()
            case Mishap.HALF_OPEN:
                self._send(data)
                self._pause()
                self._abandon()
            case Mishap.LATE:
                self._send(data)
                self._abandon()
                self._reply_to_again(seq)
                with contextlib.suppress(OSError, IndexError):
                    self._abandoned[-1].sendall(data)
            case Mishap.PROGRAM:
                self._send(data)
                self._pause()
                self._reset() if rng.random() < 0.5 else self._abandon()
                raise _RestartedError
            case Mishap.STOPPED | Mishap.KILLED:
                self._send(data)
                self._pause()
                (self._daemon.stop if mishap is Mishap.STOPPED else self._daemon.kill)()
                self._daemon.start()
                self._connect()

    def _reply_to_again(self, seq: int) -> None:
        self._send(f"again {seq}".encode("ascii") + self._ending)
        self._reply_to(seq)

    def _pause(self) -> None:
        """Up to some steps of the work on a request."""
        time.sleep(self._rng.choice([0.0, 0.001, 0.004, 0.01, 0.03]))

    def _requests_done(self) -> int:
        """Of a program without memory: how many requests are done, after the last one has its reply."""
        reply = self._exchange("hello 0", 0)
        last = int(reply[3])
        while last and int((reply := self._exchange(f"again {last}", last))[0]) == WORKING:
            time.sleep(_POLL_S)
        if not last or int(reply[0]) in SUCCESS:
            return last
        raise AssertionError(f"again {last} after a restart is answered {','.join(reply)}")

    # Lines and connections.

    @property
    def _connected(self) -> socket.socket:
        if self._socket is None:
            raise _BrokenError
        return self._socket

    def _connect(self) -> None:
        """A new connection that holds the station; the daemon may just be starting."""
        patience = Patience()
        while True:
            if self._socket is not None:
                self._socket.close()
            try:
                self._socket = self._open(patience)
                self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._received, self._ending = b"", self._rng.choice([b"\n", b"\r", b"\r\n"])
                self._send(b"hello 0" + self._ending)
                self._reply_to(0)
                return
            except (OSError, _BrokenError):
                assert not patience.is_over(), f"no connection to {self._address}"
                time.sleep(_POLL_S)

    def _open(self, patience: Patience) -> socket.socket:
        if self._listener is None:
            return socket.create_connection(self._address)
        # What waits in the backlog may be a connection of a daemon that has ended.
        while not select.select([self._listener], [], [], 0.2)[0]:
            assert not patience.is_over(), "the daemon does not dial"
        return self._listener.accept()[0]

    def _reset(self) -> None:
        self._connected.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET_ON_CLOSE)
        self._connected.close()
        self._connect()

    def _abandon(self) -> None:
        if self._listener is not None:
            # The daemon has one connection to a controller that it dials: its program has to close it.
            self._reset()
            return
        self._abandoned.append(self._connected)
        self._socket = None
        self._connect()

    def _exchange(self, line: str, seq: int) -> list[str]:
        """Sends the line, on a new connection if need be, until a reply to its number is read."""
        while True:
            try:
                self._send(self._spelled(line))
                return self._reply_to(seq)
            except (OSError, _BrokenError):
                self._connect()

    def _spelled(self, line: str) -> bytes:
        """The line with its ending, its numbers printed and separated as the branch of the program happens to do."""
        verb, *numbers = line.split(" ")
        match self._rng.randrange(4):
            case 0:
                numbers = [f"{float(number):.12g}" for number in numbers]
            case 1:
                numbers = [numbers[0], *(f"{float(number):.9e}" for number in numbers[1:])]
        text = self._rng.choice([" ", ",", ", "]).join([verb, *numbers])
        if self._rng.random() < 0.2:
            text = f"({text})"
        return text.encode("ascii") + self._ending

    def _send(self, data: bytes) -> None:
        self._connected.sendall(data)

    def _reply_to(self, seq: int) -> list[str]:
        """The next reply with this number; others came too late and are passed over."""
        while True:
            fields = self._line().strip("()").split(",")
            if int(fields[1]) == seq:
                return fields

    def _line(self) -> str:
        patience = Patience()
        while True:
            # Each reply ends as its line did, also if the LF of a CR LF arrived late.
            line, ending, rest = self._received.partition(self._ending)
            if ending:
                assert line.strip(b"\r\n") == line, f"{line!r} has another ending than {self._ending!r}"
                self._received = rest
                return line.decode("ascii")
            if select.select([self._connected], [], [], 0.2)[0]:
                data = self._connected.recv(4096)
                if not data:
                    raise _BrokenError
                self._received += data
            assert not patience.is_over(), "the daemon does not reply"


class Disturber:
    """Runs disturbed sessions in one cell; solves are shared between them."""

    def __init__(self, mount: str, cell_seed: int) -> None:
        self.cell = PreparedCell.draw(mount, POSES, cell_seed)
        self._solves: Solves = {}
        self._undisturbed: DisturbedSession | None = None

    @property
    def undisturbed(self) -> DisturbedSession:
        """The session without mishaps."""
        if self._undisturbed is None:
            self._undisturbed = self.run(random.Random(0), 0.0)
        return self._undisturbed

    def run(self, rng: random.Random, rate: float) -> DisturbedSession:
        """One session in a record folder of its own, with ``rate`` mishaps per request on average."""
        place = Path(tempfile.mkdtemp(prefix="eyebolt-disturbed-"))
        try:
            # How long an unfinished request goes without a reply: 0 has the robot poll for each of them.
            wait_s = rng.choice([0.0, 0.01, 1.4])
            way = rng.choice(["listen", "listen", "dial"])
            station = self.cell.station(
                place,
                CAPTURES,
                connection=f'{way} = "127.0.0.1:{free_ports(1)[0]}"',
                robot_lines=[f"reply_wait_s = {wait_s}"],
            )
            # Threads draw from it in any order.
            slow = random.Random(rng.random())
            delays_s = [0.0, 0.0, 0.005, 0.02] if rate else [0.0]
            with PreparedDaemon(self.cell, station, self._solves, lambda: time.sleep(slow.choice(delays_s))) as daemon:
                robot = Robot(daemon, self.cell, rng, rate)
                try:
                    handed_out = robot.run()
                finally:
                    robot.close()
            return replace(self._read(place, handed_out, robot.mishaps), is_dialled=way == "dial")
        finally:
            shutil.rmtree(place)

    def _read(self, place: Path, handed_out: str, mishaps: Counter[Mishap]) -> DisturbedSession:
        sessions = list_sessions(place / "sessions")
        facts = decode_facts(SessionFolder.open_read_only(sessions[-1]).records)
        log = fold(facts)
        assert log is not None
        replies = {fact.request.seq: fact for fact in facts if isinstance(fact, ReplyFact)}
        pairs = [
            (capture.verb, capture.request.seq, capture.image.raw_pose, capture.detection_fact)
            for capture in (*log.kept, *log.checks)
        ]
        document = json.loads((sessions[-1] / "result.json").read_text(encoding="utf-8"))
        for name in ("session", "timestamp", "accepted", "software", "inputs"):
            document.pop(name, None)
        return DisturbedSession(
            pairs,
            [(seq, int(fact.code), fact.count, fact.aux) for seq, fact in sorted(replies.items())],
            document,
            handed_out,
            len(sessions),
            mishaps,
        )
