"""JSON and TOML from outside, read within limits.

The parsers of the standard library take any nesting and any number: a kilobyte of brackets ends in a RecursionError
far from the place that reads the file, and ``1e999`` is read as infinity. Here a text beyond the limits is a ValueError
like any other text that cannot be read.
"""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections.abc import Callable
from typing import NoReturn

MAX_DEPTH = 64
"""Objects, lists and tables within each other; the deepest of this project have six."""
MAX_DIGITS = 400
"""Of a whole number; the value of a floating-point number has at most 309."""
MAX_KEY_PARTS = 64
"""Parts of a dotted TOML key; the parser's time grows with their square."""

Pairs = list[tuple[str, object]]


class TextLimitError(ValueError):
    """A text beyond the limits; its text gives the reason."""

    def __init__(self, reason: str, line: int | None = None) -> None:
        super().__init__(reason)
        self.line = line
        """Line number, from 1, where it is known."""


def parse_json(
    text: str | bytes, object_pairs_hook: Callable[[Pairs], object] | None = None, limit_values: bool = True
) -> object:
    """The value of a JSON text (RFC 8259: UTF-8, no NaN, no infinity).

    Without ``limit_values`` NaN and infinity are left to the reader, who names the key at fault.
    Raises ValueError, among them json.JSONDecodeError with the line, and TextLimitError.
    """
    if isinstance(text, bytes):
        text = text.decode("utf-8")
    if text.count("[") + text.count("{") > MAX_DEPTH:
        _limit_depth(text, _JSON_TOKEN)
    if not limit_values:
        return json.loads(text, object_pairs_hook=object_pairs_hook, parse_int=_parse_int)
    return json.loads(
        text,
        object_pairs_hook=object_pairs_hook,
        parse_int=_parse_int,
        parse_float=_parse_float,
        parse_constant=_refuse_constant,
    )


def parse_toml(text: str) -> dict[str, object]:
    """The content of a TOML text. Raises ValueError, among them tomllib.TOMLDecodeError and TextLimitError."""
    _limit_depth(text, _TOML_TOKEN)
    return tomllib.loads(text)


# Strings and comments are single tokens, so that brackets in them do not count. An unfinished string extends to the end
# of the text (of the line): every token matches in one pass, whatever the text is.
_JSON_TOKEN = re.compile(r'"(?>(?:[^"\\]+|\\.)*)"?|[\[{]|[\]}]', re.DOTALL)
_TOML_TOKEN = re.compile(
    r"#[^\n]*"
    r'|"""(?>(?:[^"\\]+|\\.|"(?!""))*)(?:""")?'
    r"|'''(?>(?:[^']+|'(?!''))*)(?:''')?"
    r'|"(?>(?:[^"\\\n]+|\\[^\n])*)"?'
    r"|'[^'\n]*'?"
    rf"|[0-9_]{{{MAX_DIGITS + 1}}}"
    r"|[\[{\]}.\n]",
    re.DOTALL,
)


def _limit_depth(text: str, token: re.Pattern[str]) -> None:
    depth = parts = 0
    for match in token.finditer(text):
        first = match.group()[0]
        if first in "[{":
            depth += 1
            if depth > MAX_DEPTH:
                raise TextLimitError(f"lists or tables nested too deeply: more than {MAX_DEPTH}", _line_at(text, match))
        elif first in "]}":
            depth -= 1
        elif first == ".":
            parts += 1
            if parts > MAX_KEY_PARTS:
                raise TextLimitError(f"a key of more than {MAX_KEY_PARTS} parts", _line_at(text, match))
        elif first == "\n":
            parts = 0
        elif first not in "\"'#":
            raise TextLimitError(f"a number of more than {MAX_DIGITS} digits", _line_at(text, match))


def _line_at(text: str, match: re.Match[str]) -> int:
    return text.count("\n", 0, match.start()) + 1


def _parse_int(digits: str) -> int:
    if len(digits) > MAX_DIGITS + 1:
        raise TextLimitError(f"a number of {len(digits)} digits")
    return int(digits)


def _parse_float(digits: str) -> float:
    value = float(digits)
    if not math.isfinite(value):
        raise TextLimitError(f"the number {digits[:40]}, which is out of range")
    return value


def _refuse_constant(name: str) -> NoReturn:
    raise TextLimitError(f"{name}, which is not JSON")
