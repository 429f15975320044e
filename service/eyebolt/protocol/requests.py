"""Requests: one line of a robot into a Request, or into the LineFault that answers it; and the table of verbs.

A line is checked in this order: its verb (40), the syntax of its numbers (42), their count (41), their range (43). The
syntax comes before the count because a misplaced word is best quoted. No line raises.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from eyebolt.protocol.codes import Code
from eyebolt.protocol.framing import MAX_LINE_BYTES

__all__ = ["MAX_JOINTS", "MAX_SEQ", "VERBS", "LineFault", "Request", "Verb", "is_same_line", "overlong_fault", "parse"]

MAX_SEQ = 999_999
MAX_JOINTS = 12
# Lengths in um and angles in 1e-4 deg, the finest units in use, stay far below this for any arm.
MAX_NUMBER = 1e9

_SEPARATORS = " \t,;()[]"
# Possessive: a run of NUL bytes is padding as a whole, or not at all.
_NUL_PADDING = re.compile(r"(?<![^ \t,;()\[\]])\x00++|\x00++(?![^ \t,;()\[\]])")
_POSE_PREFIX = re.compile(r"(?<![A-Za-z0-9_.])[pP](?=[(\[])")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_TOKEN = re.compile(r"[^ \t,;()\[\]]+")
_TWO_GROUPS = re.compile(r"[)\]][ \t,;]*[(\[]")
# What may follow the last number of a pose literal: its closing bracket, then whole groups.
_TRAILING_GROUPS = re.compile(r"[ \t]*[)\]][ \t,;)\]]*(?:[(\[][^()\[\]]*[)\]][ \t,;)\]]*)+")
_MAX_QUOTED_CHARACTERS = 24


@dataclass(frozen=True)
class Request:
    """A well-formed line."""

    verb: str
    """A key of VERBS."""
    seq: int | None
    """Sequence number, 0 to MAX_SEQ; None for verbs without one."""
    numbers: tuple[float, ...]
    """The fields between seq and pose, in the order of ``Verb.numbers`` and ``Verb.optional_numbers``."""
    pose: tuple[float, ...] | None
    """The pose's numbers as the controller wrote them, in the station's pose format; None if left out."""
    joints: tuple[float, ...] | None
    """The numbers after a ``j``, 1 to MAX_JOINTS; None without a ``j``."""
    text: str
    """The tokens as sent, joined by single blanks, without brackets, the verb in lower case; see ``is_same_line``."""
    bracketed: bool
    """The line stands in round brackets, and so does its reply."""
    has_ignored_group: bool = False
    """The pose was followed by groups in brackets, such as flags; ``text`` is without them."""


@dataclass(frozen=True)
class LineFault:
    """A line that cannot be served."""

    code: Code
    """Reply code, 40 to 44."""
    seq: int
    """The line's seq as far as it could be read, else 0."""
    message: str
    """The defect, for the log."""
    bracketed: bool
    """The reply stands in round brackets."""
    verb: str = ""
    """The verb if known: ``result``, ``locate`` and ``pixel`` keep their reply form in a failure, ``pose`` has none."""

    @property
    def has_reply(self) -> bool:
        """False for a live pose, which gets no reply even if malformed."""
        return self.verb not in VERBS or VERBS[self.verb].has_reply


class _ParseError(Exception):
    def __init__(self, code: Code, message: str) -> None:
        super().__init__(code, message)
        self.code = code
        self.message = message


def parse(content: bytes, pose_field_count: int, joint_count: int | None = None) -> Request | LineFault:
    """The request in ``content`` (a line without its ending), for poses of ``pose_field_count`` numbers.

    ``joint_count``: how many numbers follow a ``j``; None: 1 to MAX_JOINTS.
    """
    if len(content) > MAX_LINE_BYTES:
        return overlong_fault(content[:MAX_LINE_BYTES])
    raw = _decoded(content)
    bracketed, tokens = _is_bracketed(raw), _tokens(raw)
    try:
        return _request(raw, tokens, bracketed, pose_field_count, joint_count)
    except _ParseError as refused:
        return LineFault(refused.code, _seq_or_zero(tokens), refused.message, bracketed, _known_verb(tokens))


