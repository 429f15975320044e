"""Where the log's lines go: a stream that may fail, block or be gone, without the daemon ever waiting for it.

A disk can be full, a terminal stopped, the reader of a pipe gone. A line that the stream takes at once is written at
once; others wait for a thread. Those that cannot be written are counted, and the next line that can be is preceded by
one with their number.
"""

from __future__ import annotations

import atexit
import threading
from collections import deque
from collections.abc import Callable
from os import write
from select import select
from typing import TextIO

# A line has some hundred bytes: at most a few megabytes wait for a stream that blocks.
_MAX_WAITING = 10_000
_EXIT_TIMEOUT_S = 1.0
# A pipe that is ready takes PIPE_BUF bytes without delay: 4096 on Linux (pipe(7)). A character has up to four.
_MAX_DIRECT_CHARACTERS = 1000


class LogStream:
    """A file for lines of text that never raises and never blocks. ``stream``: the real one; None: there is none.

    ``describe_loss``: the line, with its line feed, that states how many lines were lost.
    """

    def __init__(self, stream: TextIO | None, describe_loss: Callable[[int], str]) -> None:
        self._stream = stream
        # Written past the stream's own buffer, which would keep what the disk refused and repeat it.
        self._descriptor = _descriptor_of(stream)
        self._describe_loss = describe_loss
        self._condition = threading.Condition()
        self._waiting: deque[str] = deque()
        self._is_writing = False
        self._is_mid_line = False
        self._lost = self._unreported = 0
        threading.Thread(target=self._run, name="eyebolt-log", daemon=True).start()
        atexit.register(self.drain, _EXIT_TIMEOUT_S)

    @property
    def lost(self) -> int:
        """Lines that were lost so far."""
        return self._lost

    def write(self, line: str) -> None:
        """Hands over one line, with its line feed."""
        if self._stream is not None and self._descriptor is None:
            # In memory: nothing to wait for.
            self._stream.write(line)
            return
        with self._condition:
            if not self._waiting and not self._is_writing and self._takes_now(line):
                self._write_or_count(line)
            elif len(self._waiting) < _MAX_WAITING:
                self._waiting.append(line)
                self._condition.notify_all()
            else:
                self._count_lost()

    def flush(self) -> None:
        """Nothing: a line handed over is on its way."""

    def drain(self, timeout_s: float) -> None:
        """Waits until every line is written or lost, at most ``timeout_s``."""
        with self._condition:
            self._condition.wait_for(lambda: not self._waiting and not self._is_writing, timeout_s)

    def _run(self) -> None:
        while True:
            with self._condition:
                self._is_writing = False
                self._condition.notify_all()
                self._condition.wait_for(lambda: self._waiting)
                line = self._waiting.popleft()
                self._is_writing = True
            self._write_or_count(line)

    def _takes_now(self, line: str) -> bool:
        """Whether the stream takes a line without delay: a file does, a pipe or terminal as much as fits."""
        if self._descriptor is None or len(line) > _MAX_DIRECT_CHARACTERS:
            return False
        try:
            return bool(select([], [self._descriptor], [], 0)[1])
        except (OSError, ValueError):
            return False

    def _write_or_count(self, line: str) -> None:
        unreported = self._unreported
        report = self._describe_loss(unreported) if unreported else ""
        try:
            self._write_all(("\n" if self._is_mid_line else "") + report + line)
        except (OSError, ValueError):
            self._count_lost()
        else:
            with self._condition:
                self._unreported -= unreported

    def _count_lost(self) -> None:
        # The condition's lock is reentrant.
        with self._condition:
            self._lost += 1
            self._unreported += 1

    def _write_all(self, text: str) -> None:
        if self._descriptor is None:
            raise OSError("there is no stream")
        rest = text.encode("utf-8", "replace")
        while rest:
            done = write(self._descriptor, rest)
            self._is_mid_line = rest[done - 1 : done] != b"\n" if done else self._is_mid_line
            rest = rest[done:]


def _descriptor_of(stream: TextIO | None) -> int | None:
    try:
        return None if stream is None else stream.fileno()
    except (OSError, ValueError):
        return None
