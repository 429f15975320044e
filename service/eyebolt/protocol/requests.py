"""One line of a robot as a request, or what is wrong with it. No line raises.

A line is judged in this order: its verb (40), the spelling of its numbers (42), how many there are (41), their range
(43). The spelling comes before the count because a stray word is best named.

The verb table: what each request carries and how it is answered.
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

__all__ = ["MAX_SEQ", "VERBS", "LineFault", "Request", "Verb", "overlong_fault", "parse"]

MAX_SEQ = 999_999
MAX_JOINTS = 12
# Lengths in um and angles in 1e-4 deg, the finest units in use, stay far below for any arm.
MAX_NUMBER = 1e9

_SEPARATORS = " \t,;()[]"
_SPLIT = re.compile(r"[ \t,;()\[\]]+")
_POSE_PREFIX = re.compile(r"(?<![A-Za-z0-9_.])[pP](?=[(\[])")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_TWO_GROUPS = re.compile(r"[)\]][ \t,;]*[(\[]")
_MAX_QUOTED_CHARACTERS = 24


@dataclass(frozen=True)
class Request:
    """A well-formed line.

    ``numbers``: the fields between seq and pose, in the verb's order. ``pose``: the numbers as the controller wrote
    them, in the station's units; None if left out. ``joints``: what followed the ``j``. ``text``: the line's tokens
    joined by single blanks, without brackets, the verb in lower case; two lines are the same if these are.
    """

    verb: str
    seq: int | None
    numbers: tuple[float, ...]
    pose: tuple[float, ...] | None
    joints: tuple[float, ...] | None
    text: str
    bracketed: bool


@dataclass(frozen=True)
class LineFault:
    """A line that cannot be served: ``code`` 40 to 44, ``seq`` as far as it could be read (else 0).

    ``verb`` is the verb if it is a known one, else empty: replies to ``result``, ``locate`` and ``pixel`` keep their
    form in a failure, and ``pose`` is never answered.
    """

    code: Code
    seq: int
    message: str
    bracketed: bool
    verb: str = ""

    @property
    def has_reply(self) -> bool:
        """False for a live pose, which gets no reply even if it is malformed."""
        return self.verb not in VERBS or VERBS[self.verb].has_reply


class _ParseError(Exception):
    def __init__(self, code: Code, message: str) -> None:
        super().__init__(code, message)
        self.code = code
        self.message = message


def parse(content: bytes, pose_field_count: int) -> Request | LineFault:
    """The request in ``content`` (a line without its ending), for poses of ``pose_field_count`` numbers."""
    if len(content) > MAX_LINE_BYTES:
        return overlong_fault(content[:MAX_LINE_BYTES])
    raw = content.decode("latin-1")
    bracketed, tokens = _is_bracketed(raw), _tokens(raw)
    try:
        return _request(raw, tokens, bracketed, pose_field_count)
    except _ParseError as refused:
        return LineFault(refused.code, _seq_or_zero(tokens), refused.message, bracketed, _known_verb(tokens))


def overlong_fault(prefix: bytes) -> LineFault:
    """The fault 44 of a line whose first bytes are ``prefix``; the last token of ``prefix`` may be cut and is not used."""
    raw = prefix.decode("latin-1")
    tokens = _tokens(raw)
    if raw and raw[-1] not in _SEPARATORS:
        tokens = tokens[:-1]
    message = f"the line is longer than {MAX_LINE_BYTES} bytes; does the robot program end each line with CR or LF?"
    return LineFault(Code.LINE_TOO_LONG, _seq_or_zero(tokens), message, _is_bracketed(raw), _known_verb(tokens))


def _request(raw: str, tokens: list[str], bracketed: bool, pose_field_count: int) -> Request:
    verb = _verb(tokens)
    fields, joint_fields = _split_at_joints(tokens[1:])
    values = [_parse_number(token) for token in fields]
    joints = None if joint_fields is None else tuple(_parse_number(token) for token in joint_fields)
    _check_count(verb, len(fields), pose_field_count, raw)
    before_pose = int(verb.has_seq) + len(verb.numbers)
    pose = tuple(values[before_pose:]) or None
    _check_joints(verb, pose, joints)
    seq = _parse_integer("seq", values[0], fields[0]) if verb.has_seq else None
    numbers = tuple(values[int(verb.has_seq) : before_pose])
    for name, value, token in zip(verb.numbers, numbers, fields[int(verb.has_seq) :], strict=False):
        if name in verb.integer_fields:
            _parse_integer(name, value, token)
    _check_magnitude(tokens[1:])
    text = " ".join([verb.name, *tokens[1:]])
    return Request(verb.name, seq, numbers, pose, joints, text, bracketed)


def _is_bracketed(raw: str) -> bool:
    return raw.lstrip(" \t").startswith("(")


def _tokens(raw: str) -> list[str]:
    # Brackets become blanks rather than nothing: "(1,2)(3,4)" has four numbers, not three.
    return [token for token in _SPLIT.split(_POSE_PREFIX.sub(" ", raw)) if token]


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
    raise _ParseError(Code.UNKNOWN_VERB, f"{_quoted(tokens[0])} is no verb; the verbs are: {', '.join(VERBS)}")


def _split_at_joints(tokens: Sequence[str]) -> tuple[list[str], list[str] | None]:
    for index, token in enumerate(tokens):
        if token in ("j", "J"):
            return list(tokens[:index]), list(tokens[index + 1 :])
    return list(tokens), None


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
            message = f"{_quoted(token)} holds the byte 0x{ord(character):02X}; a line is printable ASCII only"
            raise _ParseError(code, message)


def _check_count(verb: Verb, got: int, pose_field_count: int, raw: str) -> None:
    allowed = verb.field_counts(pose_field_count)
    if got in allowed:
        return
    counts = " or ".join(str(count) for count in allowed)
    unit = "field" if counts == "1" else "fields"
    message = (
        f"{verb.name} wants {_expected_fields(verb, pose_field_count)} ({counts} {unit} after the verb), got {got}"
    )
    if any(got in _decimal_comma_counts(verb, count) for count in allowed):
        if "," in raw:
            message += "; twice as many: a decimal comma is the likely cause, print numbers with a decimal point"
        elif got > 2:
            message += "; twice as many: two poses in one line, or a decimal comma that was made a blank"
    elif _TWO_GROUPS.search(raw):
        message += "; if a group of flags in brackets follows the numbers, leave it out"
    raise _ParseError(Code.WRONG_FIELD_COUNT, message)


def _decimal_comma_counts(verb: Verb, count: int) -> set[int]:
    """The field counts that decimal commas make of ``count``: whole-number fields may have been printed without."""
    integer_fields = int(verb.has_seq) + len(verb.integer_fields)
    return {2 * count - spared for spared in range(integer_fields + 1)} - {count}


def _expected_fields(verb: Verb, pose_field_count: int) -> str:
    names = ["seq"] * verb.has_seq + list(verb.numbers)
    if verb.pose == "required":
        names.append(f"{pose_field_count} pose numbers")
    elif verb.pose == "optional":
        names.append(f"{pose_field_count} pose numbers or none")
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _check_joints(verb: Verb, pose: tuple[float, ...] | None, joints: tuple[float, ...] | None) -> None:
    if joints is None:
        return
    if verb.pose == "none":
        raise _ParseError(
            Code.WRONG_FIELD_COUNT, f"{verb.name} takes no joint angles; leave out the j and what follows it"
        )
    if pose is None:
        raise _ParseError(Code.WRONG_FIELD_COUNT, f"joint angles follow a pose, and this {verb.name} has none")
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
    """One row: ``numbers`` are the names of the fields between seq and pose, ``integer_fields`` those that are whole numbers.

    ``is_recorded``: the same line again gets the stored answer. ``reply`` is "count" (code,seq,count,aux) or "numbers"
    (code,seq, and numbers); ``reply_numbers`` is how many, None meaning as many as a pose has. ``has_reply`` is false
    for live poses.
    """

    name: str
    has_seq: bool = True
    numbers: tuple[str, ...] = ()
    integer_fields: tuple[str, ...] = ()
    pose: Literal["none", "required", "optional"] = "none"
    is_recorded: bool = True
    reply: Literal["count", "numbers"] = "count"
    reply_numbers: int | None = 0
    has_reply: bool = True

    def reply_number_count(self, pose_field_count: int) -> int:
        """Numbers after ``code,seq,`` in every answer to this verb, good or bad; 0 for count replies."""
        return pose_field_count if self.reply_numbers is None else self.reply_numbers

    def field_counts(self, pose_field_count: int) -> tuple[int, ...]:
        """The allowed numbers of fields after the verb, joint angles aside."""
        before_pose = int(self.has_seq) + len(self.numbers)
        with_pose = before_pose + pose_field_count
        return {"none": (before_pose,), "required": (with_pose,), "optional": (before_pose, with_pose)}[self.pose]


_ROWS = (
    Verb("hello", is_recorded=False),
    Verb("begin"),
    Verb("capture", pose="required"),
    Verb("check", pose="required"),
    Verb("place", pose="optional"),
    Verb("touch", numbers=("k",), integer_fields=("k",), pose="required"),
    Verb("pose", has_seq=False, pose="required", is_recorded=False, has_reply=False),
    Verb("again", is_recorded=False),
    Verb("undo"),
    Verb("status", is_recorded=False),
    Verb("solve"),
    Verb("bye"),
    Verb("result", is_recorded=False, reply="numbers", reply_numbers=None),
    Verb("locate", numbers=("x", "y", "z"), pose="optional", is_recorded=False, reply="numbers", reply_numbers=3),
    Verb("pixel", numbers=("u", "v", "h"), pose="optional", is_recorded=False, reply="numbers", reply_numbers=3),
)

VERBS: Mapping[str, Verb] = MappingProxyType({row.name: row for row in _ROWS})
