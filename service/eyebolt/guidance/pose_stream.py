"""The live poses of a guided arm: a bounded buffer, the instants at which they were sampled, and interpolation.

The lines of a stream carry no time, and arrive late by a constant delay and a random one (network, scheduling), never
early. The constant part cannot be seen here (see ``delay``); the random part can, since a robot samples its poses at a
fixed period: in x_n = a_n - n T (arrival a, period T) the random delays lie above a lower envelope, as the round-trip
times of NTP do above their minimum (RFC 5905, section 10). A sample is dated by the envelope of the quarter second on
either side.
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from eyebolt.geometry import Array, se3

BUFFER_S = 8.0
"""Poses of this time are kept, seconds."""
MAX_POSES = 6000
"""At most so many poses are kept: 12 s of the fastest stream."""
_ENVELOPE_S = 0.25
# A stream that stands still for longer than this is one that was paused: poses before it do not date those after it.
_PAUSE_S = 0.03
_MIN_SAMPLES = 8


class PoseStream:
    """The newest live poses. All instants are seconds of the clock that dates their arrival."""

    def __init__(self) -> None:
        self._arrivals_s = np.empty(2 * MAX_POSES)
        self._poses = np.empty((2 * MAX_POSES, 4, 4))
        self._first = self._end = 0
        self._instants: Array | None = None

    def __len__(self) -> int:
        return self._end - self._first

    def add(self, arrived_s: float, base_T_flange: Array) -> None:
        """One live flange pose (4, 4), metres. Arrivals never decrease."""
        if self._end == len(self._arrivals_s):
            count = len(self)
            self._arrivals_s[:count] = self._arrivals_s[self._first : self._end]
            self._poses[:count] = self._poses[self._first : self._end]
            self._first, self._end = 0, count
        self._arrivals_s[self._end] = arrived_s
        self._poses[self._end] = base_T_flange
        self._end += 1
        oldest_s = arrived_s - BUFFER_S
        while self._arrivals_s[self._first] < oldest_s or len(self) > MAX_POSES:
            self._first += 1
        self._instants = None

    @property
    def arrivals_s(self) -> Array:
        """(n,): when the poses arrived."""
        return self._arrivals_s[self._first : self._end]

    @property
    def poses(self) -> Array:
        """(n, 4, 4), metres: the poses."""
        return self._poses[self._first : self._end]

    @property
    def instants_s(self) -> Array:
        """(n,): the instants of the samples, each later than its true one by the same delay; strictly increasing."""
        instants = self._instants
        if instants is None:
            instants = self._instants = sample_instants(self.arrivals_s)
        return instants

    @property
    def period_s(self) -> float | None:
        """Period of the stream; None while there are too few poses to tell."""
        return sampling_period(self.arrivals_s)

    def covers(self, first_s: float, last_s: float) -> bool:
        """Whether there are poses before and after an interval of sample instants, without a gap of 0.1 s in it."""
        instants = self.instants_s
        if not len(instants) or first_s < instants[0] or last_s > instants[-1]:
            return False
        low, high = np.searchsorted(instants, [first_s, last_s], side="right")
        inside = instants[max(low - 1, 0) : high + 1]
        return bool(len(inside) < 2 or np.diff(inside).max() < 0.1)

    def poses_at(self, instants_s: Array) -> Array:
        """(n, 4, 4): the poses at sample instants (n,), on the screw between neighbours; the ends are not extended."""
        known = self.instants_s
        after = np.clip(np.searchsorted(known, instants_s), 1, max(len(known) - 1, 1))
        before = after - 1
        share = np.clip((instants_s - known[before]) / (known[after] - known[before]), 0.0, 1.0)
        poses = self.poses
        screw = se3.log(se3.inverse(poses[before]) @ poses[after])
        out: Array = poses[before] @ se3.exp(screw * share[:, None])
        return out


def sampling_period(arrivals_s: Array) -> float | None:
    """The period at which a stream is sampled, seconds: the median over long spans, which stalls do not shift."""
    count = len(arrivals_s)
    if count < _MIN_SAMPLES:
        return None
    # A quarter of them: a pause in the middle lies within a third of the spans.
    lag = count // 4
    period_s = float(np.median(arrivals_s[lag:] - arrivals_s[:-lag])) / lag
    return period_s if period_s > 0 else None


def sample_instants(arrivals_s: Array) -> Array:
    """(n,): instants of the samples that arrived at ``arrivals_s`` (n,), without the random part of their delays.

    Strictly increasing. With few samples the arrivals themselves.
    """
    period_s = sampling_period(arrivals_s)
    if period_s is None:
        return _increasing(arrivals_s)
    index = np.arange(len(arrivals_s))
    late_s = arrivals_s - index * period_s
    reach = max(1, round(_ENVELOPE_S / period_s))
    before = _running_minimum(late_s, reach)
    after = _running_minimum(late_s[::-1], reach)[::-1]
    # After a pause of the stream the envelope rises and stays there: only later samples know of it.
    is_paused = after - before > max(_PAUSE_S, 3 * period_s)
    return _increasing(np.where(is_paused, after, np.minimum(before, after)) + index * period_s)


def _running_minimum(values: Array, reach: int) -> Array:
    """(n,): the minimum of each value and the ``reach`` values before it."""
    padded = np.concatenate([np.full(reach, np.inf), values])
    out: Array = sliding_window_view(padded, reach + 1).min(axis=1)
    return out


def _increasing(instants_s: Array) -> Array:
    """The instants, each a little later than the one before."""
    out: Array = np.maximum.accumulate(instants_s) + 1e-9 * np.arange(len(instants_s))
    return out
