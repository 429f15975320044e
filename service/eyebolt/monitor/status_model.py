"""The status message as the terminal reads it: every field checked, nothing trusted, unknown keys let through."""

from __future__ import annotations

import json
import math
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from eyebolt.protocol import Code

TOPIC = b"status"
SCHEMA = 1
_MAX_COUNT = 9999


@dataclass(frozen=True)
class LastReply:
    """The newest answer to the robot: request number, reply code, what it says and what to do."""

    seq: int
    code: Code
    message: str
    remedy: str


@dataclass(frozen=True)
class LinkStatus:
    """Whether the robot or the camera is there (None: the message does not say), and in words."""

    alive: bool | None
    message: str


@dataclass(frozen=True)
class ResultSummary:
    """What the solve came to; ``p95_mm`` is the expected error, None where not known."""

    acceptance: str
    reason: str
    p95_mm: float | None


@dataclass(frozen=True)
class Status:
    """A status message with every field of the right type and every string safe to print."""

    station: str
    mount: str
    session: str | None
    phase: str
    kept: int
    wanted: int
    min_pairs: int
    max_pairs: int
    refused: int
    checks: int
    tolerance_mm: float | None
    expected_p95_mm: float | None
    history_p95_mm: tuple[float | None, ...]
    last: LastReply | None
    robot: LinkStatus
    camera: LinkStatus
    result: ResultSummary | None
    accepted: bool
    timestamp: str
    findings: tuple[str, ...]
    folder: str | None = None
    timings_ms: tuple[tuple[str, float], ...] = ()
    progress: str = ""
    next_view: str = ""

    @property
    def total(self) -> int:
        """Pairs kept and pairs still wanted together: what the counter counts towards."""
        return self.kept + self.wanted


class UnreadableStatusError(ValueError):
    """A message that cannot be a status; the text says why. It is for a note on the screen, never a fault."""


def decode_status(parts: Sequence[bytes]) -> dict[str, Any]:
    """The status dictionary in a multipart message ``[b"status", JSON]``. Raises UnreadableStatusError."""
    if len(parts) != 2 or parts[0] != TOPIC:
        raise UnreadableStatusError("it does not have the two parts 'status' and JSON")
    try:
        status = json.loads(parts[1])
    except (ValueError, RecursionError):
        raise UnreadableStatusError("its second part is not JSON") from None
    if not isinstance(status, dict):
        raise UnreadableStatusError("its JSON is not an object")
    if type(status.get("schema")) is not int:
        raise UnreadableStatusError("it has no schema number")
    if status["schema"] != SCHEMA:
        raise UnreadableStatusError(
            f"it is of schema {sanitize(str(status['schema']))[:8]}, this program reads {SCHEMA}"
        )
    for key in ("kept", "wanted"):
        if type(status.get(key)) is not int or status[key] < 0:
            raise UnreadableStatusError(f"its '{key}' is not a count")
    if not isinstance(status.get("phase"), str):
        raise UnreadableStatusError("it has no phase")
    return status


def parse_status(status: dict[str, Any]) -> Status:
    """The typed status in a dictionary. What is missing or of the wrong type becomes nothing, zero or "?"."""
    last, result, history, findings = (status.get(k) for k in ("last_reply", "result", "history_p95_mm", "findings"))
    return Status(
        station=_text(status.get("station")) or "?",
        mount=_text(status.get("mount")),
        session=_text(status.get("session")) or None,
        phase=_text(status.get("phase")) or "?",
        kept=_count(status.get("kept")),
        wanted=_count(status.get("wanted")),
        min_pairs=_count(status.get("min_pairs")),
        max_pairs=_count(status.get("max_pairs")),
        refused=_count(status.get("refused")),
        checks=_count(status.get("checks")),
        tolerance_mm=_number(status.get("tolerance_mm")),
        expected_p95_mm=_number(status.get("expected_p95_mm")),
        history_p95_mm=tuple(_number(value) for value in history) if isinstance(history, list) else (),
        last=_last(last) if isinstance(last, dict) else None,
        robot=_link(status.get("robot")),
        camera=_link(status.get("camera")),
        result=_result(result) if isinstance(result, dict) else None,
        accepted=status.get("accepted") is True,
        timestamp=_text(status.get("timestamp")),
        findings=tuple(filter(None, map(_text, findings))) if isinstance(findings, list) else (),
        folder=_text(status.get("folder")) or None,
        timings_ms=_step_times(status.get("timings_ms")),
        progress=_text(_object(status, "progress").get("message")),
        next_view=_text(_object(_object(status, "progress"), "next_view").get("message")),
    )


def sanitize(text: str) -> str:
    """``text`` on one line, without anything that could steer a terminal: no control, format or private characters."""
    kept = ("?" if unicodedata.category(c) in {"Co", "Cs", "Cn"} else c for c in unicodedata.normalize("NFC", text))
    single_spaced = "".join(" " if c.isspace() else c for c in kept)
    return " ".join("".join(c for c in single_spaced if unicodedata.category(c) not in {"Cc", "Cf"}).split())


def _object(value: dict[str, Any], key: str) -> dict[str, Any]:
    part = value.get(key)
    return part if isinstance(part, dict) else {}


def _text(value: object) -> str:
    return sanitize(value) if isinstance(value, str) else ""


def _count(value: object) -> int:
    return min(max(value, 0), _MAX_COUNT) if type(value) is int else 0


def _number(value: object) -> float | None:
    if type(value) not in (int, float):
        return None
    try:
        number = float(value)  # type: ignore[arg-type]
    except OverflowError:
        return None
    return number if math.isfinite(number) and 0 <= number < 1e6 else None


def _step_times(value: object) -> tuple[tuple[str, float], ...]:
    """Steps and their milliseconds, as far as they are numbers; no more than a line could hold."""
    if not isinstance(value, dict):
        return ()
    known = ((_text(step), _number(ms)) for step, ms in list(value.items())[:12])
    return tuple((step, ms) for step, ms in known if step and ms is not None)


def _link(value: object) -> LinkStatus:
    if not isinstance(value, dict):
        return LinkStatus(None, "")
    alive = value.get("alive")
    return LinkStatus(alive if isinstance(alive, bool) else None, _text(value.get("message")))


def _last(value: dict[str, Any]) -> LastReply:
    return LastReply(
        _count(value.get("seq")),
        Code(min(_count(value.get("code")), 99)),
        _text(value.get("message")),
        _text(value.get("remedy")),
    )


def _result(value: dict[str, Any]) -> ResultSummary:
    return ResultSummary(
        _text(value.get("acceptance")) or "?", _text(value.get("reason")), _number(value.get("p95_mm"))
    )
