"""Notifies a service manager that the daemon is ready and alive, if it was started by one.

Datagrams to the socket that the manager names, as in sd_notify(3) and sd_watchdog_enabled(3) of systemd.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
from collections.abc import Mapping
from dataclasses import dataclass

# sd_watchdog_enabled(3) recommends two pings per timeout; with four, a late one does not end a daemon that works.
_PINGS_PER_TIMEOUT = 4


@dataclass(frozen=True)
class SystemdNotifier:
    """Notifications to the manager; none are sent without one."""

    address: str | None = None
    """Of the manager's socket; None without a manager."""
    watchdog_s: float | None = None
    """How long the manager waits for a ping; None: it waits for none."""

    @staticmethod
    def from_environment(environment: Mapping[str, str], process: int) -> SystemdNotifier:
        """From the environment of the process with id ``process``; invalid values count as missing."""
        address = environment.get("NOTIFY_SOCKET", "")
        if not address.startswith(("/", "@")):
            return SystemdNotifier()
        timeout_us = environment.get("WATCHDOG_USEC", "")
        for_us = environment.get("WATCHDOG_PID", str(process)) == str(process)
        watchdog_s = int(timeout_us) / 1e6 if for_us and timeout_us.isdecimal() and int(timeout_us) > 0 else None
        return SystemdNotifier(address, watchdog_s)

    def ready(self, where: str) -> None:
        """The robot's port is open; ``where`` in words."""
        self._notify(f"READY=1\nSTATUS={where}\nMAINPID={os.getpid()}")

    def stopping(self) -> None:
        """The daemon ends regularly."""
        self._notify("STOPPING=1")

    async def send_watchdog_pings(self) -> None:
        """Until cancelled. It runs in the daemon's loop, so that the pings end if the loop hangs."""
        while self.watchdog_s is not None:
            self._notify("WATCHDOG=1")
            await asyncio.sleep(self.watchdog_s / _PINGS_PER_TIMEOUT)

    def _notify(self, text: str) -> None:
        if self.address is None:
            return
        # A name that begins with @ is in the abstract namespace (unix(7)).
        address = "\0" + self.address[1:] if self.address.startswith("@") else self.address
        # A manager that does not listen must not stop a calibration.
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as datagram_socket:
            datagram_socket.setblocking(False)
            datagram_socket.sendto(text.encode(), address)
