"""The rules of SPEL+, as far as the scripts need them."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Any

from support.robot_languages.common import (
    declare,
    leading_number,
    move,
    nothing,
    pose_of,
    rules_of,
    tell_all,
    wait,
    zero_tool,
)
from support.robot_languages.interpreter import (
    Grammar,
    Language,
    LanguageError,
    Program,
    ScriptError,
    Struct,
    Tree,
)


def _spel_line_input(program: Program, match: re.Match[str]) -> None:
    text = ""
    while not text.endswith("\n"):
        part = program.host.receive(1)
        if part is None:
            raise LanguageError("time limit")
        text += part
    program.assign_to(match["target"], text[:-1])


def _spel_open(program: Program, match: re.Match[str]) -> None:
    del match
    if not program.host.open():
        raise LanguageError("open")


def _spel_parse(program: Program, arguments: list[Tree]) -> int:
    fields = program.value(arguments[0]).split(program.value(arguments[2]))
    name = arguments[1][1]
    for index, text in enumerate(fields):
        program.assign(("call", name, [("num", index)]), text)
    return len(fields)


def _spel_send(program: Program, match: re.Match[str]) -> None:
    text = program.value_of(match["text"])
    if len(text) > 255:
        raise ScriptError(f"{len(text)} characters: {text!r}")
    program.host.send(text + "\n")


def _spel_here(program: Program, arguments: list[Tree]) -> Struct:
    del arguments
    names = "x y z u v w" if program.value_of("AXES") == 6 else "x y z u"
    return pose_of(program, names, "tool")


_SPEL_DEFAULTS = {"boolean": False, "long": 0, "real": 0.0, "string": ""}
_SPEL_FUNCTIONS: dict[str, Callable[..., Any]] = {
    "str$": lambda value: str(value),
    "fmtstr$": lambda value, form: f"{value:.{len(form.partition('.')[2])}f}",
    "val": leading_number,
    "int": math.floor,
    "xy": lambda *numbers: Struct(zip("xyzuvw", numbers, strict=False)),
    "true": lambda: True,
    "false": lambda: False,
}
for _axis in "xyzuvw":
    _SPEL_FUNCTIONS[f"c{_axis}"] = lambda point, axis=_axis: point.get(axis, 0.0)
SPEL = Language(
    Grammar(comment="'"),
    rules_of(
        [
            (
                "command",
                r"#define (?P<name>\w+) (?P<value>.+)",
                lambda program, match: program.declare(match["name"], program.value_of(match["value"])),
            ),
            ("routine", r"Function (?P<name>\w+\$?)(?:\((?P<params>.*)\))?(?: As \w+)?"),
            ("handler", r"failed:"),
            ("end:routine", r"Fend"),
            ("skip", r"ended:|OnErr GoTo failed"),
            ("return", r"Exit Function|EResume ended"),
            ("declare", r"(?:Global )?(?P<type>Boolean|Long|Real|String) (?P<names>.+)", declare(_SPEL_DEFAULTS)),
            ("if", r"If (?P<cond>.+) Then"),
            ("else", r"Else"),
            ("end:if", r"EndIf"),
            ("while", r"Do While (?P<cond>.+)"),
            ("end:while", r"Loop"),
            ("for", r"For (?P<var>\w+) = (?P<first>.+) To (?P<last>.+)"),
            ("end:for", r"Next \w+"),
            ("select", r"Select (?P<value>.+)"),
            ("case", r"Case (?P<values>.+)"),
            ("default", r"Default"),
            ("end:select", r"Send"),
            ("command", r"Tool 0", zero_tool),
            ("command", r"(?:Motor On|Power Low|Speed \d+|Accel \d+, \d+|SpeedS \d+|AccelS \d+|WaitPos)", nothing),
            ("command", r'SetNet #201, "[\d.]+", \d+, LF, NONE, 10|WaitNet #201, 10|SavePoints "\S+"', nothing),
            ("command", r"OpenNet #201 As Client", _spel_open),
            ("command", r"CloseNet #201", lambda program, match: program.host.close()),
            ("command", r"Print #201, (?P<text>.+)", _spel_send),
            ("command", r"Line Input #201, (?P<target>.+)", _spel_line_input),
            ("command", r"Print (?P<items>.+)", tell_all),
            (
                "command",
                r"Input (?P<target>\w+)",
                lambda program, match: program.assign_to(match["target"], program.host.ask("")),
            ),
            ("command", r"(?:Go|Move) (?P<target>.+)", move),
            ("command", r"Wait (?P<time>.+)", wait()),
            ("call", r"Call (?P<name>\w+\$?)(?:\((?P<args>.*)\))?"),
            ("assign", r"(?P<target>\w+\$?(?:\(\w+\))?) = (?P<value>.+)"),
        ],
        re.RegexFlag(0),
    ),
    _SPEL_FUNCTIONS,
    {"parsestr": _spel_parse, "here": _spel_here},
    rounds_integers=True,
    predefined={"p": {98: Struct(x=0.0, y=0.0, z=0.0, u=0.0, v=0.0, w=0.0)}},
)
