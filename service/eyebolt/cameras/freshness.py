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

STEADY_GAPS = 3
LEAST_GAP_PERIODS = 0.5
MOST_GAP_PERIODS = 1.7

# The frame period is the median of past gaps, each weighing as much as it is long: a burst is short and weighs little.
# One stall weighs at most a second, also in the memory, so that it cannot push the regular gaps out. A new frame rate
# is believed after half the memory; so would be a backlog that takes as long to drain.
MEMORY_S = 10.0
_MOST_WEIGHT_NS = NS_PER_S
# Shorter than this, an opening burst of frames that waited at the sender could pass for the frame rate.
LEAST_LEARNING_S = 1.0


@dataclass
class SteadyGate:
    """Arrivals of one epoch; make a new one after any error.

    ``greatest_delay_ns``: no frame arrives later than this after its exposure began, while arrivals are steady.
    ``period_ns``: the known frame period, or None to learn it, which takes at least a second.
    """

    greatest_delay_ns: int
    period_ns: float | None = None
    _last_ns: int | None = None
    _gaps_ns: deque[int] = field(default_factory=deque)
    _weight_ns: int = 0

    def arrival(self, arrived_ns: int) -> None:
        """A frame arrived."""
        if self._last_ns is not None:
            self._gaps_ns.append(arrived_ns - self._last_ns)
            self._weight_ns += _weight_ns(self._gaps_ns[-1])
            while len(self._gaps_ns) > STEADY_GAPS and self._weight_ns > MEMORY_S * NS_PER_S:
                self._weight_ns -= _weight_ns(self._gaps_ns.popleft())
        self._last_ns = arrived_ns

    def frame_period_ns(self) -> float | None:
        """The known or learned frame period; None while there is too little to learn it from."""
        if self.period_ns is not None:
            return self.period_ns
        if len(self._gaps_ns) < STEADY_GAPS or self._weight_ns < LEAST_LEARNING_S * NS_PER_S:
            return None
        gaps_ns = np.sort(np.asarray(self._gaps_ns, dtype=np.int64))
        weights_ns = np.cumsum(np.minimum(gaps_ns, _MOST_WEIGHT_NS))
        return float(gaps_ns[np.searchsorted(weights_ns, weights_ns[-1] / 2)])

    def is_steady(self) -> bool:
        """The last three gaps are those of the frame rate."""
        period_ns = self.frame_period_ns()
        if period_ns is None or len(self._gaps_ns) < STEADY_GAPS:
            return False
        latest = [self._gaps_ns[i] for i in range(-STEADY_GAPS, 0)]
        return all(MOST_GAP_PERIODS * period_ns >= gap_ns >= LEAST_GAP_PERIODS * period_ns for gap_ns in latest)

    def earliest_exposure_ns(self) -> int | None:
        """The newest frame was exposed no earlier than this instant; None if its arrival cannot be trusted."""
        if self._last_ns is None or not self.is_steady():
            return None
        return self._last_ns - self.greatest_delay_ns


def _weight_ns(gap_ns: int) -> int:
    return min(gap_ns, _MOST_WEIGHT_NS)
