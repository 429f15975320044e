"""Detection of a TCP peer that lost its power or its network without closing the connection."""

from __future__ import annotations

import contextlib
import socket
import sys
from typing import Protocol

# A peer that acknowledges nothing for this long is dead: the answers to probes while it is silent, data otherwise.
DEAD_AFTER_S = 10
_PROBE_AFTER_S = 5
_PROBE_INTERVAL_S = 2
_PROBES = 3

# Options by name: not every system has all of them.
_TCP_OPTIONS = {
    "TCP_KEEPIDLE": _PROBE_AFTER_S,
    "TCP_KEEPINTVL": _PROBE_INTERVAL_S,
    "TCP_KEEPCNT": _PROBES,
    # RFC 5482; Linux applies it to data and to probes. Milliseconds.
    "TCP_USER_TIMEOUT": DEAD_AFTER_S * 1000,
}
if sys.platform == "darwin":
    _TCP_OPTIONS["TCP_KEEPALIVE"] = _PROBE_AFTER_S


class SocketOptions(Protocol):
    """What sockets of the standard library and those of asyncio have in common."""

    @property
    def family(self) -> int:
        """Address family."""

    def setsockopt(self, level: int, option: int, value: int, /) -> None:
        """See setsockopt(2)."""


def detect_dead_peer(connection: SocketOptions) -> None:
    """Has the system end ``connection`` with ETIMEDOUT within 15 s once its peer is dead.

    The system of a silent but living peer answers the probes by itself, so silence alone never ends a connection.
    """
    if connection.family not in (socket.AF_INET, socket.AF_INET6):
        return
    with contextlib.suppress(OSError):
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in _TCP_OPTIONS.items():
        option = getattr(socket, name, None)
        if option is not None:
            with contextlib.suppress(OSError):
                connection.setsockopt(socket.IPPROTO_TCP, option, value)
