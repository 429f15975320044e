"""How each reply of a connection ends, when the LF of a CR LF may arrive before or after the reply was written."""

from __future__ import annotations

_CR, _LF = b"\r", b"\n"


class ReplyEndings:
    """Keeps, for one connection, the ending of each line that is not answered yet.

    ``opened`` for every Line and OverlongLine; then ``close`` when its reply is written (the ending to use) or
    ``drop`` when it gets none; ``late_line_feed`` for every LateLineFeed (the bytes to write at once).
    Every line gets at most one reply: 10 is one, and ``again`` is a line of its own.
    """

    def __init__(self) -> None:
        self._waiting: dict[int, bytes] = {}
        self._newest = 0
        self._newest_written = False

    def opened(self, terminator: bytes) -> int:
        """A ticket for a line that ended in ``terminator``."""
        self._newest += 1
        self._newest_written = False
        self._waiting[self._newest] = terminator
        return self._newest

    def close(self, ticket: int) -> bytes:
        """The ending of the reply that is about to be written for ``ticket``. KeyError if it was closed before."""
        if ticket == self._newest:
            self._newest_written = True
        return self._waiting.pop(ticket)

    def drop(self, ticket: int) -> None:
        """``ticket`` gets no reply: a live pose."""
        self._waiting.pop(ticket, None)

    def late_line_feed(self) -> bytes:
        """LF if the newest line was answered already with CR alone; else nothing, and its reply will end in CR LF."""
        if self._newest in self._waiting:
            self._waiting[self._newest] = _CR + _LF
            return b""
        return _LF if self._newest_written else b""
