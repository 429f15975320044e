"""Keeping a log readable, and a disk free, while somebody does the same thing over and over."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

_MOST_KEYS = 256


@dataclass
class _Span:
    begun_s: float
    told: int = 0
    left_out: int = 0


class Sparing:
    """Of what has the same key, ``most`` are told in ``span_s`` seconds. Remembers at most 256 keys."""

    def __init__(self, most: int = 20, span_s: float = 10.0) -> None:
        self._most = most
        self._span_s = span_s
        self._spans: dict[Hashable, _Span] = {}

    def tells(self, key: Hashable, now_s: float) -> dict[str, int] | None:
        """None: say nothing. Else what to add to the words: how many like it were left out before, if any."""
        span = self._spans.pop(key, None)
        if span is None or now_s - span.begun_s >= self._span_s:
            earlier = 0 if span is None else span.left_out
            span = _Span(now_s)
        else:
            earlier = 0
        # The key used last stands last: the one forgotten is the one that was silent longest.
        self._spans[key] = span
        if len(self._spans) > _MOST_KEYS:
            del self._spans[next(iter(self._spans))]
        if span.told >= self._most:
            span.left_out += 1
            return None
        span.told += 1
        return {"left_out": earlier} if earlier else {}
