"""Dialling of a controller that can only wait for a connection: connect, serve, and again after a pause.

The pause grows with each attempt that came to nothing, up to a bound, and is the shortest again once the controller has
sent a request. An attempt comes to nothing if there is no connection, or one that ends without a well-formed line.
"""

from __future__ import annotations

import asyncio
import errno
import os
import socket
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

import structlog

from eyebolt.daemon.connection_limits import READ_BYTES

MIN_PAUSE_S = 1.0
MAX_PAUSE_S = 15.0
CONNECT_TIMEOUT_S = 5.0
# While the reason stays the same, the log repeats it this often: the status shows it all the time.
_REMINDER_S = 600.0

_NO_REQUEST = "it accepted the connection, which ended without a request"
_REFUSED_REMEDY = "start the program on the controller that listens at this port, or correct [robot] dial"
_UNKNOWN_HOST_REMEDY = "correct the host name in [robot] dial, or write an IP address there"
_UNREACHABLE_REMEDY = "check the controller's power and network cable, and the address in [robot] dial"
_NO_REQUEST_REMEDY = "have the robot program send hello on the connection that it accepts, and keep it open"

_log = structlog.get_logger("robot")

Serve = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[bool]]


def pause_s(failures: int) -> float:
    """Seconds from the end of an attempt to the next one, after ``failures`` in a row that came to nothing."""
    # The exponent is bounded for a controller that is off for months.
    return min(MAX_PAUSE_S, MIN_PAUSE_S * 2.0 ** min(max(failures - 1, 0), 10))


@dataclass(frozen=True)
class DialFailure:
    """Why an attempt came to nothing."""

    reason: str
    """In words, for log and status."""
    remedy: str
    """What to do about it."""


class Dialler:
    """Keeps a connection to the controller at ``host:port`` for as long as ``run`` runs.

    ``serve`` serves an open connection to its end and returns whether a well-formed line was received on it.
    ``min_pause_s`` is the shortest pause; the others grow and shrink with it.
    """

    def __init__(self, host: str, port: int, serve: Serve, min_pause_s: float = MIN_PAUSE_S) -> None:
        self._host = host
        self._port = port
        self._serve = serve
        self._scale = min_pause_s / MIN_PAUSE_S
        self._attempts = 0
        self._failure: DialFailure | None = None
        self._is_connected = False
        self._next_attempt_s: float | None = None
        self._logged: dict[str, float] = {}

    @property
    def address(self) -> str:
        """Where the controller is expected."""
        return f"{self._host}:{self._port}"

    async def run(self) -> None:
        """Dials for ever."""
        while True:
            self._attempts += 1
            failure = await self._attempt()
            self._is_connected = False
            if failure is None:
                self._attempts, self._logged = 0, {}
            self._failure = failure
            pause = pause_s(self._attempts) * self._scale
            if failure is not None:
                self._log_failure(failure, pause)
            self._next_attempt_s = self._now_s() + pause
            await asyncio.sleep(pause)
            self._next_attempt_s = None

    def notice(self) -> str:
        """What an operator should know while the controller has sent no request: its state, and the next attempt."""
        if self._is_connected:
            return f"dialled {self.address}, which is connected and has sent no request yet"
        if self._next_attempt_s is None:
            number, when = self._attempts, "now"
        else:
            number, when = self._attempts + 1, f"in {max(0.0, self._next_attempt_s - self._now_s()):.0f} s"
        if self._failure is None:
            return f"dialling {self.address} {when}"
        return f"{self.address} not reachable: {self._failure.reason}; attempt {number} {when}"

    async def _attempt(self) -> DialFailure | None:
        try:
            async with asyncio.timeout(CONNECT_TIMEOUT_S):
                reader, writer = await asyncio.open_connection(self._host, self._port, limit=READ_BYTES)
        except OSError as error:
            return _failure_of(error)
        self._is_connected = True
        has_sent_request = await self._serve(reader, writer)
        return None if has_sent_request else DialFailure(_NO_REQUEST, _NO_REQUEST_REMEDY)

    def _log_failure(self, failure: DialFailure, pause: float) -> None:
        """Once per reason until the controller has sent a request, then every ten minutes."""
        now = self._now_s()
        if now - self._logged.get(failure.reason, -_REMINDER_S) < _REMINDER_S:
            return
        self._logged[failure.reason] = now
        _log.warning(
            "robot not reachable: retrying",
            address=self.address,
            reason=failure.reason,
            attempt=self._attempts,
            retry_in_s=pause,
            longest_pause_s=MAX_PAUSE_S,
            remedy=failure.remedy,
        )

    @staticmethod
    def _now_s() -> float:
        return asyncio.get_running_loop().time()


def _failure_of(error: OSError) -> DialFailure:
    if isinstance(error, socket.gaierror):
        return DialFailure(f"the host name is not known ({error.strerror})", _UNKNOWN_HOST_REMEDY)
    if isinstance(error, TimeoutError) and error.errno is None:
        return DialFailure(f"no answer in {CONNECT_TIMEOUT_S:.0f} s", _UNREACHABLE_REMEDY)
    # asyncio's own text names addresses; several of them make an error without a number.
    reason = str(error) if error.errno is None else os.strerror(error.errno)
    return DialFailure(reason, _REFUSED_REMEDY if error.errno == errno.ECONNREFUSED else _UNREACHABLE_REMEDY)
