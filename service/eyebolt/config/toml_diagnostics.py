"""On which line of a TOML text a key stands.

The standard parser keeps no line numbers. A valid document is a row of statements, each of which is a valid document
by itself, so the text is cut into statements by parsing them one after another with that same parser: quoted keys,
dotted keys, inline tables and texts over several lines cannot be misread. A key of an inline table, or an element of a
list, is on the line where its statement begins.

What a TOML syntax error means to a person who writes station files.

One fault of a station file, and how a value found in it is shown to a person.
"""

from __future__ import annotations

import datetime
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

KeyPath = tuple[str, ...]

# A statement of several lines can end only on a line that holds one of these.
_CLOSING_TOKENS = ("]", '"""', "'''")


def key_lines(text: str) -> dict[KeyPath, int]:
    """Line number, from 1, of the first mention of every table and key of ``text``, which must be valid TOML."""
    found: dict[KeyPath, int] = {}
    table: KeyPath = ()
    for line, _, statement, is_header in _statements(text):
        for path in _paths(statement):
            found.setdefault((() if is_header else table) + path, line)
        if is_header:
            table = max(_paths(statement), key=len)
    return found


def unfinished_line(text: str) -> int | None:
    """Line on which a statement begins that never becomes valid TOML; None if each statement is valid by itself."""
    lines = text.split("\n")
    ended = 0
    for _, last, _, _ in _statements(text):
        ended = last
    rest = [number for number in range(ended, len(lines)) if lines[number].strip()]
    return rest[0] + 1 if rest else None


def _statements(text: str) -> Iterator[tuple[int, int, dict[str, Any], bool]]:
    """First and last line, parsed content and "is a table header" of each statement, blank and comment lines too."""
    pending: list[str] = []
    first = 1
    for number, line in enumerate(text.split("\n"), start=1):
        if not pending:
            first = number
        pending.append(line)
        if len(pending) > 1 and not any(closer in line for closer in _CLOSING_TOKENS):
            continue
        try:
            statement = tomllib.loads("\n".join(pending))
        except (ValueError, RecursionError):
            continue
        yield first, number, statement, pending[0].lstrip().startswith("[")
        pending = []


def _paths(content: object, prefix: KeyPath = ()) -> list[KeyPath]:
    """Paths of all tables and keys in ``content``, an array of tables counting as its last table."""
    while isinstance(content, list) and content and isinstance(content[-1], dict):
        content = content[-1]
    paths: list[KeyPath] = []
    if isinstance(content, dict):
        for key, inner in content.items():
            paths.append((*prefix, key))
            paths.extend(_paths(inner, (*prefix, key)))
    return paths


_HINTS = (
    ("Cannot overwrite", "each key once in its section: remove one of the two"),
    ("Cannot declare", "each section once: put its keys together under one header"),
    ("Cannot mutate", "each section once, and no [[double brackets]]"),
    ("Unescaped '\\'", "paths with / between the folders, or in single quotes: 'C:\\data'"),
    ("Illegal character", "text that ends on its own line with the quote it began with"),
    ("Expected '=' after a key", 'key = value, such as mount = "fixed"'),
    ("Expected ']'", "a section header in closed brackets, such as [robot]"),
    ("Unclosed array", "a list that is closed with ]"),
    ("Unclosed inline table", "a table that is closed with }"),
    ("Unterminated string", "text that is closed with the quote it began with"),
)
_GENERAL_HINT = '[section] or key = value on each line, comments after #, text in "double quotes"'


def syntax_fault(text: str, error: BaseException) -> StationFault:
    """The line on which the TOML parser gave up, or on which the unfinished statement begins, and a likely remedy."""
    lines = text.rstrip("\n").split("\n")
    reason = str(error)
    unfinished_from = unfinished_line(text)
    place = re.search(r"\(at line (\d+), column \d+\)", reason)
    if isinstance(error, RecursionError):
        return StationFault(
            unfinished_from or 1, "", "lists or tables inside each other, too deep to read", _GENERAL_HINT
        )
    if not place and "end of document" not in reason:
        return StationFault(unfinished_from or 1, "", "a value that cannot be read", "a number of a few digits")
    line = min(int(place.group(1)), len(lines)) if place else unfinished_from or len(lines)
    content = lines[line - 1].strip()
    allowed = _hint(reason, content)
    if unfinished_from is not None and unfinished_from < line:
        allowed += f" (this stands inside what begins on line {unfinished_from} and is not closed before)"
    return StationFault(line, "", f"`{printable(content)}`", allowed)


def _hint(reason: str, content: str) -> str:
    for phrase, hint in _HINTS:
        if phrase in reason:
            return hint
    value = content.partition("=")[2].strip()
    if re.match(r"[+-]?\d+,\d", value):
        return "a decimal point, not a comma: 0.5"
    if re.match(r"[A-Za-z_]", value):
        return f'text in double quotes, such as "{printable(value.split("#")[0].strip())}"'
    if re.match(r"[+-]?(\.\d|\d+\.(\D|$))", value):
        return "numbers with digits on both sides of the point: 0.5 or 5.0"
    return _GENERAL_HINT


_MAX_SHOWN_CHARACTERS = 60


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
class RuleViolation:
    """A rule between fields that does not hold; ``key`` is empty where the fault is the whole section's."""

    section: str
    key: str
    found: str
    allowed: str


def printable(text: str) -> str:
    """``text`` shortened and with every control character escaped, safe to print on a terminal."""
    escaped = "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)
    return escaped if len(escaped) <= _MAX_SHOWN_CHARACTERS else escaped[: _MAX_SHOWN_CHARACTERS - 3] + "..."


def format_value(value: object) -> str:
    """A TOML or JSON value as a person wrote it, on one short line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{printable(value)}"'
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, Sequence):
        # Long lists are cut before they are rendered: the whole of one would never be shown anyway.
        inner = ", ".join(format_value(v) for v in list(value)[:8])
        return printable(f"[{inner}, ...]" if len(value) > 8 else f"[{inner}]")
    if isinstance(value, int) and abs(value) > 10**_MAX_SHOWN_CHARACTERS:
        return "a number of more than 60 digits"
    if isinstance(value, (datetime.date, datetime.time)):
        return value.isoformat()
    if value is None:
        return "null"
    return printable(str(value))
