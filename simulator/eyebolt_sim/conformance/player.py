"""Plays transcripts to a running daemon, and judges each reply by the rules that it shows.

What happens to the cell in a transcript (no board, a full disk) cannot be made to happen at a running daemon: its lines
are played all the same, and the outcome is taken as it comes (``expected``). A restart is played as a new connection.
"""

from __future__ import annotations

import contextlib
import re
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path

from eyebolt.context import load_station
from eyebolt.deadline import Deadline
from eyebolt.errors import InputFault, MachineFault
from eyebolt.protocol import LateLineFeed, LineFault, LineSplitter, OverlongLine, Request, overlong_fault, parse
from eyebolt_sim.conformance.expected import Answer, Conversation, Expectation
from eyebolt_sim.conformance.rewrite import FORMATS_BY_COUNT, TRANSCRIPT_FORMAT, rewrite_line
from eyebolt_sim.conformance.rules import Rule
from eyebolt_sim.conformance.transcript import Directive, Exchange, transcript_files, transcript_steps
from eyebolt_sim.conformance.wire import Wire
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.verdict import RuleVerdict, Verdict

DEFAULT_REPLY_WAIT_S = 1.4
# Of this computer and the network, beyond the time that the daemon has.
_REPLY_GRACE_S = 0.4
_NO_REPLY_AFTER_S = 5.0
_FINAL_WITHIN_S = 30.0
_POLL_S = 0.5
_CLOSED_WITHIN_S = 2.0
_UNASKED_WITHIN_S = 0.1
_REPLY = re.compile(rb"\(?([0-9]{1,2}),([0-9]+)((?:,-?[0-9]+(?:\.[0-9]+)?)+)\)?")
_MAX_COUNT_REPLY_CHARACTERS = 32
_POSE_RANGE_PROBE = 1e12
_REMEDY = "compare with the wire specification: README of eyebolt.protocol, and the line of the transcript"


class Way(Enum):
    """How the bytes of the lines are cut."""

    LINES = "whole lines"
    BYTES = "single bytes"
    MERGED = "merged lines"


_WAY_RULES = {Way.BYTES: (Rule.SINGLE_BYTES,), Way.MERGED: (Rule.MERGED,)}


@dataclass(frozen=True)
class Line:
    """A line of a transcript, for this station."""

    data: bytes
    """With its ending."""
    ending: bytes
    """Of the line, and so of its reply."""
    parsed: Request | LineFault
    """As the protocol reads it."""
    place: str
    """File, number and text, for messages."""
    stated_code: int | None
    """Code of the reply in the transcript; None where there is no reply."""
    is_slow: bool
    """In the transcript a new request that may be answered 10."""


@dataclass(frozen=True)
class Target:
    """The daemon under test."""

    host: str
    port: int
    pose_format: PoseFormat | None = None
    """Of its station; None: only the count of its numbers is found out."""
    joint_count: int | None = None
    """Numbers behind a ``j``; None: any."""
    reply_wait_s: float = DEFAULT_REPLY_WAIT_S
    """[robot] reply_wait_s of its station."""


class _PlayAbandonedError(Exception):
    """A reply is missing: what follows cannot be judged."""


