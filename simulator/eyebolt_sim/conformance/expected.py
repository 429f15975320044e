"""What a daemon must answer to a line, as far as the lines before and their replies determine it.

A kit at a running daemon can neither put a board in view nor fill a disk, so it takes the outcome of a new request as
it comes, within the codes of its verb, and holds the daemon to it: stored replies, counts, the last seq. Lines are read
by ``eyebolt.protocol``; transcripts state the codes of lines that no outcome changes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from eyebolt.protocol import VERBS, Code, LineFault, Request, is_same_line
from eyebolt_sim.conformance.rules import Rule

_VIEW = frozenset([*range(10), *range(20, 40)])
# Final codes of a new request. Any of them may be 31: the disk is the daemon's own.
_CODES: dict[str, frozenset[int]] = {
    "begin": frozenset([0]),
    "capture": _VIEW,
    "check": _VIEW - {3, 26},
    # 41: the camera is on the arm, and the line has no pose.
    "place": (_VIEW - {3, 26}) | {41},
    "touch": frozenset([0, 43, 45]),
    "undo": frozenset([0]),
    "solve": frozenset([0, 28, *range(32, 39)]),
    "bye": frozenset([0]),
}
_RULES = {
    "begin": Rule.BEGIN_NEW,
    "capture": Rule.CAPTURE,
    "check": Rule.CHECK,
    "place": Rule.PLACE,
    "touch": Rule.TOUCH,
    "undo": Rule.UNDO,
    "solve": Rule.SOLVE,
    "bye": Rule.BYE,
}
_FAULT_RULES = {
    40: Rule.UNKNOWN_VERB,
    41: Rule.FIELD_COUNT,
    42: Rule.NOT_A_NUMBER,
    43: Rule.OUT_OF_RANGE,
    44: Rule.TOO_LONG,
}
# Replies that are not on record, and leave the seq free (but 47, whose seq was used before).
_UNRECORDED = (10, 31, 41, 43, 45, 47)
_OPENING_VERBS = ("capture", "check", "place")


@dataclass(frozen=True)
class Answer:
    """A reply of the daemon, as numbers."""

    code: int
    """Reply code."""
    seq: int
    """Second number."""
    numbers: tuple[float, ...]
    """The others: count and aux, or those of ``result``, ``locate`` and ``pixel``."""

    @property
    def count(self) -> int:
        """Pairs kept."""
        return int(self.numbers[0])

    @property
    def aux(self) -> int:
        """Fourth number."""
        return int(self.numbers[1])


@dataclass(frozen=True)
class Expectation:
    """What the reply to a line must be."""

    rules: tuple[Rule, ...]
    """The rules that the reply shows, the most specific first; the form of replies is not among them."""
    codes: frozenset[int]
    """Its possible codes."""
    seq: int
    """Its second number."""
    count: int | None = None
    """Pairs kept, if determined."""
    aux: int | None = None
    """Its fourth number, if determined."""
    number_count: int = 0
    """Numbers after ``code,seq``; 0: a reply with count and aux."""
    is_new: bool = False
    """A request of a recorded verb that was not made before: its outcome decides the count."""

    def describe(self) -> str:
        """The expectation in words."""
        codes = sorted(self.codes)
        code = str(codes[0]) if len(codes) == 1 else f"a code of {_ranges(codes)}"
        if self.number_count:
            return f"{code},{self.seq} and {self.number_count} numbers"
        return f"{code},{self.seq},{'count' if self.count is None else self.count},{_word(self.aux)}"


def _word(number: int | None) -> str:
    return "aux" if number is None else str(number)


def _ranges(codes: list[int]) -> str:
    parts: list[list[int]] = []
    for code in codes:
        if parts and code == parts[-1][-1] + 1:
            parts[-1].append(code)
        else:
            parts.append([code])
    return ", ".join(f"{p[0]}-{p[-1]}" if len(p) > 1 else str(p[0]) for p in parts)


@dataclass
class Conversation:
    """The state of a daemon as its replies have shown it."""

    pose_field_count: int
    """Numbers of a pose."""
    result_field_count: int
    """Numbers of a transform."""
    kept: int = 0
    """Pairs kept."""
    last_seq: int = 0
    """The last seq in use."""
    is_open: bool = False
    """A session is open."""
    holder: int | None = None
    """The connection that holds the station."""
    sessions: int = 0
    """Sessions that were opened in this conversation."""
    is_resumed: bool = False
    """A new connection has taken the station over, or the daemon was restarted, in this session."""
    working: Request | None = None
    """The request that was answered 10, until its final code has come."""
    _stored: dict[int, tuple[str, Answer]] = field(default_factory=dict)
    _verbs: list[str] = field(default_factory=list)
    _freed: set[int] = field(default_factory=set)

    @property
    def is_working(self) -> bool:
        """A request was answered 10, and its final code has not come yet."""
        return self.working is not None

    def expect(self, connection: int, parsed: Request | LineFault, stated: int | None = None) -> Expectation | None:
        """What the reply to a line on ``connection`` must be; None: there must be none.

        ``stated``: code in the transcript, which is binding for lines that no outcome changes.
        """
        if isinstance(parsed, LineFault):
            if not parsed.has_reply:
                return None
            return self._counted(parsed.code, parsed.seq, (_FAULT_RULES[parsed.code],), self._zeros(parsed.verb, ()))
        if not VERBS[parsed.verb].has_reply:
            return None
        seq, zeros = parsed.seq or 0, self._zeros(parsed.verb, parsed.numbers)
        if self.holder not in (None, connection) and parsed.verb != "hello":
            return self._counted(45, seq, (Rule.TAKEOVER,), zeros)
        if VERBS[parsed.verb].is_recorded:
            return self._expect_recorded(parsed, seq)
        return self._expect_query(parsed, seq, zeros, stated)

    def heard(self, connection: int, parsed: Request | LineFault, expected: Expectation, answer: Answer) -> list[Rule]:
        """Takes the reply in; the rules beside ``expected.rules`` that it shows."""
        if isinstance(parsed, LineFault):
            self._freed.add(parsed.seq)
            return []
        if not (self.holder not in (None, connection) and parsed.verb != "hello"):
            self.is_resumed |= self.holder not in (None, connection)
            self.holder = connection
        if not VERBS[parsed.verb].is_recorded:
            if parsed.verb == "again" and self.working is not None and self.working.seq == parsed.seq:
                self._finish(self.working, answer)
            return []
        seq, shown = parsed.seq or 0, []
        if expected.is_new and answer.code not in _UNRECORDED and seq in self._freed:
            shown.append(Rule.SEQ_STAYS_FREE)
        if answer.code in (41, 43, 45):
            self._freed.add(seq)
        if expected.is_new and answer.code == 10:
            self._open_for(parsed)
            self.working = parsed
        elif expected.is_new:
            self._record(parsed, answer)
        elif self.working is not None and self.working.seq == seq:
            self._finish(self.working, answer)
        return shown

    def count_after(self, parsed: Request, code: int) -> int:
        """Pairs kept once a new request was answered ``code``."""
        kept = 0 if self._opens(parsed) else self.kept
        if code not in range(100) or code in _UNRECORDED:
            return self.kept if code in _UNRECORDED and code != 10 else kept
        if parsed.verb == "capture":
            return kept + Code(code).keeps_pair
        return kept - (parsed.verb == "undo" and code == 0)

    def _finish(self, request: Request, answer: Answer) -> None:
        if answer.code == 10:
            return
        self.working = None
        if answer.code not in _UNRECORDED:
            self._store(request, answer)

    def _record(self, request: Request, answer: Answer) -> None:
        if answer.code in _UNRECORDED:
            return
        self._open_for(request)
        self._store(request, answer)

    def _open_for(self, request: Request) -> None:
        if self._opens(request):
            self._stored, self._verbs, self._freed, self.kept, self.last_seq = {}, [], set(), 0, 0
            self.is_open, self.is_resumed = True, False
            self.sessions += 1

    def _store(self, request: Request, answer: Answer) -> None:
        seq = request.seq or 0
        self._stored[seq] = (request.text, answer)
        self._verbs.append(request.verb)
        self.last_seq, self.kept = seq, answer.count
        if request.verb == "bye":
            self.is_open, self.last_seq = False, 0

    def _opens(self, request: Request) -> bool:
        if request.verb == "begin":
            return not self.is_open or any(verb != "begin" for verb in self._verbs)
        return request.verb in _OPENING_VERBS and not self.is_open

    def _expect_recorded(self, request: Request, seq: int) -> Expectation:
        working = self.working
        if working is not None:
            if working.seq != seq:
                return Expectation((Rule.WORKING,), _CODES[request.verb] | {45}, seq, is_new=True)
            if is_same_line(working.text, request.text):
                return Expectation((Rule.WORKING,), _CODES[working.verb] | {10, 31}, seq)
        stored = self._stored.get(seq) if not self._opens(request) else None
        if stored is not None and (self.is_open or request.verb == "bye"):
            text, answer = stored
            if is_same_line(text, request.text):
                rules = [Rule.STORED] + [Rule.SPELLING] * (text != request.text)
                rules += [Rule.RECONNECTED] * self.is_resumed + [Rule.BEGIN_EMPTY] * (request.verb == "begin")
                return Expectation(tuple(rules), frozenset([answer.code]), seq, answer.count, answer.aux)
            return Expectation((Rule.REUSED,), frozenset([47]), seq, self.kept, self.last_seq)
        if not self.is_open and request.verb in ("undo", "solve", "bye", "touch"):
            return Expectation((_RULES[request.verb],), frozenset([45]), seq, self.kept)
        if request.verb == "undo" and not self.kept:
            return Expectation((Rule.UNDO,), frozenset([45]), seq, self.kept, is_new=True)
        rule = Rule.BEGIN_EMPTY if request.verb == "begin" and not self._opens(request) else _RULES[request.verb]
        opens = request.verb in _OPENING_VERBS and not self.is_open
        return Expectation((rule, *[Rule.CAPTURE_OPENS] * opens), _CODES[request.verb] | {10, 31}, seq, is_new=True)

    def _expect_query(self, request: Request, seq: int, zeros: int, stated: int | None) -> Expectation:
        if request.verb == "hello":
            last = self.last_seq if self.is_open else 0
            takes_over = (Rule.TAKEOVER, Rule.RECONNECTED) if self.holder is not None and self._stored else ()
            aux = None if self.is_working else last
            return Expectation((Rule.HELLO, *takes_over), frozenset([0]), seq, self._kept_now(), aux)
        if request.verb == "status":
            return Expectation((Rule.STATUS,), frozenset([0]), seq, self._kept_now())
        if request.verb == "again":
            return self._expect_again(seq)
        if request.verb == "result":
            wanted = (*request.numbers, 1.0) if request.numbers else (1.0, float(self.result_field_count))
            start, end = wanted[0], wanted[0] + wanted[1] - 1
            possible = 1 <= start <= end <= self.result_field_count
            rules = (Rule.PIECES, Rule.NUMBER_REPLIES) if request.numbers else (Rule.NUMBER_REPLIES,)
            return Expectation(rules, frozenset([0, 36] if possible else [43]), seq, number_count=zeros)
        return Expectation((Rule.NUMBER_REPLIES,), frozenset([stated or 45]), seq, number_count=zeros)

    def _expect_again(self, seq: int) -> Expectation:
        if self.working is not None and self.working.seq == seq:
            return Expectation((Rule.WORKING,), _CODES[self.working.verb] | {10, 31}, seq)
        if seq in self._stored:
            _, answer = self._stored[seq]
            rules = (Rule.AGAIN, Rule.RECONNECTED) if self.is_resumed else (Rule.AGAIN,)
            return Expectation(rules, frozenset([answer.code]), seq, answer.count, answer.aux)
        if not self.sessions:
            # The replies of a session that was closed before this conversation are known to the daemon alone.
            return Expectation((), frozenset(range(50)), seq)
        return Expectation((Rule.AGAIN_UNKNOWN,), frozenset([43]), seq, self.kept, self.last_seq)

    def _counted(self, code: int, seq: int, rules: Iterable[Rule], zeros: int) -> Expectation:
        if zeros:
            return Expectation((*rules, Rule.NUMBER_REPLIES), frozenset([code]), seq, number_count=zeros)
        return Expectation(tuple(rules), frozenset([code]), seq, self._kept_now())

    def _kept_now(self) -> int | None:
        # The final code of a request in progress decides.
        return None if self.is_working else self.kept

    def _zeros(self, verb: str, numbers: tuple[float, ...]) -> int:
        row = VERBS.get(verb)
        if row is None or row.reply != "numbers":
            return 0
        return row.reply_number_count(self.result_field_count, numbers)