def overlong_fault(prefix: bytes) -> LineFault:
    """The LINE_TOO_LONG of a line that begins with ``prefix``, whose last token may be truncated and is ignored."""
    raw = _decoded(prefix)
    tokens = _tokens(raw)
    if raw and raw[-1] not in _SEPARATORS:
        tokens = tokens[:-1]
    message = f"the line is longer than {MAX_LINE_BYTES} bytes; does the robot program end each line with CR or LF?"
    return LineFault(Code.LINE_TOO_LONG, _seq_or_zero(tokens), message, _is_bracketed(raw), _known_verb(tokens))


def is_same_line(text: str, other: str) -> bool:
    """Whether two texts of requests (``Request.text``) are the same line: the same verb and equal numbers.

    Controllers may print a number with other digits when they send a line again.
    """
    return text == other or _comparable(text) == _comparable(other)


def _comparable(text: str) -> list[str | float]:
    return [float(token) if _NUMBER.fullmatch(token) else token.lower() for token in text.split(" ")]


def _request(raw: str, tokens: list[str], bracketed: bool, pose_field_count: int, joint_count: int | None) -> Request:
    verb = _verb(tokens)
    fields, joint_fields = _split_at_joints(tokens[1:])
    values = [_parse_number(token) for token in fields]
    has_ignored_group = _ends_with_ignored_group(verb, raw, len(fields), pose_field_count)
    if has_ignored_group:
        fields = fields[: max(verb.field_counts(pose_field_count))]
        values = values[: len(fields)]
    joints = None if joint_fields is None else tuple(_parse_number(token) for token in joint_fields)
    _check_count(verb, len(fields), pose_field_count, raw)
    names = verb.numbers + verb.optional_numbers
    before_pose = int(verb.has_seq) + len(names)
    pose = tuple(values[before_pose:]) or None
    _check_joints(verb, pose, joints, joint_count)
    seq = _parse_integer("seq", values[0], fields[0]) if verb.has_seq else None
    numbers = tuple(values[int(verb.has_seq) : before_pose])
    for name, value, token in zip(names, numbers, fields[int(verb.has_seq) :], strict=False):
        if name in verb.integer_fields:
            _parse_integer(name, value, token)
    kept = fields if joint_fields is None else [*fields, "j", *joint_fields]
    _check_magnitude(kept)
    text = " ".join([verb.name, *kept])
    return Request(verb.name, seq, numbers, pose, joints, text, bracketed, has_ignored_group)


def _decoded(content: bytes) -> str:
    """The text of a line, blanks in place of the NUL bytes with which strings of a fixed length are padded."""
    return _NUL_PADDING.sub(lambda run: " " * len(run[0]), content.decode("latin-1"))


def _is_bracketed(raw: str) -> bool:
    return raw.lstrip(" \t").startswith("(")


def _tokens(raw: str) -> list[str]:
    # Brackets separate: "(1,2)(3,4)" has four numbers, not three.
    return _TOKEN.findall(_POSE_PREFIX.sub(" ", raw))


def _known_verb(tokens: Sequence[str]) -> str:
    name = tokens[0].lower() if tokens else ""
    return name if name in VERBS else ""


def _seq_or_zero(tokens: Sequence[str]) -> int:
    known = VERBS.get(_known_verb(tokens))
    if len(tokens) < 2 or (known is not None and not known.has_seq) or not _NUMBER.fullmatch(tokens[1]):
        return 0
    value = float(tokens[1])
    return int(value) if 0 <= value <= MAX_SEQ and value.is_integer() else 0