@dataclass
class ConformanceKit:
    """Plays transcripts; ``verdict`` is what they have shown so far."""

    target: Target
    on_play: Callable[[str], None]
    """Receives the name of each transcript and way as it begins."""
    rules: dict[Rule, RuleVerdict] = field(
        default_factory=lambda: {rule: RuleVerdict(rule.text, _REMEDY, rule.not_tried) for rule in Rule}
    )
    """What was seen of each rule."""
    sessions: int = 0
    """Sessions that were opened and ended."""
    lines: int = 0
    """Lines that were sent."""
    _pose_format: PoseFormat = TRANSCRIPT_FORMAT
    _pose_field_count: int = 7
    _result_field_count: int = 7
    _way: Way = Way.LINES
    _codes: set[int] = field(default_factory=set)

    def prepare(self, may_disturb: bool) -> None:
        """Finds out the daemon's pose format, and that nobody is using it.

        Raises InputFault ``conform-in-use`` unless ``may_disturb``, and ``sim-refused`` if it does not admit this
        computer; MachineFault ``sim-no-daemon`` if it does not answer.
        """
        with contextlib.closing(self._open()) as wire:
            self._admit(self._ask(wire, "status 0"), may_disturb)
            hello = self._ask(wire, "hello 0")
            if hello.code != 0:
                raise _refused(hello, "hello 0")
            if hello.aux and not may_disturb:
                raise InputFault(
                    "conform-in-use",
                    f"a session is open, with {hello.count} pairs kept: playing would end it",
                    "finish it with the robot program, use another station, or end it here: --take-over.",
                )
            self._find_pose_format(wire)
            self._end_session(wire)

    def play(self, path: Path, way: Way) -> None:
        """Plays one transcript from its first line to its last, in sessions of its own."""
        self.on_play(f"{path.stem}, {way.value}")
        self._way = way
        wires: dict[int, Wire] = {}
        conversation = Conversation(self._pose_field_count, self._result_field_count)
        try:
            wires[1] = self._open()
            self._end_session(wires[1], conversation)
            current = 1
            for block in self._blocks(path, way):
                if isinstance(block, Directive):
                    current = self._heed(block.words, wires, current)
                    continue
                self._send(wires[current], b"".join(line.data for line in block))
                for number, line in enumerate(block):
                    is_timed = number == 0 and way is not Way.MERGED
                    self._judge_reply(wires, current, line, conversation, is_timed)
                self._poll_until_final(wires, current, block[-1], conversation)
        except _PlayAbandonedError:
            pass
        except MachineFault as fault:
            self._fail(Rule.NOTHING_UNASKED, f"{path.stem}, {way.value}: {fault.message}")
        finally:
            self.sessions += conversation.sessions
            for wire in wires.values():
                wire.close()

    def finish(self) -> None:
        """Tries the rules that need no session, and closes the last session."""
        with contextlib.closing(self._open()) as wire:
            wire.send(b"POST /x HTTP/1.1\r\nHost: cell\r\n\r\nhello 0\r\n")
            closed, answered = wire.ends_within(_CLOSED_WITHIN_S), wire.unasked()
            if closed and not answered:
                self._pass(Rule.FOREIGN)
            else:
                self._fail(Rule.FOREIGN, f"a web client got {answered[:60]!r} and was{'' if closed else ' not'} closed")
        with contextlib.closing(self._open()) as wire:
            self._end_session(wire)
        if any(20 <= code <= 29 for code in self._codes):
            self.rules[Rule.REFUSED].passes += 1
        for code, rule in ((31, Rule.CANNOT_RECORD), (3, Rule.GOAL_MET)):
            self.rules[rule].passes += code in self._codes

    def verdict(self) -> Verdict:
        """The page."""
        codes = ", ".join(str(code) for code in sorted(self._codes))
        facts = [
            f"poses of {self._pose_field_count} numbers; {self.lines} lines sent; codes of new requests: {codes}",
            f"{self.sessions} sessions were begun for this and ended; they remain in the daemon's record",
        ]
        title = f"Conformance of the daemon at {self.target.host}:{self.target.port}"
        return Verdict(title, facts, list(self.rules.values()))

    # The station.

    def _open(self) -> Wire:
        return Wire(self.target.host, self.target.port)

    def _ask(self, wire: Wire, text: str) -> Answer:
        """The reply to a line of the kit's own, which is not judged."""
        wire.send(text.encode("ascii") + b"\n")
        raw = wire.reply(b"\n", self._timeout_s)
        answer = None if raw is None else _parse_reply(raw)
        if answer is None:
            raise MachineFault(
                "sim-no-daemon",
                f"{self.target.host}:{self.target.port} answers {text!r} with {raw!r}, which is no reply",
                "check the address: another program may listen there.",
            )
        return answer

    def _admit(self, status: Answer, may_disturb: bool) -> None:
        if status.code == 46:
            raise _refused(status, "status 0")
        if status.code == 45 and not may_disturb:
            raise InputFault(
                "conform-in-use",
                f"a robot is connected to the daemon at {self.target.host}:{self.target.port}",
                "end the robot program, or disconnect it from here: --take-over.",
            )

    def _find_pose_format(self, wire: Wire) -> None:
        """The count of numbers in a pose is that for which a number too large is answered 43 instead of 41."""
        counts = [7, 6, 4]
        codes = {}
        for count in counts:
            codes[count] = self._ask(wire, f"capture 0 {_POSE_RANGE_PROBE:.0f}" + " 0" * (count - 1)).code
        found = [count for count in counts if codes[count] == 43]
        if len(found) != 1:
            raise InputFault(
                "conform-format",
                f"the daemon does not show how many numbers a pose has: poses of {codes} numbers get these codes",
                "a line is checked in the order 40, 42, 41, 43: see the wire specification.",
            )
        self._pose_field_count = found[0]
        self._pose_format = self.target.pose_format or FORMATS_BY_COUNT[found[0]]
        self._result_field_count = len(self._ask(wire, "result 0").numbers)

    def _end_session(self, wire: Wire, conversation: Conversation | None = None) -> None:
        """No session is open afterwards; ``conversation`` takes over what the replies show."""
        hello = self._ask(wire, "hello 0")
        if hello.code == 0 and hello.aux:
            seq = hello.aux + 1
            deadline = Deadline.after(_FINAL_WITHIN_S)
            hello = self._ask(wire, f"bye {seq}")
            while 10 <= hello.code <= 19 and not deadline.has_passed:
                time.sleep(_POLL_S)
                hello = self._ask(wire, f"again {seq}")
        if hello.code != 0:
            raise _refused(hello, "hello, bye")
        if conversation is not None:
            conversation.holder, conversation.kept = 1, hello.count

    @property
    def _timeout_s(self) -> float:
        return max(self.target.reply_wait_s, DEFAULT_REPLY_WAIT_S) + _NO_REPLY_AFTER_S

    # The transcript.

    def _blocks(self, path: Path, way: Way) -> Iterator[list[Line] | Directive]:
        """Directives, and the lines that are sent in one piece."""
        block: list[Line] = []
        for step in self._steps(path):
            if block and (way is not Way.MERGED or isinstance(step, Directive) or block[-1].is_slow):
                yield block
                block = []
            if isinstance(step, Directive):
                yield step
            else:
                block.append(step)
        if block:
            yield block

    def _steps(self, path: Path) -> Iterator[Line | Directive]:
        """The steps for this station. A replay of the transcript alone shows which requests are new in it."""
        alone = Conversation(7, 7)
        connection = 1
        for step in transcript_steps(path):
            if isinstance(step, Directive):
                words = step.words.split()
                if words[0] == "connection":
                    connection = int(words[1])
                yield step
                continue
            answer = _parse_reply(step.reply)
            parsed = parse_line(step.data, 7, None)
            expected = alone.expect(connection, parsed)
            if expected is not None and answer is not None:
                alone.heard(connection, parsed, expected, answer)
            is_slow = expected is not None and expected.is_new and parsed.verb != "begin"
            yield self._line(step, answer, is_slow)

    def _line(self, exchange: Exchange, answer: Answer | None, is_slow: bool) -> Line:
        content = exchange.data.rstrip(b"\r\n")
        ending = exchange.data[len(content) :]
        data = rewrite_line(content.decode("ascii"), self._pose_format).encode("ascii") + ending
        parsed = parse_line(data, self._pose_field_count, self.target.joint_count)
        return Line(data, ending, parsed, exchange.place, None if answer is None else answer.code, is_slow)

    def _heed(self, words: str, wires: dict[int, Wire], current: int) -> int:
        """The connection that lines go over from here on."""
        match words.split():
            case ["reconnect"] | ["restart"]:
                current = max(wires) + 1
            case ["connection", number]:
                current = int(number)
        if current not in wires:
            wires[current] = self._open()
        return current

    def _send(self, wire: Wire, data: bytes) -> None:
        unasked = wire.unasked()
        if unasked:
            self._fail(Rule.NOTHING_UNASKED, f"{unasked[:60]!r} came without a line")
        wire.send(data, one_by_one=self._way is Way.BYTES)

    # Replies.

    def _judge_reply(
        self, wires: dict[int, Wire], current: int, line: Line, conversation: Conversation, is_timed: bool
    ) -> None:
        self.lines += 1
        expected = conversation.expect(current, line.parsed, line.stated_code)
        wire, place, older = wires[current], f"{line.place} ({self._way.value})", conversation.holder
        if expected is None:
            if self._way is not Way.MERGED and wire.ends_or_speaks_within(_UNASKED_WITHIN_S):
                self._fail(Rule.NOTHING_UNASKED, f"{place}: answered {wire.unasked()[:60]!r}")
            return
        begun = time.monotonic()
        raw = wire.reply(line.ending, self._timeout_s)
        if raw is None:
            what = "the connection was closed" if wire.is_closed else f"no reply within {self._timeout_s:.0f} s"
            for rule in (Rule.NOTHING_UNASKED, *expected.rules, *_WAY_RULES.get(self._way, ())):
                self._fail(rule, f"{place}: {what}")
            raise _PlayAbandonedError
        self._pass(Rule.NOTHING_UNASKED)
        if is_timed:
            self._judge_time(time.monotonic() - begun, place)
        answer = self._judge_form(raw, line, expected, place)
        if answer is None:
            raise _PlayAbandonedError
        self._judge_content(answer, expected, line, conversation, place)
        for rule in conversation.heard(current, line.parsed, expected, answer):
            self._pass(rule)
        if older not in (None, current) and conversation.holder == current and older in wires:
            self._judge_takeover(wires[older], place)

    def _judge_time(self, took_s: float, place: str) -> None:
        limit_s = max(self.target.reply_wait_s + 0.1, 1.5)
        if took_s <= limit_s + _REPLY_GRACE_S:
            self._pass(Rule.IN_TIME)
        else:
            self._fail(
                Rule.IN_TIME, f"{place}: {took_s:.1f} s (with [robot] reply_wait_s, name the station: --station)"
            )

    def _judge_form(self, raw: bytes, line: Line, expected: Expectation, place: str) -> Answer | None:
        content = raw.rstrip(b"\r\n")
        ending = raw[len(content) :]
        self._check(ending == line.ending, Rule.ENDING, f"{place}: the reply ends in {ending!r}, not {line.ending!r}")
        is_bracketed = content[:1] == b"(" and content[-1:] == b")"
        self._check(
            is_bracketed == line.parsed.bracketed and content.count(b"(") == content.count(b")") == is_bracketed,
            Rule.BRACKETS,
            f"{place}: {content!r}",
        )
        answer = _parse_reply(raw)
        is_counted = expected.number_count == 0
        is_form = answer is not None and (
            not is_counted or (len(answer.numbers) == 2 and len(content) <= _MAX_COUNT_REPLY_CHARACTERS)
        )
        self._check(is_form, Rule.FORM, f"{place}: {content[:80]!r}")
        return answer if is_form else None

    def _judge_content(
        self, answer: Answer, expected: Expectation, line: Line, conversation: Conversation, place: str
    ) -> None:
        text = ",".join(f"{number:g}" for number in (answer.code, answer.seq, *answer.numbers))
        self._check(answer.seq == expected.seq, Rule.SEQ, f"{place}: {text}, not seq {expected.seq}")
        is_right = answer.code in expected.codes
        if expected.number_count:
            is_right &= len(answer.numbers) == expected.number_count
            is_right &= answer.code == 0 or not any(answer.numbers)
        else:
            count = expected.count
            if expected.is_new and isinstance(line.parsed, Request) and answer.code != 10:
                count = conversation.count_after(line.parsed, answer.code)
            is_right &= count in (None, answer.count)
            is_right &= expected.aux in (None, answer.aux)
        for rule in (*expected.rules, *_spelling_rules(line), *_WAY_RULES.get(self._way, ())):
            self._check(is_right, rule, f"{place}: {text}, not {expected.describe()}")
        if expected.is_new:
            self._codes.add(answer.code)

    def _judge_takeover(self, older: Wire, place: str) -> None:
        self._check(older.ends_within(_CLOSED_WITHIN_S), Rule.TAKEOVER, f"{place}: the older connection was not closed")

    def _poll_until_final(self, wires: dict[int, Wire], current: int, line: Line, conversation: Conversation) -> None:
        """After a reply 10: ``again`` every half second."""
        deadline, was_working = Deadline.after(_FINAL_WITHIN_S), conversation.is_working
        while (request := conversation.working) is not None:
            if deadline.has_passed:
                self._fail(Rule.WORKING, f"{line.place}: still 10 after {_FINAL_WITHIN_S:.0f} s")
                raise _PlayAbandonedError
            time.sleep(_POLL_S)
            data = f"again {request.seq}".encode("ascii") + line.ending
            parsed = parse_line(data, self._pose_field_count, None)
            poll = Line(data, line.ending, parsed, f"{line.place}, again", None, False)
            self._send(wires[current], data)
            self._judge_reply(wires, current, poll, conversation, is_timed=True)
        if was_working:
            self._pass(Rule.WORKING)

    def _check(self, is_right: bool, rule: Rule, failure: str) -> None:
        if is_right:
            self._pass(rule)
        else:
            self._fail(rule, failure)

    def _pass(self, rule: Rule) -> None:
        self.rules[rule].passes += 1

    def _fail(self, rule: Rule, failure: str) -> None:
        self.rules[rule].failures.append(failure)


