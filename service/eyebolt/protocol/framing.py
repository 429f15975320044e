"""Framing: bytes from a robot into lines, by a transition table, and the line ending of each reply.

A line ends at LF, CR or CR LF. A controller that ends its lines with CR alone waits for the reply before it sends
anything else, so a line is emitted at its CR. If the very next byte is LF, the ending was CR LF after all, which
``LateLineFeed`` reports. The items therefore do not depend on how the bytes were cut into chunks.

A reply ends as its line did, although the LF of a CR LF may arrive before or after the reply was written.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum, auto
from types import MappingProxyType

MAX_LINE_BYTES = 256

NUL, CR, LF = 0x00, 0x0D, 0x0A
BLANKS = b" \t"


@dataclass(frozen=True)
class Line:
    """A line of 1 to MAX_LINE_BYTES bytes that are not all blanks or NUL."""

    content: bytes
    """The line without its ending."""
    terminator: bytes
    """CR or LF."""


@dataclass(frozen=True)
class OverlongLine:
    """The end of a line of more than MAX_LINE_BYTES bytes, answered LINE_TOO_LONG."""

    prefix: bytes
    """Its first MAX_LINE_BYTES bytes."""
    terminator: bytes
    """CR or LF."""


@dataclass(frozen=True)
class LateLineFeed:
    """The preceding line ended in CR LF, so its reply does too: add the LF to it."""


Item = Line | OverlongLine | LateLineFeed


class LineState(Enum):
    """State of the splitter within the current line."""

    ONLY_BLANKS = auto()
    TEXT = auto()
    TOO_LONG = auto()
    AFTER_CR = auto()


class ByteClass(Enum):
    """Class of an input byte; the EXCESS ones arrive at a full buffer, where a NUL is a blank."""

    CR = auto()
    LF = auto()
    BLANK = auto()
    NUL = auto()
    OTHER = auto()
    EXCESS_BLANK = auto()
    EXCESS_OTHER = auto()


class Action(Enum):
    """Action for a byte."""

    STORE = auto()
    SKIP = auto()
    CLEAR = auto()
    EMIT_LINE = auto()
    EMIT_OVERLONG = auto()
    EMIT_LATE_LF = auto()


_S, _B, _A = LineState, ByteClass, Action

# Impossible pairs are not listed: in TOO_LONG the buffer is full, in AFTER_CR it is empty.
TRANSITIONS: Mapping[tuple[LineState, ByteClass], tuple[LineState, Action]] = MappingProxyType(
    {
        (_S.ONLY_BLANKS, _B.CR): (_S.ONLY_BLANKS, _A.CLEAR),
        (_S.ONLY_BLANKS, _B.LF): (_S.ONLY_BLANKS, _A.CLEAR),
        (_S.ONLY_BLANKS, _B.BLANK): (_S.ONLY_BLANKS, _A.STORE),
        # The rest of a fixed buffer, which does not count in the length of the next line.
        (_S.ONLY_BLANKS, _B.NUL): (_S.ONLY_BLANKS, _A.SKIP),
        (_S.ONLY_BLANKS, _B.OTHER): (_S.TEXT, _A.STORE),
        (_S.ONLY_BLANKS, _B.EXCESS_BLANK): (_S.ONLY_BLANKS, _A.SKIP),
        (_S.ONLY_BLANKS, _B.EXCESS_OTHER): (_S.TOO_LONG, _A.SKIP),
        (_S.TEXT, _B.CR): (_S.AFTER_CR, _A.EMIT_LINE),
        (_S.TEXT, _B.LF): (_S.ONLY_BLANKS, _A.EMIT_LINE),
        (_S.TEXT, _B.BLANK): (_S.TEXT, _A.STORE),
        (_S.TEXT, _B.NUL): (_S.TEXT, _A.STORE),
        (_S.TEXT, _B.OTHER): (_S.TEXT, _A.STORE),
        (_S.TEXT, _B.EXCESS_BLANK): (_S.TOO_LONG, _A.SKIP),
        (_S.TEXT, _B.EXCESS_OTHER): (_S.TOO_LONG, _A.SKIP),
        (_S.TOO_LONG, _B.CR): (_S.AFTER_CR, _A.EMIT_OVERLONG),
        (_S.TOO_LONG, _B.LF): (_S.ONLY_BLANKS, _A.EMIT_OVERLONG),
        (_S.TOO_LONG, _B.EXCESS_BLANK): (_S.TOO_LONG, _A.SKIP),
        (_S.TOO_LONG, _B.EXCESS_OTHER): (_S.TOO_LONG, _A.SKIP),
        (_S.AFTER_CR, _B.CR): (_S.ONLY_BLANKS, _A.CLEAR),
        (_S.AFTER_CR, _B.LF): (_S.ONLY_BLANKS, _A.EMIT_LATE_LF),
        (_S.AFTER_CR, _B.BLANK): (_S.ONLY_BLANKS, _A.STORE),
        (_S.AFTER_CR, _B.NUL): (_S.ONLY_BLANKS, _A.SKIP),
        (_S.AFTER_CR, _B.OTHER): (_S.TEXT, _A.STORE),
    }
)


class LineSplitter:
    """Splits one connection's bytes into lines; buffers at most MAX_LINE_BYTES of them."""

    def __init__(self) -> None:
        self._state = LineState.ONLY_BLANKS
        self._buffer = bytearray()

    @property
    def buffered_bytes(self) -> int:
        """Bytes of the unfinished line held in memory, 0..MAX_LINE_BYTES."""
        return len(self._buffer)

    @property
    def has_unfinished_line(self) -> bool:
        """Whether bytes other than blanks and NUL wait for a line ending."""
        return self._state in (LineState.TEXT, LineState.TOO_LONG)

    def feed(self, data: bytes) -> list[Item]:
        """The items that ``data`` completes, in order. Lines of nothing, or of blanks and NUL bytes, give none."""
        items: list[Item] = []
        for byte in data:
            self._state, action = TRANSITIONS[self._state, self._classify(byte)]
            if action is Action.STORE:
                self._buffer.append(byte)
            elif action is Action.CLEAR:
                self._buffer.clear()
            elif action is Action.EMIT_LINE:
                items.append(Line(self._take(), bytes([byte])))
            elif action is Action.EMIT_OVERLONG:
                items.append(OverlongLine(self._take(), bytes([byte])))
            elif action is Action.EMIT_LATE_LF:
                items.append(LateLineFeed())
        return items

    def _classify(self, byte: int) -> ByteClass:
        if byte == CR:
            return ByteClass.CR
        if byte == LF:
            return ByteClass.LF
        full = len(self._buffer) >= MAX_LINE_BYTES
        if byte == NUL and not full:
            return ByteClass.NUL
        if byte == NUL or byte in BLANKS:
            return ByteClass.EXCESS_BLANK if full else ByteClass.BLANK
        return ByteClass.EXCESS_OTHER if full else ByteClass.OTHER

    def _take(self) -> bytes:
        content = bytes(self._buffer)
        self._buffer.clear()
        return content


