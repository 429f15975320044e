"""Freshness of frames without a timestamp: only while arrivals are regular is the latency bounded.

After a stall the queued frames arrive in a burst, each later than it should be; a frame is therefore trusted only if
the last three intervals between arrivals lie within 0.5-1.7 frame periods and its arrival minus the largest latency is
still after the request. A backlog that drains at nearly the normal frame rate is not detected.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from eyebolt.deadline import NS_PER_S

STEADY_INTERVALS = 3
MIN_INTERVAL_PERIODS = 0.5
MAX_INTERVAL_PERIODS = 1.7

# The frame period is the median of past intervals, each weighted by its length: a burst is short and weighs little. One
# stall weighs at most a second, also in the window, so that it cannot push the regular intervals out. A new frame rate
# is adopted after half the window; so would be the rate of a backlog that takes as long to drain.
WINDOW_S = 10.0
_MAX_WEIGHT_NS = NS_PER_S
# In less time, an initial burst of frames that queued at the sender could pass for the frame rate.
MIN_LEARNING_S = 1.0


@dataclass
class ArrivalGate:
    """Arrivals of one epoch; make a new one after any error."""

    max_latency_ns: int
    """Longest time from the start of an exposure to the arrival of its frame while arrivals are regular, ns."""
    period_ns: float | None = None
    """The known frame period, ns; None: it is learned, which takes at least a second."""
    _last_ns: int | None = None
    _intervals_ns: deque[int] = field(default_factory=deque)
    _weight_ns: int = 0

    def add_arrival(self, arrived_ns: int) -> None:
        """Registers the arrival of a frame, monotonic ns."""
        if self._last_ns is not None:
            self._intervals_ns.append(arrived_ns - self._last_ns)
            self._weight_ns += _weight_ns(self._intervals_ns[-1])
            while len(self._intervals_ns) > STEADY_INTERVALS and self._weight_ns > WINDOW_S * NS_PER_S:
                self._weight_ns -= _weight_ns(self._intervals_ns.popleft())
        self._last_ns = arrived_ns

    def frame_period_ns(self) -> float | None:
        """The known or learned frame period; None while there are too few arrivals to learn it from."""
        if self.period_ns is not None:
            return self.period_ns
        if len(self._intervals_ns) < STEADY_INTERVALS or self._weight_ns < MIN_LEARNING_S * NS_PER_S:
            return None
        intervals_ns = np.sort(np.asarray(self._intervals_ns, dtype=np.int64))
        weights_ns = np.cumsum(np.minimum(intervals_ns, _MAX_WEIGHT_NS))
        return float(intervals_ns[np.searchsorted(weights_ns, weights_ns[-1] / 2)])

    def is_steady(self) -> bool:
        """The last three intervals agree with the frame period."""
        period_ns = self.frame_period_ns()
        if period_ns is None or len(self._intervals_ns) < STEADY_INTERVALS:
            return False
        recent_ns = [self._intervals_ns[i] for i in range(-STEADY_INTERVALS, 0)]
        return all(
            MAX_INTERVAL_PERIODS * period_ns >= interval_ns >= MIN_INTERVAL_PERIODS * period_ns
            for interval_ns in recent_ns
        )

    def earliest_exposure_ns(self) -> int | None:
        """Lower bound of the newest frame's exposure, monotonic ns; None if arrivals are irregular."""
        if self._last_ns is None or not self.is_steady():
            return None
        return self._last_ns - self.max_latency_ns


def _weight_ns(interval_ns: int) -> int:
    return min(interval_ns, _MAX_WEIGHT_NS)
