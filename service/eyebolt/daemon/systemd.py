"""Telling a service manager that the daemon is ready and alive, where one started it.

Datagrams to the socket that it names, as sd_notify(3) and sd_watchdog_enabled(3) of systemd describe them. Without a
service manager nothing is said and nothing is missed.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
from collections.abc import Mapping
from dataclasses import dataclass

# Asked for are at least two signs of life in the time; a late one must not end a daemon that works.
_PINGS_PER_TIMEOUT = 4


@dataclass(frozen=True)
class SystemdNotifier:
    """``address``: of the manager's socket, None without one; ``watchdog_s``: how long it waits for a sign of life."""

    address: str | None = None
    watchdog_s: float | None = None

    @staticmethod
    def from_environment(environment: Mapping[str, str], process: int) -> SystemdNotifier:
        """What the environment of the process with number ``process`` says; anything unusable counts as unsaid."""
        address = environment.get("NOTIFY_SOCKET", "")
        if not address.startswith(("/", "@")):
            return SystemdNotifier()
        timeout_us = environment.get("WATCHDOG_USEC", "")
        for_us = environment.get("WATCHDOG_PID", str(process)) == str(process)
        watchdog_s = int(timeout_us) / 1e6 if for_us and timeout_us.isdecimal() and int(timeout_us) > 0 else None
        return SystemdNotifier(address, watchdog_s)

    def ready(self, where: str) -> None:
        """The robot's door is open, ``where`` in words."""
        self._notify(f"READY=1\nSTATUS={where}\nMAINPID={os.getpid()}")

    def stopping(self) -> None:
        """The daemon is ending of its own will."""
        self._notify("STOPPING=1")

    async def send_watchdog_pings(self) -> None:
        """Says so until cancelled; it runs in the loop that decides, so a loop that hangs falls silent."""
        while self.watchdog_s is not None:
            self._notify("WATCHDOG=1")
            await asyncio.sleep(self.watchdog_s / _PINGS_PER_TIMEOUT)

    def _notify(self, text: str) -> None:
        if self.address is None:
            return
        # A name that begins with @ is one without a file (unix(7)).
        address = "\0" + self.address[1:] if self.address.startswith("@") else self.address
        # A manager that does not listen must not stop a calibration.
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as datagram_socket:
            datagram_socket.setblocking(False)
            datagram_socket.sendto(text.encode(), address)