_CR, _LF = b"\r", b"\n"


class ReplyEndings:
    """The endings of one connection's unanswered lines.

    Call ``register`` for every Line and OverlongLine, then ``ending_for`` when its reply is written or ``discard`` when
    it gets none, and ``late_line_feed`` for every LateLineFeed. Every line gets at most one reply: WORKING is one, and
    ``again`` is a line of its own.
    """

    def __init__(self) -> None:
        self._waiting: dict[int, bytes] = {}
        self._newest = 0
        self._newest_written = False

    def register(self, terminator: bytes) -> int:
        """The identifier of a new line that ended in ``terminator``."""
        self._newest += 1
        self._newest_written = False
        self._waiting[self._newest] = terminator
        return self._newest

    def ending_for(self, line_id: int) -> bytes:
        """The ending of the reply to ``line_id``, to be written now. KeyError if it was answered or discarded."""
        if line_id == self._newest:
            self._newest_written = True
        return self._waiting.pop(line_id)

    def discard(self, line_id: int) -> None:
        """``line_id`` gets no reply, such as a live pose."""
        self._waiting.pop(line_id, None)

    def late_line_feed(self) -> bytes:
        """The bytes to write at once: LF if the reply to the newest line is already written, with CR alone.

        Otherwise none, and that reply will end in CR LF.
        """
        if self._newest in self._waiting:
            self._waiting[self._newest] = _CR + _LF
            return b""
        return _LF if self._newest_written else b""
