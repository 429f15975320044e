"""A finding: something about a data set that an engineer should know."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Finding:
    """Something an engineer should know. ``severity``: "note", "warn" or "stop"."""

    code: str
    severity: str
    message: str
    evidence: dict[str, float] = field(default_factory=dict)
    remedy: str = ""
