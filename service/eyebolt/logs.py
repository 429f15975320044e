"""Keeping a log readable, and a disk free, while somebody does the same thing over and over."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

_MAX_KEYS = 256


@dataclass
class _Window:
    started_s: float
    admitted: int = 0
    suppressed: int = 0


class LogThrottle:
    """Of what has the same key, ``max_entries`` are told in ``window_s`` seconds. Remembers at most 256 keys."""

    def __init__(self, max_entries: int = 20, window_s: float = 10.0) -> None:
        self._max_entries = max_entries
        self._window_s = window_s
        self._windows: dict[Hashable, _Window] = {}

    def admit(self, key: Hashable, now_s: float) -> dict[str, int] | None:
        """None: say nothing. Else what to add to the words: how many like it were left out before, if any."""
        window = self._windows.pop(key, None)
        if window is None or now_s - window.started_s >= self._window_s:
            suppressed_before = 0 if window is None else window.suppressed
            window = _Window(now_s)
        else:
            suppressed_before = 0
        # The key used last stands last: the one forgotten is the one that was silent longest.
        self._windows[key] = window
        if len(self._windows) > _MAX_KEYS:
            del self._windows[next(iter(self._windows))]
        if window.admitted >= self._max_entries:
            window.suppressed += 1
            return None
        window.admitted += 1
        return {"suppressed": suppressed_before} if suppressed_before else {}
