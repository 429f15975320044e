"""One fault of a configuration file, and how the values found in such a file are shown to an operator."""

from __future__ import annotations

import datetime
import difflib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

_MAX_SHOWN_CHARACTERS = 60


@dataclass(frozen=True)
class ConfigFault:
    """One fault of a station file or lens file."""

    key: str
    """such as ``[goal] tolerance_mm`` or ``sigma.k1``; empty where the text itself is no TOML or JSON"""
    found: str
    """the offending value as the file has it, or what is missing"""
    allowed: str
    """what the file may have instead"""
    line: int | None = None
    """from 1; None where a lens file does not have the key"""

    @property
    def message(self) -> str:
        """Line, key and the value found."""
        place = "" if self.line is None else f"line {self.line}: "
        return f"{place}{self.key + ': ' if self.key else ''}found {self.found}"

    @property
    def remedy(self) -> str:
        """What to write instead."""
        return f"allowed: {self.allowed}"

    def __str__(self) -> str:
        return f"{self.message}; {self.remedy}"


def list_faults(file: str, faults: Sequence[ConfigFault]) -> str:
    """The message of an InputFault on a ``file``: all its faults, one a line."""
    count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
    return f"{file} has {count}:" + "".join(f"\n  {fault}" for fault in faults)


def closest_match(found: str, choices: Iterable[str]) -> str:
    """The choice most similar to ``found``, ignoring capitals; empty if none is similar."""
    by_lower_case = {choice.lower(): choice for choice in choices}
    suggestion = difflib.get_close_matches(found[:80].lower(), by_lower_case, n=1, cutoff=0.6)
    return by_lower_case[suggestion[0]] if suggestion else ""


def lists_to_tuples(value: object) -> object:
    """TOML and JSON have lists only, but strict validation of a tuple accepts tuples only."""
    if isinstance(value, list):
        return tuple(lists_to_tuples(item) for item in value)
    if isinstance(value, dict):
        return {key: lists_to_tuples(item) for key, item in value.items()}
    return value


def printable(text: str) -> str:
    """``text`` shortened and with every control character escaped, safe to print on a terminal."""
    escaped = "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)
    return escaped if len(escaped) <= _MAX_SHOWN_CHARACTERS else escaped[: _MAX_SHOWN_CHARACTERS - 3] + "..."


def format_value(value: object) -> str:
    """A TOML or JSON value as it is written in a file, on one short line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{printable(value)}"'
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, Sequence):
        # Long lists are cut before they are formatted, because only their beginning is shown anyway.
        inner = ", ".join(format_value(v) for v in list(value)[:8])
        return printable(f"[{inner}, ...]" if len(value) > 8 else f"[{inner}]")
    if isinstance(value, int) and abs(value) > 10**_MAX_SHOWN_CHARACTERS:
        return "a number of more than 60 digits"
    if isinstance(value, (datetime.date, datetime.time)):
        return value.isoformat()
    if value is None:
        return "null"
    return printable(str(value))
