"""The log of the daemon: its setup, and throttling of entries that one peer could repeat without end.

A log line is an event (a fixed phrase that can be searched for) and fields. ``info``: expected; ``warning``: somebody
else has to act; ``error``: a failure of this computer, or a defect of the program. ``remedy`` is what to do about it.
"""

from __future__ import annotations

import logging
import sys
import time
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from typing import Any, Literal, TextIO, cast

import structlog
from structlog.typing import ExcInfo

from eyebolt.log_stream import LogStream
from eyebolt.plain_text import clean_line

LogFormat = Literal["console", "json"]

# Keys remembered: a log line is worth a few hundred bytes, and one peer has no more than a handful of keys.
_MAX_KEYS = 256


def configure_log(log_format: LogFormat) -> LogStream:
    """Sends log lines to stderr: readable text (console), or one JSON object per line (json).

    No caller waits for stderr, and a stderr that is full, stopped or gone is no error: its lines are counted.
    """
    shared: list[structlog.typing.Processor] = [
        _clean_fields,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    last: structlog.typing.Processor = (
        structlog.processors.JSONRenderer()
        if log_format == "json"
        else structlog.dev.ConsoleRenderer(colors=stderr_is_terminal(), exception_formatter=_exception_summary)
    )
    if log_format == "json":
        # Local variables stay out: they may hold whole images.
        where = structlog.tracebacks.ExceptionDictTransformer(show_locals=False)
        shared.append(structlog.processors.ExceptionRenderer(where))
    processors = [*shared, last]
    stream = LogStream(sys.stderr, lambda count: _render_loss(processors, count))
    structlog.configure(
        processors=processors,
        logger_factory=structlog.WriteLoggerFactory(file=cast(TextIO, stream)),
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        cache_logger_on_first_use=False,
    )
    return stream


def stderr_is_terminal() -> bool:
    """Whether stderr is a terminal; a program can be started without one."""
    # Python's type of it does not say so.
    stderr: TextIO | None = sys.stderr
    return stderr is not None and stderr.isatty()


def _render_loss(processors: list[structlog.typing.Processor], count: int) -> str:
    """The line that stands for lines that could not be written."""
    event: Any = {"event": "log lines lost", "count": count, "remedy": "free the disk or the terminal of the log"}
    for processor in processors:
        event = processor(None, "warning", event)
    return f"{event}\n"


def _clean_fields(logger: object, method: str, event: structlog.typing.EventDict) -> structlog.typing.EventDict:
    """Peers, files and paths put words into the log: none of them can steer a terminal or begin an entry of its own."""
    return {key: clean_line(value) if isinstance(value, str) else value for key, value in event.items()}


def _exception_summary(out: TextIO, fault: ExcInfo) -> None:
    """An operator gets no traceback; the JSON log has it."""
    out.write("\n" + clean_line(f"  a defect of the program: {fault[1]!r}; '--log json' shows where"))


@dataclass
class _Window:
    started_s: float
    admitted: int = 0
    suppressed: int = 0


class LogThrottle:
    """Admits ``max_entries`` entries of the same key in ``window_s`` seconds. Remembers at most 256 keys."""

    def __init__(self, max_entries: int = 20, window_s: float = 10.0) -> None:
        self._max_entries = max_entries
        self._window_s = window_s
        self._windows: dict[Hashable, _Window] = {}

    def admit(self, key: Hashable, now_s: float) -> dict[str, int] | None:
        """None: write nothing. Else fields for the entry: how many of its key were suppressed before, if any."""
        window = self._windows.pop(key, None)
        if window is None or now_s - window.started_s >= self._window_s:
            suppressed_before = 0 if window is None else window.suppressed
            window = _Window(now_s)
        else:
            suppressed_before = 0
        # Insertion order is order of use: the key that was silent longest is forgotten.
        self._windows[key] = window
        if len(self._windows) > _MAX_KEYS:
            del self._windows[next(iter(self._windows))]
        if window.admitted >= self._max_entries:
            window.suppressed += 1
            return None
        window.admitted += 1
        return {"suppressed": suppressed_before} if suppressed_before else {}


class ThrottledLogger:
    """A logger whose entries are throttled by event and ``key`` (such as the peer's address)."""

    def __init__(
        self, log: Any, throttle: LogThrottle | None = None, clock_s: Callable[[], float] = time.monotonic
    ) -> None:
        self._log = log
        self._throttle = throttle or LogThrottle()
        self._clock_s = clock_s

    def info(self, event: str, key: Hashable, **fields: object) -> None:
        """An entry of level info."""
        self._write(self._log.info, event, key, fields)

    def warning(self, event: str, key: Hashable, **fields: object) -> None:
        """An entry of level warning."""
        self._write(self._log.warning, event, key, fields)

    def _write(self, write: Callable[..., object], event: str, key: Hashable, fields: dict[str, object]) -> None:
        suppressed = self._throttle.admit((event, key), self._clock_s())
        if suppressed is not None:
            write(event, **fields, **suppressed)
