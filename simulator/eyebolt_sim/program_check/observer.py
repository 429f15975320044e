"""What a robot program does, held against the wire specification: lines, replies and connections in, a verdict out.

Pure: instants come with the events, in seconds of any clock.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import Enum

from eyebolt.protocol import VERBS, Code, LineFault, Reply, Request, is_same_line
from eyebolt_sim.program_check.poses import PoseCheck
from eyebolt_sim.program_check.script import Times, Trouble
from eyebolt_sim.verdict import RuleVerdict

_NOT_PROVOKED = "not provoked"
_QUERIES = ("hello", "status", "again", "result")
# A program that was stopped, or has a line to correct, may ask and may say bye.
_ALLOWED_AFTER_END = (*_QUERIES, "bye", "undo", "locate", "pixel")


class ProgramRule(Enum):
    """A rule for robot programs: its text, what to change, and why it may not have been tried."""

    def __init__(self, text: str, remedy: str, not_tried: str = _NOT_PROVOKED) -> None:
        self.text = text
        self.remedy = remedy
        self.not_tried = not_tried

    text: str
    """The rule."""
    remedy: str
    """What to change in the program."""
    not_tried: str
    """Why it was not tried, where it was not."""

    HELLO = (
        "hello is the first line of every connection",
        "send hello first, also after each reconnection: only hello takes the station over from a dead connection",
    )
    LINE = (
        "each line is a verb, a seq and its count of numbers, of at most 256 bytes (no 40 to 45)",
        "correct what the program prints; the message names the field",
    )
    WHOLE = (
        "each line ends with LF, CR or CR LF, and is sent at once",
        "add the terminator to every string that is sent; build the line first, then send it in one piece",
    )
    WAITS = (
        "one line at a time: the next one after the reply, or after 1.5 s without one",
        "read the reply before the next line is sent, with a time limit of 2 s or more",
    )
    SEQ = (
        "each new request has a number that was not used (no 47)",
        "add 1 to the number for each new request, and begin with the fourth number of the reply to hello",
    )
    AGAIN = (
        "after 10 it stands still and polls with 'again' under the same number, about every half second",
        "after a code of 10 to 19 wait half a second, send 'again' with the number of the request, and nothing else",
    )
    REFUSED = (
        "after 20 to 29 it goes on: the same waypoint under a new number, or the next one",
        "treat 20 to 29 as 'try once more under a new number, then move on'; the old number keeps its refusal",
    )
    ADVICE = ("after 1 to 9 it goes on as after 0", "decide by the range of the code, not by 0 alone")
    GOAL = (
        "at aux 0 it leaves the loop: no capture follows",
        "leave the loop of waypoints when a success (0 to 9) has 0 as its fourth number",
    )
    STOP = (
        "after 30 to 39 no capture follows until somebody was there",
        "stop the arm and the program, or wait for the operator, on every code of 30 to 39",
    )
    LINE_FAULT = (
        "after 40 to 49 the line is not sent again, and no capture follows",
        "end the program on 40 to 49: the line, or the station file, has to be corrected",
    )
    LOST = (
        "a lost reply: the same line under the same number again, or 'again'",
        "keep the line, and send it again unchanged when no reply has come for 2 s or more",
    )
    LATE = (
        "a late reply is waited for, or the line repeated; it is not taken for the reply to another line",
        "compare the second number of a reply with the number that was sent, and drop replies to other numbers",
    )
    CUT = (
        "a reply without its ending is no reply: connect again, hello, the same line",
        "read up to the line ending; without it treat the reply as lost",
    )
    DROPPED = (
        "a connection that breaks: connect again, hello, the same line or 'again'",
        "open the connection again in a loop with a pause of 1 s or more, send hello, then the same line",
    )
    RESTARTED = (
        "a daemon that restarts: connect again until it listens, hello, the same line or 'again'",
        "keep trying for a minute: the daemon needs some seconds, and has everything that it had answered",
    )
    DOUBLED = (
        "a reply that comes twice does not shift the program by one reply",
        "compare the second number of a reply with the number that was sent, and drop replies to other numbers",
    )
    FRAGMENTED = (
        "a reply in fragments is put together up to its line ending",
        "read until the line ending has come, not once",
    )
    BYE = (
        "bye at the end, and its reply is waited for before the connection is closed",
        "send bye when the program ends, and read its reply: it solves once more and closes the record",
    )
    POSE = (
        "poses in the station's units, within the reach of an arm",
        "correct the program, or [robot] length, rotation and angle in the station file",
    )
    POSE_MOVES = (
        "each capture at another pose, with rotations of 10 deg and more in all",
        "read the pose after the arm has stopped (no look-ahead, no stored waypoint), and tilt the board",
    )
    POSE_DIGITS = (
        "poses with the decimals that the controller has",
        "print at least 2 decimals of a millimetre, 3 of a degree and 5 of a quaternion",
    )


_TROUBLE_RULES = {
    Trouble.ADVICE: ProgramRule.ADVICE,
    Trouble.LOST: ProgramRule.LOST,
    Trouble.LATE: ProgramRule.LATE,
    Trouble.CUT: ProgramRule.CUT,
    Trouble.DROPPED: ProgramRule.DROPPED,
    Trouble.RESTARTED: ProgramRule.RESTARTED,
    Trouble.DOUBLED: ProgramRule.DOUBLED,
    Trouble.FRAGMENTED: ProgramRule.FRAGMENTED,
}


@dataclass
class _Connection:
    has_sent_line: bool = False
    # Lines without a reply, with the instant of each.
    pending: list[tuple[float, Request | LineFault]] = field(default_factory=list)
    # After a reply that may put a program out of step: the rule, and the number of that reply. The next line shows it,
    # if the next reply is a 10: out of step, the program does not know of it, however long its arm moves meanwhile.
    in_step: tuple[ProgramRule, int] | None = None
    # A reply is on its way to the program until then.
    replying_until_s: float = 0.0


@dataclass
class ProgramObserver:
    """Follows one robot program over any number of connections."""

    pose_check: PoseCheck
    times: Times = field(default_factory=Times)
    rules: dict[ProgramRule, RuleVerdict] = field(
        default_factory=lambda: {r: RuleVerdict(r.text, r.remedy, r.not_tried) for r in ProgramRule}
    )
    """What was seen of each rule."""
    lines: int = 0
    """Lines that want a reply."""
    live_poses: int = 0
    """Lines with a live pose."""
    captures: int = 0
    """Lines with a capture."""
    has_met_goal: bool = False
    """In this part: a success with aux 0."""
    has_finished: bool = False
    """In this part: bye was answered."""
    ended_by: ProgramRule | None = None
    """In this part: STOP or LINE_FAULT, once the program was told so."""
    longest_line_bytes: int = 0
    """Longest line, without its ending."""
    polls_s: list[float] = field(default_factory=list)
    """From a reply 10 to the next 'again'."""
    _connections: dict[int, _Connection] = field(default_factory=dict)
    _recovering: tuple[Trouble, Request] | None = None
    _working: tuple[Request, float] | None = None
    _refused: Request | None = None
    _expects_more: ProgramRule | None = None
    _late: Request | None = None
    # Recorded verbs by number, as they were sent last.
    _requests: dict[int, Request] = field(default_factory=dict)

    # Events.

    def connected(self, connection: int) -> None:
        """A connection was opened."""
        self._connections[connection] = _Connection()

    def line(self, connection: int, at_s: float, parsed: Request | LineFault, size_bytes: int) -> None:
        """A line arrived."""
        self.longest_line_bytes = max(self.longest_line_bytes, size_bytes)
        if isinstance(parsed, LineFault):
            self._fail(ProgramRule.LINE, f"answered {int(parsed.code)}: {parsed.message}")
        if parsed.verb in VERBS and not VERBS[parsed.verb].has_reply:
            self.live_poses += 1
            return
        self.lines += 1
        state = self._connections[connection]
        self._check_order(state, at_s, parsed)
        if not state.has_sent_line:
            state.has_sent_line = True
            what = f"the first line of connection {connection} was {_name(parsed)}"
            self._check(parsed.verb == "hello", ProgramRule.HELLO, what)
        state.pending.append((at_s, parsed))
        if isinstance(parsed, Request):
            self._check_end(parsed)
            self._check_recovery(parsed)
            self._check_working(state, parsed, at_s)
            self._check_refused(parsed)
            if VERBS[parsed.verb].is_recorded:
                self._requests[parsed.seq or 0] = parsed
            if parsed.verb == "capture":
                self.captures += 1
                self._check_pose(parsed)

    def unterminated(self, size_bytes: int) -> None:
        """Bytes without a line ending have waited for too long."""
        self._fail(ProgramRule.WHOLE, f"{size_bytes} bytes had no line ending after 2 s")

    def whole(self) -> None:
        """A line came with its ending in one piece."""
        self._pass(ProgramRule.WHOLE)

    def replied(
        self, connection: int, at_s: float, parsed: Request | LineFault, reply: Reply, trouble: Trouble, until_s: float
    ) -> None:
        """The reply to the oldest line without one was sent, or kept back, as ``trouble`` has it.

        ``until_s``: when its last byte is out.
        """
        state = self._connections.get(connection)
        if state is None:
            return
        if state.in_step is not None and reply.seq != state.in_step[1] and reply.code.is_final:
            self._pass(state.in_step[0])
            state.in_step = None
        if trouble is not Trouble.LOST:
            # To the program, a reply answers every line under its number.
            state.pending = [entry for entry in state.pending if entry[1] is not parsed and entry[1].seq != reply.seq]
        state.replying_until_s = until_s
        if not isinstance(parsed, Request):
            return
        self._check_reply(parsed, reply)
        self._follow_trouble(state, parsed, trouble)
        if trouble.hides_reply:
            return
        if not reply.code.is_final:
            self._working = (parsed, at_s) if self._working is None else (self._working[0], at_s)
            return
        if self._working is not None and reply.seq == self._working[0].seq:
            self._working = None
        if parsed.verb == "again":
            parsed = self._requests.get(reply.seq, parsed)
        self._follow_outcome(parsed, reply)

    def disconnected(self, connection: int, by_program: bool) -> None:
        """A connection was closed."""
        state = self._connections.pop(connection, None)
        if state is None or not by_program:
            return
        if self._late is not None:
            self._recovering, self._late = (Trouble.LATE, self._late), None
        if state.in_step is not None and not self.has_finished:
            self._fail(state.in_step[0], "the program closed the connection there")
        for _, parsed in state.pending:
            if parsed.verb == "bye":
                self._fail(ProgramRule.BYE, "the connection was closed before the reply to bye")

    def part_ended(self, is_interrupted: bool = False) -> None:
        """The run of the program is over; what it owes is a failure now, unless the stand-in was interrupted."""
        if not is_interrupted:
            self._fail_what_is_owed()
        self.has_met_goal = self.has_finished = False
        self.ended_by = self._recovering = self._working = self._refused = self._expects_more = self._late = None
        self._requests = {}
        self.pose_check.forget_last()

    def _fail_what_is_owed(self) -> None:
        if self._recovering is not None:
            trouble, request = self._recovering
            self._fail(
                _TROUBLE_RULES[trouble], f"after {_name(request)} the program ended: nothing asked what became of it"
            )
        if self._refused is not None:
            self._fail(ProgramRule.REFUSED, f"after {_name(self._refused)} was refused the program ended")
        if self._expects_more is not None:
            self._fail(self._expects_more, "the program ended there")
        if self._working is not None:
            self._fail(ProgramRule.AGAIN, f"after 10 to {_name(self._working[0])} the program ended")
        for rule in (ProgramRule.STOP, ProgramRule.LINE_FAULT):
            if self.ended_by is rule and not self.rules[rule].failures:
                self._pass(rule)
        if self.has_met_goal:
            if not self.rules[ProgramRule.GOAL].failures:
                self._pass(ProgramRule.GOAL)
            if not self.has_finished and not self.rules[ProgramRule.BYE].failures:
                self._fail(ProgramRule.BYE, "the program ended without bye")

    def finish(self) -> list[RuleVerdict]:
        """The rules, with figures."""
        if self.polls_s:
            self.rules[ProgramRule.AGAIN].note = f"every {min(self.polls_s):.1f} to {max(self.polls_s):.1f} s"
        if self.longest_line_bytes:
            self.rules[ProgramRule.LINE].note = f"longest line {self.longest_line_bytes} characters"
        for failure in self.pose_check.failures_of_all():
            self._fail(ProgramRule.POSE, failure)
        for rule, check in (
            (ProgramRule.POSE_MOVES, self.pose_check.rotation_failure),
            (ProgramRule.POSE_DIGITS, self.pose_check.digits_failure),
        ):
            self._check_if_known(rule, check)
        self.rules[ProgramRule.POSE_MOVES].note = self.pose_check.note
        return list(self.rules.values())

    # Rules.

    def _check_order(self, state: _Connection, at_s: float, parsed: Request | LineFault) -> None:
        """Whether the program has the reply to its line before, or has waited for it."""
        if not state.pending:
            if at_s < state.replying_until_s:
                self._fail(ProgramRule.FRAGMENTED, f"{_name(parsed)} was sent before the last fragment of the reply")
                state.in_step = None
            elif state.has_sent_line:
                self._pass(ProgramRule.WAITS)
            return
        since_s, before = state.pending[-1]
        waited_s = at_s - since_s
        if waited_s >= self.times.patience_s and isinstance(before, Request) and isinstance(parsed, Request):
            if _asks_for(parsed, before):
                state.pending.clear()
                self._pass(ProgramRule.WAITS)
                return
            if self._late is not None:
                self._fail(ProgramRule.LATE, f"{_name(before)} had no reply yet when {_name(parsed)} was sent")
                self._late = None
            return
        what = f"{_name(parsed)} was sent {waited_s:.2f} s after {_name(before)}, which had no reply yet"
        if state.in_step is not None:
            self._fail(state.in_step[0], what)
            state.in_step = None
        else:
            self._fail(ProgramRule.WAITS, what)

    def _check_end(self, parsed: Request) -> None:
        if self.ended_by is not None and parsed.verb not in _ALLOWED_AFTER_END:
            self._fail(self.ended_by, f"{_name(parsed)} followed")
        if self.has_met_goal and parsed.verb == "capture":
            self._fail(ProgramRule.GOAL, f"{_name(parsed)} followed")
        if self._expects_more is not None and parsed.verb not in _QUERIES:
            self._pass(self._expects_more)
            self._expects_more = None

    def _check_recovery(self, parsed: Request) -> None:
        if self._recovering is None or parsed.verb in ("hello", "status"):
            return
        trouble, lost = self._recovering
        self._recovering = None
        for state in self._connections.values():
            state.pending = [entry for entry in state.pending if entry[1] is not lost]
        what = f"after {_name(lost)} came {_name(parsed)}: nothing asked what became of it"
        self._check(_asks_for(parsed, lost), _TROUBLE_RULES[trouble], what)

    def _check_working(self, state: _Connection, parsed: Request, at_s: float) -> None:
        if self._working is None or parsed.verb in ("hello", "status"):
            return
        request, since_s = self._working
        in_step, state.in_step = state.in_step, None
        if in_step is not None:
            what = f"{_name(parsed)} came after 10 to {_name(request)}: the reply before was taken for the one to it"
            self._check(_asks_for(parsed, request), in_step[0], what)
            if not _asks_for(parsed, request):
                self._working = None
                return
        if parsed.verb == "again" and parsed.seq == request.seq:
            interval_s = at_s - since_s
            self.polls_s.append(interval_s)
            sane = self.times.min_poll_s <= interval_s <= self.times.max_poll_s
            self._check(sane, ProgramRule.AGAIN, f"{_name(parsed)} came {interval_s:.2f} s after 10")
        else:
            self._check(
                _asks_for(parsed, request), ProgramRule.AGAIN, f"{_name(parsed)} came after 10 to {_name(request)}"
            )
            self._working = None

    def _check_refused(self, parsed: Request) -> None:
        if self._refused is None or parsed.verb in _QUERIES:
            return
        is_same = parsed.seq == self._refused.seq and is_same_line(parsed.text, self._refused.text)
        self._check(not is_same, ProgramRule.REFUSED, f"{_name(parsed)} was sent again under the number of its refusal")
        self._refused = None

    def _check_reply(self, parsed: Request, reply: Reply) -> None:
        if reply.code is Code.SEQ_REUSED:
            self._fail(ProgramRule.SEQ, f"{_name(parsed)} got 47: the number was used for another line")
        elif reply.code in (Code.OUT_OF_RANGE, Code.NOT_NOW) and parsed.verb not in (
            "locate",
            "pixel",
            "undo",
            "touch",
        ):
            self._fail(ProgramRule.LINE, f"{_name(parsed)} got {int(reply.code)}: {reply.code.message}")
        elif VERBS[parsed.verb].is_recorded:
            self._pass(ProgramRule.SEQ)
            self._pass(ProgramRule.LINE)

    def _follow_trouble(self, state: _Connection, parsed: Request, trouble: Trouble) -> None:
        if trouble.hides_reply:
            self._recovering = (trouble, parsed if self._working is None else self._working[0])
            self._working = None
        elif trouble in (Trouble.DOUBLED, Trouble.FRAGMENTED, Trouble.LATE):
            state.in_step = (_TROUBLE_RULES[trouble], parsed.seq or 0)
        elif trouble is Trouble.ADVICE:
            self._expects_more = ProgramRule.ADVICE
        if trouble is Trouble.LATE:
            self._late = None

    def late(self, parsed: Request) -> None:
        """The reply to ``parsed`` is held back."""
        self._late = parsed

    def _follow_outcome(self, parsed: Request, reply: Reply) -> None:
        if reply.code.is_refusal and parsed.verb in ("capture", "check", "place"):
            self._refused = parsed
            self.pose_check.forget_last()
        elif reply.code.is_stop and parsed.verb != "result":
            self.ended_by = ProgramRule.STOP
        elif reply.code.is_line_fault and parsed.verb in ("capture", "check"):
            self.ended_by = ProgramRule.LINE_FAULT
        elif parsed.verb == "capture" and reply.code.is_success and reply.aux == 0:
            self.has_met_goal = True
        elif parsed.verb == "bye" and reply.code.is_success:
            self.has_finished = True
            self._pass(ProgramRule.BYE)

    def _check_pose(self, parsed: Request) -> None:
        failures = self.pose_check.capture(parsed)
        for failure in failures.range:
            self._fail(ProgramRule.POSE, failure)
        if not failures.range:
            self._pass(ProgramRule.POSE)
        if failures.did_not_move:
            self._fail(ProgramRule.POSE_MOVES, failures.did_not_move)

    def _check_if_known(self, rule: ProgramRule, check: Callable[[], str | None]) -> None:
        failure = check()
        if failure:
            self._fail(rule, failure)
        elif failure is not None:
            self._pass(rule)

    def _check(self, is_right: bool, rule: ProgramRule, failure: str) -> None:
        if is_right:
            self._pass(rule)
        else:
            self._fail(rule, failure)

    def _pass(self, rule: ProgramRule) -> None:
        self.rules[rule].passes += 1

    def _fail(self, rule: ProgramRule, failure: str) -> None:
        self.rules[rule].failures.append(failure)


def _asks_for(parsed: Request, before: Request) -> bool:
    """Whether a line asks what became of the one before: itself again, or ``again``."""
    if parsed.seq != before.seq:
        return False
    return parsed.verb == "again" or is_same_line(parsed.text, before.text)


def _name(parsed: Request | LineFault) -> str:
    if isinstance(parsed, LineFault):
        return f"a line that is answered {int(parsed.code)}"
    return f"'{parsed.verb}'" if parsed.seq is None else f"'{parsed.verb} {parsed.seq}'"
