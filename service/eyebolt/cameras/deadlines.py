"""Waiting on the monotonic clock."""

from __future__ import annotations

import threading
import time

NS_PER_S = 1_000_000_000


def deadline_after(timeout_s: float) -> int:
    """The monotonic instant (ns) ``timeout_s`` from now."""
    return time.monotonic_ns() + round(max(timeout_s, 0.0) * NS_PER_S)


def left_s(deadline_ns: int) -> float:
    """Seconds until ``deadline_ns``, never negative."""
    return max(0.0, (deadline_ns - time.monotonic_ns()) / NS_PER_S)


def wait_for_instant(instant_ns: int, deadline_ns: int, closed: threading.Event) -> bool:
    """Sleep until ``instant_ns``; False as soon as ``closed`` is set, or if the deadline comes first."""
    while time.monotonic_ns() < instant_ns:
        if time.monotonic_ns() >= deadline_ns or closed.wait(left_s(min(instant_ns, deadline_ns))):
            return False
    return not closed.is_set()
