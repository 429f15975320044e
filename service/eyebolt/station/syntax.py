"""What a TOML syntax error means to a person who writes station files."""

from __future__ import annotations

import re

from eyebolt.station.faults import StationFault, printable
from eyebolt.station.locate import unfinished_line

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
_GENERAL = '[section] or key = value on each line, comments after #, text in "double quotes"'


def syntax_fault(text: str, error: BaseException) -> StationFault:
    """The line on which the TOML parser gave up, or on which the unfinished statement begins, and a likely remedy."""
    lines = text.rstrip("\n").split("\n")
    reason = str(error)
    begins = unfinished_line(text)
    place = re.search(r"\(at line (\d+), column \d+\)", reason)
    if isinstance(error, RecursionError):
        return StationFault(begins or 1, "", "lists or tables inside each other, too deep to read", _GENERAL)
    if not place and "end of document" not in reason:
        return StationFault(begins or 1, "", "a value that cannot be read", "a number of a few digits")
    line = min(int(place.group(1)), len(lines)) if place else begins or len(lines)
    content = lines[line - 1].strip()
    allowed = _hint(reason, content)
    if begins is not None and begins < line:
        allowed += f" (this stands inside what begins on line {begins} and is not closed before)"
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
    return _GENERAL
