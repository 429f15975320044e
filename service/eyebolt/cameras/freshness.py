"""When may a frame without an instant of its own be believed to be fresh? When its arrivals are steady.

After a stall the frames that waited come in a burst, each later than it should be; a frame is therefore trusted only if
the last three gaps between arrivals lie within 0.5-1.7 frame periods and its arrival minus the greatest known delay is
still after the request. A backlog that drains at nearly the normal frame rate is not seen.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np

NS_PER_S = 1_000_000_000

STEADY_INTERVALS = 3
MIN_INTERVAL_PERIODS = 0.5
MAX_INTERVAL_PERIODS = 1.7

# The frame period is the median of past gaps, each weighing as much as it is long: a burst is short and weighs little.
# One stall weighs at most a second, also in the memory, so that it cannot push the regular gaps out. A new frame rate
# is believed after half the memory; so would be a backlog that takes as long to drain.
WINDOW_S = 10.0
_MAX_WEIGHT_NS = NS_PER_S
# Shorter than this, an opening burst of frames that waited at the sender could pass for the frame rate.
MIN_LEARNING_S = 1.0


@dataclass
class ArrivalGate:
    """Arrivals of one epoch; make a new one after any error.

    ``max_latency_ns``: no frame arrives later than this after its exposure began, while arrivals are steady.
    ``period_ns``: the known frame period, or None to learn it, which takes at least a second.
    """

    max_latency_ns: int
    period_ns: float | None = None
    _last_ns: int | None = None
    _intervals_ns: deque[int] = field(default_factory=deque)
    _weight_ns: int = 0

    def add_arrival(self, arrived_ns: int) -> None:
        """A frame arrived."""
        if self._last_ns is not None:
            self._intervals_ns.append(arrived_ns - self._last_ns)
            self._weight_ns += _weight_ns(self._intervals_ns[-1])
            while len(self._intervals_ns) > STEADY_INTERVALS and self._weight_ns > WINDOW_S * NS_PER_S:
                self._weight_ns -= _weight_ns(self._intervals_ns.popleft())
        self._last_ns = arrived_ns

    def frame_period_ns(self) -> float | None:
        """The known or learned frame period; None while there is too little to learn it from."""
        if self.period_ns is not None:
            return self.period_ns
        if len(self._intervals_ns) < STEADY_INTERVALS or self._weight_ns < MIN_LEARNING_S * NS_PER_S:
            return None
        intervals_ns = np.sort(np.asarray(self._intervals_ns, dtype=np.int64))
        weights_ns = np.cumsum(np.minimum(intervals_ns, _MAX_WEIGHT_NS))
        return float(intervals_ns[np.searchsorted(weights_ns, weights_ns[-1] / 2)])

    def is_steady(self) -> bool:
        """The last three gaps are those of the frame rate."""
        period_ns = self.frame_period_ns()
        if period_ns is None or len(self._intervals_ns) < STEADY_INTERVALS:
            return False
        recent_ns = [self._intervals_ns[i] for i in range(-STEADY_INTERVALS, 0)]
        return all(
            MAX_INTERVAL_PERIODS * period_ns >= interval_ns >= MIN_INTERVAL_PERIODS * period_ns
            for interval_ns in recent_ns
        )

    def earliest_exposure_ns(self) -> int | None:
        """The newest frame was exposed no earlier than this instant; None if its arrival cannot be trusted."""
        if self._last_ns is None or not self.is_steady():
            return None
        return self._last_ns - self.max_latency_ns


def _weight_ns(interval_ns: int) -> int:
    return min(interval_ns, _MAX_WEIGHT_NS)
