"""A verdict: the code, what was measured against which limit, and what to do about it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from eyebolt.pairs.limits import Limit
from eyebolt.wire.codes import CODES


@dataclass(frozen=True)
class Ground:
    """``measure`` in words; its ``value`` and its ``limit`` in ``unit`` ("" for shares); ``source`` of the limit."""

    measure: str
    value: float
    limit: float
    unit: str
    source: str

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return asdict(self)


@dataclass(frozen=True)
class Verdict:
    """``code`` of the wire; ``says`` what was measured against which limit; ``advice`` one sentence or two of what to
    do; ``ground`` the same in numbers, where a number decided."""

    code: int
    says: str
    advice: str
    ground: Ground | None = None


def verdict(code: int, says: str = "", advice: str = "", ground: Ground | None = None) -> Verdict:
    """A verdict with the code's own words where none are given."""
    return Verdict(code, says or CODES[code].says, advice or CODES[code].advice, ground)


def ground(limit: Limit, value: float, at: float | None = None) -> Ground:
    """The ground that a limit gives; ``at`` where it stands now, if that is not its own value."""
    return Ground(limit.name, float(value), limit.value if at is None else float(at), limit.unit, limit.source)
