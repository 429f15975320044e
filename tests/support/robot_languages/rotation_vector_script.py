"""The rules of Rotation-vector script, as far as the scripts need them."""

from __future__ import annotations

import math
import re
from typing import Any

from support.robot_languages.common import (
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
    ProgramEnded,
    Tree,
)


def _script_read(program: Program, arguments: list[Tree]) -> list[float]:
    """Numbers in round brackets, exactly as many as asked for; else the first element is not their count."""
    wanted = program.value(arguments[0])
    nothing = [0.0] + [math.nan] * wanted
    text = ""
    while not text.endswith("\n"):
        part = program.host.receive(1)
        if part is None:
            return nothing
        text += part
    if not re.fullmatch(r"\s*\(.*\)\s*", text):
        return nothing
    numbers = [float(number) for number in text.strip()[1:-1].split(",")]
    return [float(wanted), *numbers] if len(numbers) == wanted else nothing


def _script_send(program: Program, arguments: list[Tree]) -> bool:
    try:
        program.host.send(program.value(arguments[0]) + "\n")
    except LanguageError:
        return False
    return True


def _script_popup(program: Program, arguments: list[Tree]) -> None:
    text, is_warning = program.value(arguments[0]), program.value(arguments[2])
    if not is_warning:
        program.host.tell(text)
    elif program.host.ask(text) != 1:
        raise ProgramEnded  # the operator stops the program


def _script_steady(program: Program, arguments: list[Tree]) -> bool:
    """The arm is steady the second time that it is looked at."""
    del arguments
    program.state["steady"] = not program.state.get("steady", True)
    return bool(program.state["steady"])


def _script_to_str(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


ROTATION_VECTOR_SCRIPT = Language(
    Grammar(comment="#", equal="==", unequal="!=", case_sensitive=True),
    rules_of(
        [
            ("routine", r"def (?P<name>\w+)\((?P<params>.*)\):"),
            ("if", r"if (?P<cond>.+):"),
            ("elif", r"elif (?P<cond>.+):"),
            ("else", r"else:"),
            ("while", r"while (?P<cond>.+):"),
            ("end", r"end"),
            ("return", r"return (?P<value>.+)"),
            ("command", r"move[jl]\((?P<target>.+), a=[\d.]+, v=[\d.]+\)", move),
            ("command", r"freedrive_mode\(\)", nothing),
            ("command", r"set_tcp\(p\[0, 0, 0, 0, 0, 0\]\)", zero_tool),
            ("command", r"sleep\((?P<time>.+)\)", wait()),
            ("command", r"textmsg\((?P<items>.+)\)", tell_all),
            ("global", r"global (?P<target>\w+) = (?P<value>.+)"),
            ("local", r"local (?P<target>\w+) = (?P<value>.+)"),
            ("assign", r"(?P<target>\w+) = (?P<value>.+)"),
            ("call", r"(?P<name>\w+)\((?P<args>.*)\)"),
        ],
        re.RegexFlag(0),
    ),
    {
        "to_str": _script_to_str,
        "str_cat": lambda left, right: left + right,
        "str_sub": lambda text, first, length: text[first : first + length],
        "floor": math.floor,
        "pow": lambda base, exponent: float(base) ** exponent,
        "True": lambda: True,
        "False": lambda: False,
    },
    {
        "is_steady": _script_steady,
        "socket_open": lambda program, arguments: program.host.open(),
        "socket_close": lambda program, arguments: program.host.close(),
        "socket_send_line": _script_send,
        "socket_send_string": lambda program, arguments: program.host.send(program.value(arguments[0])),
        "socket_read_ascii_float": _script_read,
        "get_actual_tcp_pose": lambda program, arguments: list(pose_of(program, "x y z rx ry rz", "tool").values()),
        "popup": _script_popup,
        "request_boolean_from_primary_client": lambda program, arguments: (
            program.host.ask(program.value(arguments[0])) == 1
        ),
    },
    string_limit=1023,
)
