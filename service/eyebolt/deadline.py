"""Bounded waiting on the monotonic clock (CLOCK_MONOTONIC), which no change of the wall clock moves."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass

NS_PER_S = 1_000_000_000


@dataclass(frozen=True)
class Deadline:
    """The instant at which a wait gives up; make one with ``after``."""

    at_ns: int
    """Monotonic nanoseconds, as of ``time.monotonic_ns()``."""

    @classmethod
    def after(cls, timeout_s: float) -> Deadline:
        """``timeout_s`` seconds from now; a negative time-out counts as zero."""
        return cls(time.monotonic_ns() + round(max(timeout_s, 0.0) * NS_PER_S))

    @property
    def remaining_s(self) -> float:
        """Seconds left, never negative."""
        return max(0.0, (self.at_ns - time.monotonic_ns()) / NS_PER_S)

    @property
    def has_passed(self) -> bool:
        """No time is left."""
        return time.monotonic_ns() >= self.at_ns

    def at_most(self, timeout_s: float) -> Deadline:
        """This deadline, or ``timeout_s`` seconds from now if that is earlier."""
        return min(self, Deadline.after(timeout_s), key=lambda deadline: deadline.at_ns)

    def sleep_until(self, instant_ns: int, cancelled: threading.Event) -> bool:
        """Sleeps until the monotonic instant ``instant_ns``.

        False as soon as ``cancelled`` is set, or if the deadline comes before the instant.
        """
        while time.monotonic_ns() < instant_ns:
            if self.has_passed or cancelled.wait(Deadline(min(instant_ns, self.at_ns)).remaining_s):
                return False
        return not cancelled.is_set()