def _verb(tokens: Sequence[str]) -> Verb:
    name = _known_verb(tokens)
    if name:
        return VERBS[name]
    if not tokens:
        raise _ParseError(Code.UNKNOWN_VERB, f"the line has no verb; a line begins with one of: {', '.join(VERBS)}")
    _reject_non_ascii(tokens[0], Code.UNKNOWN_VERB)
    raise _ParseError(Code.UNKNOWN_VERB, f"{_quoted(tokens[0])} is not a verb; the verbs are: {', '.join(VERBS)}")


def _split_at_joints(tokens: Sequence[str]) -> tuple[list[str], list[str] | None]:
    for index, token in enumerate(tokens):
        if token in ("j", "J"):
            return list(tokens[:index]), list(tokens[index + 1 :])
    return list(tokens), None


def _ends_with_ignored_group(verb: Verb, raw: str, got: int, pose_field_count: int) -> bool:
    """Whether the ``got`` fields before any joint angles are a complete pose literal and groups in brackets behind it.

    Not if a decimal comma explains their count: ``[[1,5,2,5,3,5],[...]]`` has six numbers in its first group.
    """
    wanted = max(verb.field_counts(pose_field_count))
    if verb.pose == "none" or got <= wanted or got in _decimal_comma_counts(verb, wanted):
        return False
    plain = _POSE_PREFIX.sub(" ", raw)
    spans = [token.span() for token in _TOKEN.finditer(plain)]
    behind_pose = plain[spans[wanted][1] : spans[got + 1][0] if len(spans) > got + 1 else None]
    return _TRAILING_GROUPS.fullmatch(behind_pose) is not None


def _parse_number(token: str) -> float:
    if _NUMBER.fullmatch(token):
        return float(token)
    _reject_non_ascii(token, Code.NOT_A_NUMBER)
    message = f"{_quoted(token)} is not a number; send plain decimals such as 12, -0.5 or 1.2e-05"
    if any(name in token.lower() for name in VERBS):
        message += " (two requests in one line? end each with CR or LF)"
    raise _ParseError(Code.NOT_A_NUMBER, message)


def _reject_non_ascii(token: str, code: Code) -> None:
    for character in token:
        if not " " <= character <= "~":
            message = f"{_quoted(token)} contains the byte 0x{ord(character):02X}; a line is printable ASCII only"
            raise _ParseError(code, message)


def _check_count(verb: Verb, got: int, pose_field_count: int, raw: str) -> None:
    allowed = verb.field_counts(pose_field_count)
    if got in allowed:
        return
    counts = " or ".join(str(count) for count in allowed)
    unit = "field" if counts == "1" else "fields"
    message = (
        f"{verb.name} requires {_expected_fields(verb, pose_field_count)} ({counts} {unit} after the verb), got {got}"
    )
    if any(got in _decimal_comma_counts(verb, count) for count in allowed):
        if "," in raw:
            message += "; twice as many: a decimal comma is the likely cause, print numbers with a decimal point"
        elif got > 2:
            message += "; twice as many: two poses in one line, or a decimal comma that was replaced by a blank"
    elif _TWO_GROUPS.search(raw):
        message += "; a group of flags is ignored only in brackets of its own behind a complete pose in brackets"
    raise _ParseError(Code.WRONG_FIELD_COUNT, message)


def _decimal_comma_counts(verb: Verb, count: int) -> set[int]:
    """The field counts that result from decimal commas: whole-number fields may have been printed without one."""
    if verb.optional_numbers:
        return set()
    integer_fields = int(verb.has_seq) + len(verb.integer_fields)
    return {2 * count - without for without in range(integer_fields + 1)} - {count}


