"""What a script meets: a daemon that replies by a plan through the real parser and encoder, an operator, an arm."""

from __future__ import annotations

import select
import socket
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from eyebolt.geometry import PoseFormat
from eyebolt.protocol import (
    Code,
    LateLineFeed,
    Line,
    LineSplitter,
    Reply,
    Request,
    encode,
    parse,
    printed_pose,
    zero_numbers,
)
from support.robot_languages.interpreter import LanguageError, ProgramEnded, ScriptError

RESULT: Mapping[str, tuple[float, ...]] = {
    "mm": (-1234.567, 234.5, -0.004, -178.9012, 89.5, -0.0003),
    "m": (-1.234567, 0.2345, -0.000004, -3.141592, 1.5, -0.000003),
    "um": (-1234567, 234500, -4, -1789012, 895000, -3),
    "quaternion": (-1234.567, 234.5, -0.004, -0.70711, 0.5, -0.5, 0.00001),
    "angle-z": (-1234.567, 234.5, -0.004, -178.9012),
}
"""An accepted transform in the numbers of a pose format, by its unit or rotation."""


@dataclass
class Plan:
    """What the daemon replies."""

    open_session: tuple[int, int] = (900, 0)
    """The last number in use and the pairs kept, before the script's first line: three digits from there on."""
    last_code: int = 0
    """Reply to ``again`` under that number."""
    hello: Sequence[int] = (0,)
    """Codes of ``hello`` in turn; the last one again and again."""
    captures: Sequence[int] = ()
    """Codes of the captures and checks in turn; 0 afterwards. 10 to 19: ``again`` gets the next one."""
    pairs: int = 4
    """Pairs wanted in all."""
    solve: int = 0
    """Code of ``solve``."""
    others: Mapping[str, Sequence[int]] = field(default_factory=dict)
    """Codes of other verbs in turn; 0 afterwards."""
    lost: Sequence[int] = ()
    """Numbers of the lines, from 0, whose reply is lost; -1: every line."""
    doubled: Sequence[int] = ()
    """Numbers of the lines whose reply comes twice."""
    cut: Sequence[int] = ()
    """Numbers of the lines at whose end the connection is lost, noticed at once."""
    closed: Sequence[int] = ()
    """Numbers of the lines behind which the connection is closed in place of a reply."""


class Daemon:
    """Replies to lines by a plan. A malformed line, or one whose number does not follow, is an error of the script."""

    def __init__(self, pose_format: PoseFormat, plan: Plan) -> None:
        self.pose_format = pose_format
        self.plan = plan
        self.lines: list[str] = []
        self.requests: list[Request] = []
        self.replies: list[bytes] = []
        self.kept = plan.open_session[1]
        self.last_seq = plan.open_session[0]
        self.stored: dict[int, tuple[str, Reply]] = {}
        self.pending = list(plan.captures)
        self.hellos = list(plan.hello)
        self.others = {verb: list(codes) for verb, codes in plan.others.items()}

    def reply(self, line: Line) -> Reply | None:
        """The reply to one line; None to a live pose."""
        request = parse(line.content, self.pose_format.field_count)
        if not isinstance(request, Request):
            raise ScriptError(f"the daemon refuses the line: {request.message}: {line.content!r}")
        self.lines.append(line.content.decode("ascii"))
        self.requests.append(request)
        if request.verb == "pose":
            return None
        seq = request.seq or 0
        if request.verb in ("capture", "check", "begin", "solve", "bye"):
            if seq in self.stored:
                assert self.stored[seq][0] == request.text, "another line under the same number"
                return self.stored[seq][1]
            assert seq == self.last_seq + 1, f"{seq} follows {self.last_seq}"
            self.last_seq = seq
            self.stored[seq] = (request.text, self._recorded(request.verb, seq))
            return self.stored[seq][1]
        return self._unrecorded(request, seq)

    def _next(self, verb: str) -> int:
        return self.others[verb].pop(0) if self.others.get(verb) else 0

    def _recorded(self, verb: str, seq: int) -> Reply:
        if verb in ("capture", "check"):
            code = self.pending.pop(0) if self.pending else 0
            if Code(code).is_success and verb == "capture":
                self.kept += 1
        elif verb == "solve":
            return Reply(Code(self.plan.solve), seq, self.kept, 999_999)
        else:
            code = self._next(verb)
        return Reply(Code(code), seq, self.kept, self.wanted)

    @property
    def wanted(self) -> int:
        return max(self.plan.pairs - self.kept, 0)

    def _unrecorded(self, request: Request, seq: int) -> Reply:
        if request.verb == "hello":
            code = self.hellos.pop(0) if len(self.hellos) > 1 else self.hellos[0]
            return Reply(Code(code), seq, self.kept, self.last_seq)
        if request.verb == "again":
            code = self.pending.pop(0) if seq in self.stored and self.pending else 0
            if seq not in self.stored:
                code = self.plan.last_code
            elif Code(code).is_success:
                self.kept += 1
            return Reply(Code(code), seq, self.kept, self.wanted)
        if request.verb == "result":
            return self._result(request, seq)
        assert request.verb == "status", request.verb
        return Reply(Code(0), seq, self.kept, self.wanted)

    def _result(self, request: Request, seq: int) -> Reply:
        self.last_seq = seq  # the scripts number it too
        code = Code(self._next("result"))
        pose = self.pose_format
        kind = "quaternion" if pose.is_quaternion else pose.rotation if pose.rotation in RESULT else pose.length
        numbers = printed_pose(RESULT[kind], pose.decimals)
        if request.numbers:
            first, amount = int(request.numbers[0]), int(request.numbers[1])
            numbers = numbers[first - 1 : first - 1 + amount]
        return Reply(code, seq, 0, 0, numbers if code.is_success else zero_numbers(len(numbers)))