def conform(
    target: Target, transcripts: Sequence[Path], ways: Sequence[Way], may_disturb: bool, on_play: Callable[[str], None]
) -> Verdict:
    """Plays ``transcripts`` in each of ``ways`` to a running daemon.

    ``may_disturb``: also if a robot is connected or a session is open; else raises InputFault ``conform-in-use``.
    Raises what ``ConformanceKit.prepare`` raises.
    """
    kit = ConformanceKit(target, on_play)
    kit.prepare(may_disturb)
    for way in ways:
        for path in transcripts:
            kit.play(path, way)
    kit.finish()
    return kit.verdict()


def target_of(host: str, port: int, station_file: Path | None) -> Target:
    """The daemon at an address, with what its station file states. Raises what ``load_station`` raises."""
    if station_file is None:
        return Target(host, port)
    robot = load_station(station_file).robot
    return Target(
        host, port, PoseFormat(robot.length, robot.rotation, robot.angle), robot.joint_count, robot.reply_wait_s
    )


def chosen_transcripts(names: Sequence[str]) -> list[Path]:
    """The transcripts of these names, or all. Raises InputFault ``sim-usage`` for an unknown name."""
    files = {path.stem: path for path in transcript_files()}
    unknown = [name for name in names if name not in files]
    if unknown:
        raise InputFault("sim-usage", f"there is no transcript {unknown[0]}", f"write one of {', '.join(files)}.")
    return [files[name] for name in names] or list(files.values())


