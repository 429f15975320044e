"""One connection of the robot's door: its bytes to lines, its lines one after the other, its answers to bytes."""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from dataclasses import dataclass, field

from eyebolt.daemon.door_limits import WRITE_BYTES, Pace
from eyebolt.session.events import Caller
from eyebolt.wire.endings import ReplyEndings
from eyebolt.wire.lines import LineSplitter
from eyebolt.wire.replies import Reply, encode
from eyebolt.wire.requests import LineFault, Request


@dataclass
class RobotConnection:
    """``spoke``: whether a well-formed line came; ``heard_s``: when the last one did, or since when it is open, in
    seconds of the loop's clock."""

    number: int
    peer: str
    writer: asyncio.StreamWriter
    heard_s: float
    spoke: bool = False
    slowed: bool = False
    splitter: LineSplitter = field(default_factory=LineSplitter)
    endings: ReplyEndings = field(default_factory=ReplyEndings)
    # Lines read but not handed on: the next one is looked at when the one before has its reply, so that lines which
    # arrive glued together mean the same as lines sent one by one.
    inbox: deque[tuple[Caller, Request | LineFault]] = field(default_factory=deque)
    busy: bool = False
    _read_until_s: float = 0.0

    def __post_init__(self) -> None:
        self.writer.transport.set_write_buffer_limits(high=WRITE_BYTES)

    def rest_s(self, lines: int, size_bytes: int, pace: Pace, burst_s: float, now_s: float) -> float:
        """How long not to read on after so many lines and bytes: 0 within the pace.

        The generic cell rate algorithm (ITU-T I.371, from memory), with a rate that may change on the way.
        """
        self._read_until_s = max(self._read_until_s, now_s) + pace.cost_s(lines, size_bytes)
        return max(0.0, self._read_until_s - now_s - burst_s)

    def answer(self, caller: Caller, reply: Reply, bracketed: bool) -> None:
        """Writes the reply to the line in work; the next line may be handed on."""
        self._write(encode(reply, bracketed, self.endings.close(caller.ticket)))
        self.busy = False

    def add_late_line_feed(self) -> None:
        """A reply that ended in CR gets its LF, if it was written already."""
        late = self.endings.late_line_feed()
        if late:
            self._write(late)

    def say_unasked(self, reply: Reply) -> None:
        """A last word before hanging up: nobody asked for it, so it has an ending of its own."""
        self._write(encode(reply, False, b"\n"))

    def hang_up(self) -> None:
        """Closes without waiting. What a peer does not read is thrown away, else it would hold the socket for ever."""
        transport = self.writer.transport
        if self.writer.is_closing() or transport.get_write_buffer_size():
            transport.abort()
        else:
            self.writer.close()

    def _write(self, data: bytes) -> None:
        with contextlib.suppress(OSError, RuntimeError):
            self.writer.write(data)