class Cell:
    """A host for a script: the network to a daemon, an operator who gives ``answers`` in turn, an arm at ``pose``."""

    def __init__(self, daemon: Daemon, pose: Sequence[float], answers: Sequence[int] = ()) -> None:
        self.daemon = daemon
        self.poses: Callable[[], Sequence[float]] = lambda: pose
        self.answers = list(answers)
        self.asked: list[str] = []
        self.told: list[str] = []
        self.moves: list[str] = []
        self.places: list[int] = []
        """How many moves precede each line."""
        self.waited_s = 0.0
        self.opened = 0
        self.refuses = False
        """Whether connecting fails."""
        self.most_lines: int | None = None
        """The program is ended at the line after so many, those of ``hello`` not counted, or ten more in all."""
        self.chunk = 7
        """At most so many characters arrive at once."""
        self._splitter: LineSplitter | None = None
        self._incoming = ""
        self._sent = ""

    def open(self) -> bool:
        if len(self.moves) + self.opened > 200:
            raise ProgramEnded
        self.opened += 1
        if self.refuses:
            self.waited_s += 1
            return False
        self._splitter, self._incoming, self._sent = LineSplitter(), "", ""
        return True

    def close(self) -> None:
        self._splitter = None

    def send(self, text: str) -> None:
        if self._splitter is None:
            raise LanguageError("not connected")
        for item in self._splitter.feed(text.encode("ascii")):
            if isinstance(item, LateLineFeed):
                continue
            assert isinstance(item, Line)
            number = len(self.daemon.lines)
            others = sum(request.verb != "hello" for request in self.daemon.requests)
            if self.most_lines is not None and (others == self.most_lines or number == self.most_lines + 10):
                raise ProgramEnded
            self.places.append(len(self.moves))
            reply = self.daemon.reply(item)
            if number in self.daemon.plan.cut:
                self._splitter = None
                raise LanguageError("connection lost")
            if number in self.daemon.plan.closed:
                self._splitter = None
                return
            if reply is None or number in self.daemon.plan.lost or -1 in self.daemon.plan.lost:
                continue
            encoded = encode(reply, self.daemon.requests[-1].bracketed, item.terminator)
            self.daemon.replies.append(encoded)
            self._incoming += encoded.decode("ascii") * (2 if number in self.daemon.plan.doubled else 1)

    def receive(self, most: int) -> str | None:
        if not self._incoming:
            self.waited_s += 10
            return None
        part = self._incoming[: min(most, self.chunk)]
        self._incoming = self._incoming[len(part) :]
        return part

    def waiting(self) -> int:
        return len(self._incoming) if self._splitter is not None else -1

    def peek(self) -> str:
        return self._incoming

    def ask(self, question: str) -> int:
        self.asked.append(question)
        if not self.answers:
            raise ProgramEnded
        return self.answers.pop(0)

    def tell(self, text: str) -> None:
        self.told.append(text)

    def move(self, target: str) -> None:
        self.moves.append(target)

    def wait(self, seconds: float) -> None:
        self.waited_s += seconds

    def pose(self) -> Sequence[float]:
        return self.poses()


class NetworkCell:
    """A host for a script that connects to a daemon on this computer; ``stand_at`` is told the number of each move."""

    def __init__(
        self, port: int, pose: Callable[[int], Sequence[float]], stand_at: Callable[[int], None], answers: Sequence[int]
    ) -> None:
        self._port, self._pose, self._stand_at, self._answers = port, pose, stand_at, list(answers)
        self._socket: socket.socket | None = None
        self.moves = -1
        self.told: list[str] = []

    def open(self) -> bool:
        self.close()
        self._socket = socket.create_connection(("127.0.0.1", self._port), timeout=10)
        return True

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
        self._socket = None

    def send(self, text: str) -> None:
        assert self._socket is not None
        self._socket.sendall(text.encode("ascii"))

    def receive(self, most: int) -> str | None:
        if self._socket is None:
            return None
        return self._socket.recv(most).decode("ascii") or None

    def waiting(self) -> int:
        if self._socket is None:
            return -1
        readable, _, _ = select.select([self._socket], [], [], 0.05)
        return len(self._socket.recv(100, socket.MSG_PEEK)) or -1 if readable else 0

    def peek(self) -> str:
        if self.waiting() <= 0 or self._socket is None:
            return ""
        return self._socket.recv(200, socket.MSG_PEEK).decode("ascii")

    def ask(self, question: str) -> int:
        if not self._answers:
            raise ProgramEnded
        return self._answers.pop(0)

    def tell(self, text: str) -> None:
        self.told.append(text)

    def move(self, target: str) -> None:
        self.moves += 1
        self._stand_at(self.moves)

    def wait(self, seconds: float) -> None:
        time.sleep(min(seconds, 0.02))

    def pose(self) -> Sequence[float]:
        return self._pose(self.moves)
