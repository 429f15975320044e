"""The rules of VAL 3, as far as the scripts need them."""

from __future__ import annotations

import math
import re

from support.robot_languages.common import (
    declare,
    move,
    nothing,
    rules_of,
    tell_all,
    wait,
)
from support.robot_languages.interpreter import (
    Grammar,
    Language,
    LanguageError,
    Program,
    ScriptError,
    Struct,
    Tree,
    split_arguments,
)


def _val3_clear(program: Program, match: re.Match[str]) -> None:
    del match
    while program.host.waiting() > 0:
        program.host.receive(128)


def _val3_get(program: Program, arguments: list[Tree]) -> int:
    text = program.host.receive(1)
    if text is None:
        return -1
    program.assign(arguments[1], ord(text))
    return 1


def _val3_set(program: Program, arguments: list[Tree]) -> int:
    values = program.value(arguments[1])
    try:
        program.host.send("".join(chr(values[index]) for index in range(90)))
    except LanguageError:
        return -1
    return 90


def _val3_send(program: Program, match: re.Match[str]) -> None:
    text = program.value_of(match["text"])
    if len(text) > 128:
        raise ScriptError(f"{len(text)} characters in a string: {text!r}")
    if program.host.waiting() < 0:
        program.host.open()  # the socket of the panel connects by itself
    try:
        program.host.send(text + "\n")
    except LanguageError:
        program.host.close()


def _val3_number(program: Program, arguments: list[Tree]) -> str:
    text = program.value(arguments[0])
    found = re.match(r"\s*[-+]?\d+(?:\.\d*)?", text)
    program.assign(arguments[2], found is not None)
    if found is None:
        return str(text)
    program.assign(arguments[1], float(found[0]))
    return str(text[found.end() :])


def _val3_pose(program: Program, arguments: list[Tree]) -> Struct:
    if [tree[1] for tree in arguments] != ["flange", "world"]:
        raise ScriptError("the pose is that of the flange in the world frame")
    return Struct(
        zip(("trsf.x", "trsf.y", "trsf.z", "trsf.rx", "trsf.ry", "trsf.rz"), program.host.pose(), strict=True)
    )


def _val3_data(program: Program, match: re.Match[str]) -> None:
    """The global data that the head of the file lists, in a comment: ``type name, name[size] = value``."""
    names = re.split(r"\s{3,}", match["names"])[0]
    for name in split_arguments(names):
        declare(_VAL3_DEFAULTS, 128)(
            program, re.fullmatch(r"(?P<type>\w+) (?P<names>.+)", f"{match['type']} {name}") or match
        )


_VAL3_TRSF = Struct(x=0.0, y=0.0, z=0.0, rx=0.0, ry=0.0, rz=0.0)
_VAL3_DEFAULTS = {
    "bool": False, "num": 0, "string": "", "trsf": _VAL3_TRSF, "sio": 0, "mdesc": Struct(), "pointrx": Struct()
}  # fmt: skip
VAL3 = Language(
    Grammar(comment="//", equal="==", unequal="!=", case_sensitive=True),
    rules_of(
        [
            ("skip", r"begin|break"),
            ("declare", r"@(?P<type>\w+) (?P<names>.+)", _val3_data),
            ("routine", r"program (?P<name>\w+)\((?P<params>.*)\)"),
            ("end:routine", r"end"),
            ("declare", r"(?P<type>num|bool|string|trsf|pointRx) (?P<names>\w+)", declare(_VAL3_DEFAULTS, 128)),
            ("if", r"if (?P<cond>.+)"),
            ("else", r"else"),
            ("end:if", r"endIf"),
            ("while", r"while (?P<cond>.+)"),
            ("end:while", r"endWhile"),
            ("for", r"for (?P<var>\w+)=(?P<first>.+) to (?P<last>.+)"),
            ("end:for", r"endFor"),
            ("select", r"switch (?P<value>.+)"),
            ("case", r"case (?P<values>.+)"),
            ("default", r"default"),
            ("end:select", r"endSwitch"),
            ("return", r"return"),
            ("command", r"move[jl]\((?P<target>.+),flange,mSlow\)", move),
            ("command", r"delay\((?P<time>.+)\)", wait()),
            ("command", r"putln\((?P<items>.+)\)", tell_all),
            ("command", r"(?:userPage|cls|waitEndMove)\(\)", nothing),
            ("command", r"clearBuffer\(siEye\)", _val3_clear),
            ("command", r"siEye=(?P<text>.+)", _val3_send),
            ("call", r"call (?P<name>\w+)\((?P<args>.*)\)"),
            ("assign", r"(?P<target>\w+(?:\.\w+|\[\w+\])?)=(?P<value>.+)"),
        ],
        re.RegexFlag(0),
    ),
    {
        "toString": lambda form, value: f"{value:.{int(form[1:])}f}",
        "chr": chr,
        "asc": lambda text, index: ord(text[index]),
        "len": len,
        "find": lambda text, part: text.find(part),
        "right": lambda text, length: text[len(text) - length :],
        "roundDown": math.floor,
        "true": lambda: True,
        "false": lambda: False,
    },
    {
        "sioGet": _val3_get,
        "sioSet": _val3_set,
        "toNum": _val3_number,
        "here": _val3_pose,
        "get": lambda program, arguments: 48 + program.host.ask(""),
    },
    substitutions=[],
    string_limit=128,
)
