"""Limits of the robot's port, far above what any working robot needs.

The length of a line is limited by the protocol: ``protocol.MAX_LINE_BYTES``.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class RateLimit:
    """Average rate at which a connection is read; data that arrive faster wait in the peer's own socket."""

    lines_per_s: float
    bytes_per_s: float

    def share(self, count: int) -> RateLimit:
        """The equal share of one of ``count`` connections."""
        return RateLimit(self.lines_per_s / count, self.bytes_per_s / count)

    def cost_s(self, lines: int, size_bytes: int) -> float:
        """Seconds of reading that these lines and bytes use up."""
        return lines / self.lines_per_s + size_bytes / self.bytes_per_s


@dataclass(frozen=True)
class ConnectionLimits:
    """Limits of the robot's port."""

    max_connections: int = 32
    """Open connections; one more evicts an idle one (``RobotServer``)."""
    max_queued_lines: int = 64
    """Lines of one connection that wait for their reply; a robot waits for each reply, so it has one."""
    first_line_timeout_s: float = 300.0
    """From connecting to the first well-formed line. After that a connection may be idle for ever: a robot may stand
    still for hours between two waypoints."""
    max_unknown_verbs: int = 5
    """Lines without a known verb (40) before the first well-formed line; then a caller is disconnected. A controller
    that the daemon dials may greet with any text."""
    line_timeout_s: float = 2.0
    """From the first byte of a line to its ending; after that the log and the status name the missing ending."""
    holder: RateLimit = RateLimit(lines_per_s=2000.0, bytes_per_s=128_000.0)
    """Rate of the connection that holds the station; live poses at 500 a second are well within it."""
    others: RateLimit = RateLimit(lines_per_s=10.0, bytes_per_s=2000.0)
    """Rate of each other connection."""
    unclaimed: RateLimit = RateLimit(lines_per_s=1500.0, bytes_per_s=80_000.0)
    """While no connection holds the station: rate of all together, in equal shares. A robot alone may stream live
    poses before its first request."""
    burst_s: float = 2.0
    """Seconds of reading that may be used up in advance."""


# Bytes read from a socket at a time, and bytes of replies buffered for a peer that does not read them.
READ_BYTES = 4096
WRITE_BYTES = 4096
