"""On which line of a TOML text a key stands.

The standard parser keeps no line numbers. A valid document is a row of statements, each of which is a valid document
by itself, so the text is cut into statements by parsing them one after another with that same parser: quoted keys,
dotted keys, inline tables and texts over several lines cannot be misread. A key of an inline table, or an element of a
list, is on the line where its statement begins.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

KeyPath = tuple[str, ...]

# A statement of several lines can end only on a line that holds one of these.
_CLOSERS = ("]", '"""', "'''")


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
        if len(pending) > 1 and not any(closer in line for closer in _CLOSERS):
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
