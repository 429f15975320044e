"""Faults of configuration files: how a fault and a value are shown, the line a key is on, hints for syntax errors.

The standard TOML parser keeps no line numbers. A valid document is a sequence of statements, each of which is a valid
document by itself, so the text is cut into statements by parsing them one after another with that same parser: quoted
keys, dotted keys, inline tables and strings over several lines cannot be misread. A key of an inline table, or an
element of a list, is attributed to the line where its statement begins.
"""

from __future__ import annotations

import datetime
import difflib
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from eyebolt.bounded_text import TextLimitError

_MAX_SHOWN_CHARACTERS = 60
# Characters that are parsed, again and again, in search of the end of one statement: far above any station file.
_MAX_PARSED_CHARACTERS = 1 << 22


@dataclass(frozen=True)
class ConfigFault:
    """One fault of a station file or lens file."""

    key: str
    """Such as ``[goal] tolerance_mm`` or ``sigma.k1``; empty where the text itself is not TOML or JSON."""
    found: str
    """The offending value as the file has it, or what is missing."""
    allowed: str
    """What the file may have instead."""
    line: int | None = None
    """Line number, from 1; None where a lens file does not have the key."""

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
    """The message of an InputFault on a ``file``: all its faults, one per line."""
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


KeyPath = tuple[str, ...]

# A statement of several lines can end only on a line with one of these.
_CLOSING_TOKENS = ("]", '"""', "'''")


def key_lines(text: str) -> dict[KeyPath, int]:
    """Line number, from 1, of the first occurrence of every table and key of ``text``, which must be valid TOML."""
    found: dict[KeyPath, int] = {}
    table: KeyPath = ()
    for line, _, statement, is_header in _statements(text):
        for path in _paths(statement):
            found.setdefault((() if is_header else table) + path, line)
        if is_header:
            table = max(_paths(statement), key=len)
    return found


def unfinished_line(text: str) -> int | None:
    """First line of a statement that never becomes valid TOML; None if each statement is valid by itself."""
    lines = text.split("\n")
    ended = 0
    for _, last, _, _ in _statements(text):
        ended = last
    rest = [number for number in range(ended, len(lines)) if lines[number].strip()]
    return rest[0] + 1 if rest else None


def _statements(text: str) -> Iterator[tuple[int, int, dict[str, object], bool]]:
    """First and last line, content, and whether it is a table header, of each statement, blank and comment too."""
    pending: list[str] = []
    first, parsed_characters = 1, 0
    for number, line in enumerate(text.split("\n"), start=1):
        if not pending:
            first = number
        pending.append(line)
        if len(pending) > 1 and not any(closer in line for closer in _CLOSING_TOKENS):
            continue
        parsed_characters += sum(map(len, pending))
        if parsed_characters > _MAX_PARSED_CHARACTERS:
            return
        try:
            statement = tomllib.loads("\n".join(pending))
        except (ValueError, RecursionError):
            continue
        yield first, number, statement, pending[0].lstrip().startswith("[")
        pending = []


def _paths(content: object, prefix: KeyPath = ()) -> list[KeyPath]:
    """Paths of all tables and keys in ``content``; an array of tables is represented by its last table."""
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

_FEW_DIGITS = "a number of a few digits"


def syntax_fault(text: str, error: ValueError) -> ConfigFault:
    """The line on which the TOML parser failed, or on which the unfinished statement begins, and a likely remedy."""
    if isinstance(error, TextLimitError):
        allowed = _FEW_DIGITS if "digits" in str(error) else _GENERAL_HINT
        return ConfigFault("", str(error), allowed, error.line or 1)
    lines = text.rstrip("\n").split("\n")
    reason = str(error)
    unfinished_from = unfinished_line(text)
    place = re.search(r"\(at line (\d+), column \d+\)", reason)
    if not place and "end of document" not in reason:
        return ConfigFault("", "a value that cannot be read", _FEW_DIGITS, unfinished_from or 1)
    line = min(int(place.group(1)), len(lines)) if place else unfinished_from or len(lines)
    content = lines[line - 1].strip()
    allowed = _hint(reason, content)
    if unfinished_from is not None and unfinished_from < line:
        allowed += f" (this line is inside what begins on line {unfinished_from} and is not closed)"
    return ConfigFault("", f"`{printable(content)}`", allowed, line)


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