def _expected_fields(verb: Verb, pose_field_count: int) -> str:
    names = ["seq"] * verb.has_seq + list(verb.numbers) + [f"{name} or none" for name in verb.optional_numbers]
    if verb.pose == "required":
        names.append(f"{pose_field_count} pose numbers")
    elif verb.pose == "optional":
        names.append(f"{pose_field_count} pose numbers or none")
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _check_joints(
    verb: Verb, pose: tuple[float, ...] | None, joints: tuple[float, ...] | None, joint_count: int | None
) -> None:
    if joints is None:
        return
    if verb.pose == "none":
        raise _ParseError(
            Code.WRONG_FIELD_COUNT, f"{verb.name} takes no joint angles; leave out the j and what follows it"
        )
    if pose is None:
        raise _ParseError(Code.WRONG_FIELD_COUNT, f"joint angles follow a pose, and this {verb.name} has none")
    if joint_count is not None and len(joints) != joint_count:
        message = f"{joint_count} numbers follow a j, as many as [robot] joint_names, got {len(joints)}"
        raise _ParseError(Code.WRONG_FIELD_COUNT, message)
    if not 1 <= len(joints) <= MAX_JOINTS:
        raise _ParseError(Code.WRONG_FIELD_COUNT, f"1 to {MAX_JOINTS} joint angles follow a j, got {len(joints)}")


def _parse_integer(name: str, value: float, token: str) -> int:
    if 0 <= value <= MAX_SEQ and value.is_integer():
        return int(value)
    raise _ParseError(Code.OUT_OF_RANGE, f"{name} is a whole number from 0 to {MAX_SEQ}, got {_quoted(token)}")


def _check_magnitude(tokens: Sequence[str]) -> None:
    for token in tokens:
        if token not in ("j", "J") and not math.fabs(float(token)) <= MAX_NUMBER:
            raise _ParseError(
                Code.OUT_OF_RANGE, f"{_quoted(token)} is larger than any length or angle; check what the program prints"
            )


def _quoted(token: str) -> str:
    plain = "".join(c if " " <= c <= "~" else "?" for c in token)
    return f"'{plain}'" if len(plain) <= _MAX_QUOTED_CHARACTERS else f"'{plain[:_MAX_QUOTED_CHARACTERS]}...'"


@dataclass(frozen=True)
class Verb:
    """One row of the table of verbs."""

    name: str
    """First word of the line."""
    has_seq: bool = True
    """A sequence number follows."""
    numbers: tuple[str, ...] = ()
    """Names of the fields between seq and pose."""
    optional_numbers: tuple[str, ...] = ()
    """Names of the fields that may follow these, in a verb without a pose; those of ``result`` choose a piece of it."""
    integer_fields: tuple[str, ...] = ()
    """Those of ``numbers`` and ``optional_numbers`` that are whole numbers."""
    pose: Literal["none", "required", "optional"] = "none"
    """Whether a pose follows."""
    is_recorded: bool = True
    """The reply is recorded: the same line again gets the stored reply."""
    reply: Literal["count", "numbers"] = "count"
    """``count``: code,seq,count,aux; ``numbers``: code,seq and numbers."""
    reply_numbers: int | None = 0
    """How many numbers; None: as many as a pose has."""
    has_reply: bool = True
    """Whether the request is answered; false for live poses."""
    meaning: str = ""
    """What the request does and how it is answered."""

    @property
    def syntax(self) -> str:
        """The line, optional parts in square brackets."""
        pose = {"none": "", "required": "<pose>", "optional": "[<pose>]"}[self.pose]
        optional = ""
        for name in reversed(self.optional_numbers):
            optional = f"[{name} {optional}]" if optional else f"[{name}]"
        return " ".join(filter(None, [self.name, "n" if self.has_seq else "", *self.numbers, optional, pose]))

    def reply_number_count(self, pose_field_count: int, numbers: Sequence[float] = ()) -> int:
        """Numbers after ``code,seq,`` in every reply to this verb, success or not; 0 for count replies.

        ``numbers`` are the request's; those that choose no possible piece make a failure with all numbers.
        """
        count = pose_field_count if self.reply_numbers is None else self.reply_numbers
        if not self.optional_numbers or not numbers:
            return count
        amount = numbers[1] if len(numbers) > 1 else 1
        return int(amount) if 1 <= amount <= count else count

    def field_counts(self, pose_field_count: int) -> tuple[int, ...]:
        """The allowed counts of fields after the verb, joint angles not included."""
        before_pose = int(self.has_seq) + len(self.numbers)
        with_pose = before_pose + pose_field_count
        without_pose = tuple(before_pose + count for count in range(len(self.optional_numbers) + 1))
        return {"none": without_pose, "required": (with_pose,), "optional": (before_pose, with_pose)}[self.pose]