def parse_line(data: bytes, pose_field_count: int, joint_count: int | None) -> Request | LineFault:
    """A line with its ending, as the protocol reads it."""
    item, *_ = LineSplitter().feed(data)
    if isinstance(item, LateLineFeed):
        raise ValueError(f"no line: {data!r}")
    if isinstance(item, OverlongLine):
        return overlong_fault(item.prefix)
    return parse(item.content, pose_field_count, joint_count)


def _parse_reply(raw: bytes) -> Answer | None:
    """The numbers of a reply; None if it is none."""
    match = _REPLY.fullmatch(raw.rstrip(b"\r\n"))
    if match is None:
        return None
    numbers = tuple(float(text) for text in match[3].split(b",")[1:])
    if len(numbers) < 1:
        return None
    return Answer(int(match[1]), int(match[2]), numbers)


def _spelling_rules(line: Line) -> list[Rule]:
    """The rules that the spelling of a line shows, whatever it requests."""
    rules = []
    if b"\0" in line.data and isinstance(line.parsed, Request):
        rules.append(Rule.PADDING)
    if isinstance(line.parsed, Request) and line.parsed.has_ignored_group:
        rules.append(Rule.FLAGS)
    return rules


def _refused(answer: Answer, line: str) -> InputFault:
    remedy = (
        "add the address of this computer to allow under [robot] in the station file, and restart the daemon."
        if answer.code == 46
        else "read the daemon's log."
    )
    return InputFault("sim-refused", f"the daemon replies {answer.code} to {line!r}", remedy)
