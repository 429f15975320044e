"""What several languages share: declarations, moves, waits, messages."""

from __future__ import annotations

import copy
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from support.robot_languages.interpreter import (
    Program,
    Rule,
    ScriptError,
    Struct,
    split_arguments,
)

Command = Callable[[Program, "re.Match[str]"], None]


def rules_of(table: Sequence[tuple[str, str] | tuple[str, str, Command]], flags: re.RegexFlag) -> list[Rule]:
    return [Rule(row[0], re.compile(row[1], flags), row[2] if len(row) > 2 else None) for row in table]


def nothing(program: Program, match: re.Match[str]) -> None:
    del program, match


def declare(defaults: Mapping[str, Any], string_limit: int | None = None) -> Command:
    """Declares ``names`` of ``type``: each with an optional size in brackets and an optional value."""

    def command(program: Program, match: re.Match[str]) -> None:
        kind = match["type"].lower()
        for name in split_arguments(match["names"]):
            found = re.fullmatch(r"([.$\w]+)(?:[\[{(](\d*)[\]})])?(?:\s*:?=\s*(.+))?", name)
            if found is None:
                raise ScriptError(f"not a declaration: {name!r}")
            size, value = found[2], defaults.get(kind)
            if found[3] and not found[3].startswith(("{", "[")):
                value = program.value_of(found[3])
            if program.language.rounds_integers and kind in ("integer", "long"):
                program.integers.add(found[1].lower())
            if kind == "char" and size is not None:
                program.declare(found[1], "", int(size))
            elif kind.startswith("string["):
                program.declare(found[1], "", int(kind[7:-1]))
            elif size is not None:
                program.declare(
                    found[1], {} if value is None else {i: copy.copy(value) for i in range(int(size or 0) + 1)}
                )
            else:
                program.declare(found[1], value, string_limit if isinstance(value, str) else None)

    return command


def text_of(value: Any) -> str:
    return value if isinstance(value, str) else f"{value:g}" if isinstance(value, float) else str(value)


def tell_all(program: Program, match: re.Match[str]) -> None:
    parts = [part for part in split_arguments(match["items"]) if part != "CR"]
    program.host.tell("".join(text_of(program.value_of(part)) for part in parts))


def wait(scale: float = 1.0) -> Command:
    return lambda program, match: program.host.wait(scale * program.value_of(match["time"]))


def move(program: Program, match: re.Match[str]) -> None:
    """Tells the host the target, numbers in place of the variables and expressions that have some."""

    def number(part: re.Match[str]) -> str:
        try:
            value = program.value_of(part[0])
        except ScriptError:
            return part[0].strip()
        if isinstance(value, Struct) and value:
            value = list(value.values())
        if isinstance(value, int | float):
            return f"{value:g}"
        return str(value) if isinstance(value, list) else part[0].strip()

    program.host.move(re.sub(r"[^()\[\],:+*]++(?![(\[])", number, match["target"]))


def leading_number(number: str) -> float:
    """The number at the beginning of a string, as BASIC reads it."""
    found = re.match(r"\s*[-+]?\d*\.?\d*(?:[eE][-+]?\d+)?", number)
    return float(found[0]) if found is not None and found[0].strip() else 0.0


def pose_of(program: Program, names: str, tool: str = "") -> Struct:
    """The pose of the host in parts ``names``; ``tool``: it has to have been zeroed before."""
    if tool and tool not in program.state:
        raise ScriptError("the pose is read before the tool is zeroed")
    return Struct(zip(names.split(), program.host.pose(), strict=True))


def zero_tool(program: Program, match: re.Match[str]) -> None:
    del match
    program.state["tool"] = True
