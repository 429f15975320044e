"""What the robot's door bears, all in one place. No robot that works comes near any of it.

The length of a line is the wire's own limit: ``wire.lines.MAX_LINE_BYTES``.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class RateLimit:
    """How fast one connection is read on the average; what comes faster waits in its own socket."""

    lines_per_s: float
    bytes_per_s: float

    def share(self, count: int) -> RateLimit:
        """The equal share of one of so many."""
        return RateLimit(self.lines_per_s / count, self.bytes_per_s / count)

    def cost_s(self, lines: int, size_bytes: int) -> float:
        """Seconds of reading that so many lines and bytes use up."""
        return lines / self.lines_per_s + size_bytes / self.bytes_per_s


@dataclass(frozen=True)
class ConnectionLimits:
    """``max_connections``: open at a time. One more makes room: see ``RobotServer``.

    ``max_queued_lines``: lines of one connection; a robot waits for each answer.
    ``first_line_timeout_s``: from connecting to the first well-formed line. Who has said one is never timed out: a robot may
    stand still for hours between two waypoints.
    ``holder``, ``others``: paces of the connection that holds the station (live poses, 500 a second, are well within)
    and of each other one. ``unclaimed``: while nobody holds it, of all together, in equal shares: a robot alone may
    stream live poses before its first request. ``burst_s``: seconds of reading that may be used up in advance.
    """

    max_connections: int = 32
    max_queued_lines: int = 64
    first_line_timeout_s: float = 300.0
    holder: RateLimit = RateLimit(lines_per_s=2000.0, bytes_per_s=128_000.0)
    others: RateLimit = RateLimit(lines_per_s=10.0, bytes_per_s=2000.0)
    unclaimed: RateLimit = RateLimit(lines_per_s=1500.0, bytes_per_s=80_000.0)
    burst_s: float = 2.0


# Bytes taken from a socket at a time, and bytes of answers kept for a peer that does not read them.
READ_BYTES = 4096
WRITE_BYTES = 4096
