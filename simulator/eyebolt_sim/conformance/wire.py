"""A connection to the daemon under test, byte by byte."""

from __future__ import annotations

import contextlib
import select
import socket
import time

from eyebolt.deadline import Deadline
from eyebolt.errors import MachineFault

# A line feed behind a carriage return may come in a packet of its own.
_LATE_LINE_FEED_S = 0.5
_CONNECT_TIMEOUT_S = 5.0
_BYTE_PAUSE_S = 0.0002
_MAX_REPLY_BYTES = 1024


class Wire:
    """One connection to a daemon. Raises MachineFault ``sim-no-daemon`` if it cannot be opened."""

    def __init__(self, host: str, port: int) -> None:
        try:
            self._socket = socket.create_connection((host, port), timeout=_CONNECT_TIMEOUT_S)
        except OSError as fault:
            raise MachineFault(
                "sim-no-daemon",
                f"no daemon answers at {host}:{port}: {fault.strerror or fault}",
                "start the daemon, or correct the address.",
                host=host,
                port=port,
            ) from fault
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._buffer = b""
        self.is_closed = False

    def send(self, data: bytes, one_by_one: bool = False) -> None:
        """Sends ``data`` in one piece, or each byte in a packet of its own. A connection that is closed stays so."""
        try:
            if one_by_one:
                for byte in data:
                    self._socket.sendall(bytes([byte]))
                    time.sleep(_BYTE_PAUSE_S)
            else:
                self._socket.sendall(data)
        except OSError:
            self.is_closed = True

    def reply(self, ending: bytes, timeout_s: float) -> bytes | None:
        """The next reply with the ending that it has; ``ending`` is the one expected. None if none comes in time."""
        deadline = Deadline.after(timeout_s)
        while not (ends := [k for k in map(self._buffer.find, (b"\r", b"\n")) if k >= 0]):
            if len(self._buffer) > _MAX_REPLY_BYTES or not self._receive(deadline.remaining_s):
                return None
        end = min(ends) + 1
        if ending == b"\r\n" and self._buffer[end - 1 : end] == b"\r":
            late = Deadline.after(_LATE_LINE_FEED_S)
            while len(self._buffer) == end and self._receive(late.remaining_s):
                pass
            end += self._buffer[end : end + 1] == b"\n"
        reply, self._buffer = self._buffer[:end], self._buffer[end:]
        return reply

    def unasked(self) -> bytes:
        """Bytes that came although no line waits for a reply."""
        while self._receive(0.0):
            pass
        data, self._buffer = self._buffer, b""
        return data

    def ends_or_speaks_within(self, timeout_s: float) -> bool:
        """Whether the daemon sends anything, or closes the connection, within ``timeout_s`` seconds."""
        return bool(self._buffer) or self._receive(timeout_s) or self.is_closed

    def ends_within(self, timeout_s: float) -> bool:
        """Whether the daemon closes the connection within ``timeout_s`` seconds."""
        deadline = Deadline.after(timeout_s)
        while not self.is_closed and self._receive(deadline.remaining_s):
            pass
        return self.is_closed

    def close(self) -> None:
        """Closes the connection."""
        with contextlib.suppress(OSError):
            self._socket.close()

    def _receive(self, timeout_s: float) -> bool:
        """Whether bytes arrived in time."""
        if self.is_closed or not select.select([self._socket], [], [], timeout_s)[0]:
            return False
        try:
            data = self._socket.recv(4096)
        except OSError:
            data = b""
        self.is_closed = not data
        self._buffer += data
        return bool(data)