_ROWS = (
    Verb(
        "hello",
        is_recorded=False,
        meaning="0; aux = last seq in use if a session is open, else 0. Takes the station over; the reply waits up to"
        " 1.4 s for a request in progress",
    ),
    Verb(
        "begin",
        meaning="0; a new session with its own numbering. While the open session holds only `begin`, that session",
    ),
    Verb("capture", pose="required", meaning="code of the view and the pair. Opens a session if none is open"),
    Verb(
        "check",
        pose="required",
        meaning="as `capture`, but the pair only tests the result; never 26. count stays the number of kept captures."
        " Log and screen name its distance from the accepted result",
    ),
    Verb(
        "place",
        pose="optional",
        meaning="0 (2 with marginal lighting); an image of the board at rest in the cell, for touches. Codes of a view,"
        ' never 26; no pair. Opens a session if none is open. Required pose with mount = "arm" (41 without it)',
    ),
    Verb(
        "touch",
        numbers=("k",),
        integer_fields=("k",),
        pose="required",
        meaning="0; the tip was on corner k of the newest placed board. 43 if there is no corner k; 45 without a placed"
        " board (also if the newest `place` failed) or without [robot] tip_mm",
    ),
    Verb(
        "pose",
        has_seq=False,
        pose="required",
        is_recorded=False,
        has_reply=False,
        meaning="a live pose, never answered; while an image is taken, those of the connection that holds the station"
        " show whether the arm stood still (21)",
    ),
    Verb(
        "again",
        is_recorded=False,
        meaning="the reply to request n; 10 while it is in progress; 31 if it could not be recorded; 43 with"
        " aux = last seq if n is unknown",
    ),
    Verb(
        "undo",
        meaning="0; the newest kept capture is removed, the rest solved again; 45 if there is none. Removes no touch",
    ),
    Verb("status", is_recorded=False, meaning="0 with count and aux"),
    Verb(
        "solve",
        meaning="0 with aux = upper bound of the p95 in micrometres if the result is acceptable and complete; else 28"
        " or 32 to 38 (36 while a direction is unknown, or the pose format cannot hold the transform)",
    ),
    Verb("bye", meaning="0; a last solve, and the session is closed. The same line again gets the stored reply"),
    Verb(
        "result",
        optional_numbers=("first", "amount"),
        integer_fields=("first", "amount"),
        is_recorded=False,
        reply="numbers",
        reply_numbers=None,
        meaning="`0,n,` and the accepted transform in the robot's pose format ([robot] result_rotation); 36 and zeros"
        " if none is accepted, if it is incomplete, or of another station, mount, lens or board. With `first` (from 1)"
        " only that number of it, with `amount` so many from there on; 43 beyond the last",
    ),
    Verb(
        "locate",
        numbers=("x", "y", "z"),
        pose="optional",
        is_recorded=False,
        reply="numbers",
        reply_numbers=3,
        meaning="reserved: 45 and three zeros",
    ),
    Verb(
        "pixel",
        numbers=("u", "v", "h"),
        pose="optional",
        is_recorded=False,
        reply="numbers",
        reply_numbers=3,
        meaning="reserved: 45 and three zeros",
    ),
)

VERBS: Mapping[str, Verb] = MappingProxyType({row.name: row for row in _ROWS})
