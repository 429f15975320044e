"""One fault of a station file, and how a value found in it is shown to a person."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

_SHOWN_CHARACTERS = 60


@dataclass(frozen=True)
class StationFault:
    """``line`` counts from 1; ``key`` is such as ``[goal] tolerance_mm``, empty where the line itself is no TOML."""

    line: int
    key: str
    found: str
    allowed: str

    def __str__(self) -> str:
        place = f"line {self.line}: {self.key}: " if self.key else f"line {self.line}: "
        return f"{place}found {self.found}; allowed: {self.allowed}"


@dataclass(frozen=True)
class BrokenRule:
    """A rule between fields that does not hold; ``key`` is empty where the fault is the whole section's."""

    section: str
    key: str
    found: str
    allowed: str


def printable(text: str) -> str:
    """``text`` shortened and with every control character escaped, safe to print on a terminal."""
    escaped = "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)
    return escaped if len(escaped) <= _SHOWN_CHARACTERS else escaped[: _SHOWN_CHARACTERS - 3] + "..."


def shown(value: object) -> str:
    """A TOML or JSON value as a person wrote it, on one short line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{printable(value)}"'
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, Sequence):
        # Long lists are cut before they are rendered: the whole of one would never be shown anyway.
        inner = ", ".join(shown(v) for v in list(value)[:8])
        return printable(f"[{inner}, ...]" if len(value) > 8 else f"[{inner}]")
    if isinstance(value, int) and abs(value) > 10**_SHOWN_CHARACTERS:
        return "a number of more than 60 digits"
    if isinstance(value, (datetime.date, datetime.time)):
        return value.isoformat()
    if value is None:
        return "null"
    return printable(str(value))
