"""The rules of AS, as far as the scripts need them."""

from __future__ import annotations

import math
import re

from support.robot_languages.common import (
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
    Struct,
    Tree,
)


def _as_connect(program: Program, match: re.Match[str]) -> None:
    program.assign_to(match["target"], 1 if program.host.open() else -34024)


def _as_send(program: Program, match: re.Match[str]) -> None:
    try:
        program.host.send(program.value_of(match["text"]))
        program.assign_to(match["target"], 0)
    except LanguageError:
        program.assign_to(match["target"], -34024)


def _as_receive(program: Program, match: re.Match[str]) -> None:
    text = program.host.receive(255)
    program.assign_to(match["target"], 0 if text is not None else -34025)
    if text is not None:
        program.assign_to(match["count"], 1)
        program.assign_to(match["text"], text)


def _as_decode(program: Program, arguments: list[Tree]) -> str:
    """Mode 0: cuts off what stands before the separator; mode 1: the separators themselves."""
    text, separator, mode = (program.value(tree) for tree in arguments)
    if mode == 0:
        part, found, rest = text.partition(separator)
        rest = found + rest
    else:
        rest = text.lstrip(separator)
        part = text[: len(text) - len(rest)]
    program.assign(arguments[0], rest)
    return str(part)


def _as_encode(form: str, value: float) -> str:
    width, _, decimals = form[1:].partition(".")
    text = f"{value:{width}.{decimals or 0}f}"
    return text if len(text) <= int(width) else "*" * int(width)


def _as_decompose(program: Program, match: re.Match[str]) -> None:
    value = program.value_of(match["value"])
    for index, part in enumerate(value.values(), int(match["first"])):
        program.assign_to(f"{match['target']}[{index}]", part)


def _as_ask(program: Program, match: re.Match[str]) -> None:
    program.assign_to(match["target"], program.host.ask(program.value_of(match["text"])))


_AS_NAMES = "x y z o a t"
AS = Language(
    Grammar(equal="==", unequal="<>"),
    rules_of(
        [
            ("routine", r"\.PROGRAM (?P<name>\w{1,15})\((?P<params>.*)\)"),
            ("end:routine", r"\.END"),
            ("if", r"IF (?P<cond>.+) THEN"),
            ("else", r"ELSE"),
            ("while", r"WHILE (?P<cond>.+) DO"),
            ("select", r"CASE (?P<value>.+) OF"),
            ("case", r"VALUE (?P<values>.+):"),
            ("default", r"ANY :"),
            ("end", r"END"),
            ("return", r"RETURN"),
            ("command", r"TOOL NULL", zero_tool),
            ("command", r"BASE NULL|SPEED \d+ ALWAYS|ACCURACY 1 FINE ALWAYS|BREAK", nothing),
            ("command", r"TCP_CONNECT (?P<target>\w+), eb_port, eb_ip\[1\], 10", _as_connect),
            ("command", r"TCP_SEND (?P<target>\w+), eb_sock, (?P<text>\$\w+\[1\]), 1, 10", _as_send),
            (
                "command",
                r"TCP_RECV (?P<target>\w+), eb_sock, (?P<text>\$\w+\[1\]), (?P<count>\w+), 10, 255",
                _as_receive,
            ),
            ("command", r"TCP_CLOSE (?P<target>\w+), eb_sock", lambda program, match: program.host.close()),
            ("command", r"PRINT (?P<items>.+)", tell_all),
            ("command", r"PROMPT (?P<text>\"[^\"]+\"), (?P<target>\w+)", _as_ask),
            (
                "command",
                r"HERE (?P<target>\w+)",
                lambda program, match: program.assign_to(match["target"], pose_of(program, _AS_NAMES, "tool")),
            ),
            ("command", r"DECOMPOSE (?P<target>\w+)\[(?P<first>\d+)\] = (?P<value>.+)", _as_decompose),
            ("command", r"[JL]MOVE (?P<target>.+)", move),
            ("command", r"TWAIT (?P<time>.+)", wait()),
            ("assign", r"(?:POINT )?(?P<target>[.$\w]+(?:\[\w+\])?) = (?P<value>.+)"),
            ("call", r"CALL (?P<name>\w+)(?:\((?P<args>.*)\))?"),
        ],
        re.RegexFlag(0),
    ),
    {
        "$encode": _as_encode,
        "$chr": chr,
        "$left": lambda text, length: text[:length],
        "instr": lambda text, part: text.find(part) + 1,
        "len": len,
        "val": leading_number,
        "int": math.floor,
        "trans": lambda *numbers: Struct(zip(_AS_NAMES.split(), numbers, strict=True)),
        "true": lambda: True,
        "false": lambda: False,
    },
    {"$decode": _as_decode},
    substitutions=[(r"\$ENCODE\(/(\w[\d.]+), ", r'$ENCODE("\1", ')],
    string_limit=255,
    must_declare=False,
    predefined={"eb_camera": Struct(x=0.0, y=0.0, z=0.0, o=0.0, a=0.0, t=0.0)},
)
