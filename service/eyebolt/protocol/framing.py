"""Bytes from a robot cut into lines, by a transition table.

A line ends at LF, CR or CR LF. A controller that ends its lines with CR alone waits for the answer before it sends
anything else, so a line is handed out at its CR. If the very next byte is LF, the ending was CR LF after all, and
``LateLineFeed`` says so. The items are therefore the same however the bytes were cut into chunks.

How each reply of a connection ends, when the LF of a CR LF may arrive before or after the reply was written.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum, auto
from types import MappingProxyType

MAX_LINE_BYTES = 256

CR, LF = 0x0D, 0x0A
BLANKS = b" \t"


@dataclass(frozen=True)
class Line:
    """A line of 1 to MAX_LINE_BYTES bytes with more than blanks in it; ``terminator`` is CR or LF."""

    content: bytes
    terminator: bytes


@dataclass(frozen=True)
class OverlongLine:
    """The end of a line of more than MAX_LINE_BYTES bytes: answered 44. ``prefix`` is its first MAX_LINE_BYTES."""

    prefix: bytes
    terminator: bytes


@dataclass(frozen=True)
class LateLineFeed:
    """The line just before ended in CR LF, so its reply does too: add the LF to it."""


Item = Line | OverlongLine | LateLineFeed


class LineState(Enum):
    """What the splitter knows of the line that it is in."""

    ONLY_BLANKS = auto()
    TEXT = auto()
    TOO_LONG = auto()
    AFTER_CR = auto()


class ByteClass(Enum):
    """What a byte is to the splitter; EXCESS ones find the buffer full."""

    CR = auto()
    LF = auto()
    BLANK = auto()
    OTHER = auto()
    EXCESS_BLANK = auto()
    EXCESS_OTHER = auto()


class Action(Enum):
    """What to do with a byte."""

    STORE = auto()
    SKIP = auto()
    CLEAR = auto()
    EMIT_LINE = auto()
    EMIT_OVERLONG = auto()
    EMIT_LATE_LF = auto()


_S, _B, _A = LineState, ByteClass, Action

# Pairs that cannot happen are not listed: in TOO_LONG the buffer is full, in AFTER_CR it is empty.
TRANSITIONS: Mapping[tuple[LineState, ByteClass], tuple[LineState, Action]] = MappingProxyType(
    {
        (_S.ONLY_BLANKS, _B.CR): (_S.ONLY_BLANKS, _A.CLEAR),
        (_S.ONLY_BLANKS, _B.LF): (_S.ONLY_BLANKS, _A.CLEAR),
        (_S.ONLY_BLANKS, _B.BLANK): (_S.ONLY_BLANKS, _A.STORE),
        (_S.ONLY_BLANKS, _B.OTHER): (_S.TEXT, _A.STORE),
        (_S.ONLY_BLANKS, _B.EXCESS_BLANK): (_S.ONLY_BLANKS, _A.SKIP),
        (_S.ONLY_BLANKS, _B.EXCESS_OTHER): (_S.TOO_LONG, _A.SKIP),
        (_S.TEXT, _B.CR): (_S.AFTER_CR, _A.EMIT_LINE),
        (_S.TEXT, _B.LF): (_S.ONLY_BLANKS, _A.EMIT_LINE),
        (_S.TEXT, _B.BLANK): (_S.TEXT, _A.STORE),
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
        (_S.AFTER_CR, _B.OTHER): (_S.TEXT, _A.STORE),
    }
)


class LineSplitter:
    """Cuts one connection's bytes into lines; holds at most MAX_LINE_BYTES of them."""

    def __init__(self) -> None:
        self._state = LineState.ONLY_BLANKS
        self._buffer = bytearray()

    @property
    def buffered_bytes(self) -> int:
        """Bytes of the unfinished line held in memory, 0..MAX_LINE_BYTES."""
        return len(self._buffer)

    def feed(self, data: bytes) -> list[Item]:
        """The items that ``data`` completes, in order. Lines that are empty or only blanks are nothing."""
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
        if byte in BLANKS:
            return ByteClass.EXCESS_BLANK if full else ByteClass.BLANK
        return ByteClass.EXCESS_OTHER if full else ByteClass.OTHER

    def _take(self) -> bytes:
        content = bytes(self._buffer)
        self._buffer.clear()
        return content


_CR, _LF = b"\r", b"\n"


class ReplyEndings:
    """Keeps, for one connection, the ending of each line that is not answered yet.

    ``register`` for every Line and OverlongLine; then ``ending_for`` when its reply is written (the ending to use) or
    ``discard`` when it gets none; ``late_line_feed`` for every LateLineFeed (the bytes to write at once).
    Every line gets at most one reply: 10 is one, and ``again`` is a line of its own.
    """

    def __init__(self) -> None:
        self._waiting: dict[int, bytes] = {}
        self._newest = 0
        self._newest_written = False

    def register(self, terminator: bytes) -> int:
        """A ticket for a line that ended in ``terminator``."""
        self._newest += 1
        self._newest_written = False
        self._waiting[self._newest] = terminator
        return self._newest

    def ending_for(self, line_id: int) -> bytes:
        """The ending of the reply that is about to be written for ``line_id``. KeyError if it was closed before."""
        if line_id == self._newest:
            self._newest_written = True
        return self._waiting.pop(line_id)

    def discard(self, line_id: int) -> None:
        """``line_id`` gets no reply: a live pose."""
        self._waiting.pop(line_id, None)

    def late_line_feed(self) -> bytes:
        """LF if the newest line was answered already with CR alone; else nothing, and its reply will end in CR LF."""
        if self._newest in self._waiting:
            self._waiting[self._newest] = _CR + _LF
            return b""
        return _LF if self._newest_written else b""
