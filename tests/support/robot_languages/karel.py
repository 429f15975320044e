"""The rules of KAREL, as far as the scripts need them."""

from __future__ import annotations

import copy
import re
from collections.abc import Callable
from typing import Any

from support.robot_languages.common import (
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


def _karel_write(program: Program, match: re.Match[str]) -> None:
    text = program.value_of(match["text"])
    try:
        program.host.send(text + "\r\n")
        program.state["io"] = 0
    except LanguageError:
        program.state["io"] = 1


def _karel_read(program: Program, match: re.Match[str]) -> None:
    text = program.host.receive(int(match["count"]))
    if text is None:
        raise ScriptError("READ without a time limit, and nothing arrives")
    program.assign_to(match["target"], text)


def _karel_bytes(program: Program, arguments: list[Tree]) -> None:
    waiting = program.host.waiting()
    program.assign(arguments[1], max(waiting, 0))
    program.assign(arguments[2], 0 if waiting >= 0 else 1)


def _karel_connect(program: Program, arguments: list[Tree]) -> None:
    program.assign(arguments[1], 0 if program.host.open() else 1)


def _karel_disconnect(program: Program, arguments: list[Tree]) -> None:
    program.host.close()
    program.assign(arguments[1], 0)


def _assigned(index: int, make: Callable[..., Any]) -> Callable[[Program, list[Tree]], None]:
    """A routine that assigns what it makes of the other arguments to its argument ``index``."""

    def special(program: Program, arguments: list[Tree]) -> None:
        values = [program.value(tree) for i, tree in enumerate(arguments) if i != index]
        program.assign(arguments[index], make(*values))

    return special


def _karel_register(program: Program, arguments: list[Tree]) -> None:
    program.state.setdefault("registers", {})[program.value(arguments[0])] = copy.copy(program.value(arguments[1]))
    program.assign(arguments[2], 0)


def _karel_get_register(program: Program, arguments: list[Tree]) -> Struct:
    program.assign(arguments[1], 0)
    registers: dict[int, Struct] = program.state.setdefault("registers", {})
    return copy.copy(registers.get(program.value(arguments[0]), Struct(x=0.0, y=0.0, z=0.0, w=0.0, p=0.0, r=0.0)))


def _karel_move(program: Program, arguments: list[Tree]) -> None:
    registers = program.state["registers"]
    program.host.move(f"{registers[90]} + {[registers[99][axis] for axis in 'xyz']}")
    program.assign(arguments[1], 1)


_KAREL_NAME = re.compile(r"[A-Za-z]\w{0,11}")


def _karel_declare(program: Program, match: re.Match[str]) -> None:
    if not _KAREL_NAME.fullmatch(match["name"]):
        raise ScriptError(f"{match['name']} has more than 12 characters")
    kind = match["type"]
    if kind.startswith("STRING"):
        program.declare(match["name"], None, int(kind[7:-1]))
    else:
        program.declare(match["name"], {} if kind.startswith("ARRAY") else None)


KAREL = Language(
    Grammar(quote="'", comment="--", precedence="pascal"),
    rules_of(
        [
            ("skip", r"PROGRAM \w+|%.*|CONST|VAR"),
            ("begin", r"BEGIN"),
            ("routine", r"ROUTINE (?P<name>\w{1,12})(?:\((?P<params>.*)\))?"),
            ("end:routine", r"END \w+"),
            (
                "declare",
                r"(?P<name>\w+) : (?P<type>STRING\[\d+\]|ARRAY\[\d+\] OF REAL|INTEGER|REAL|BOOLEAN|FILE|XYZWPREXT)",
                _karel_declare,
            ),
            ("if", r"IF (?P<cond>.+) THEN"),
            ("else", r"ELSE"),
            ("end:if", r"ENDIF"),
            ("while", r"WHILE (?P<cond>.+) DO"),
            ("end:while", r"ENDWHILE"),
            ("for", r"FOR (?P<var>\w+) = (?P<first>.+) TO (?P<last>.+) DO"),
            ("end:for", r"ENDFOR"),
            ("select", r"SELECT (?P<value>.+) OF"),
            ("case", r"CASE \((?P<values>.+)\):"),
            ("default", r"ELSE:"),
            ("end:select", r"ENDSELECT"),
            ("command", r"WRITE comm \((?P<text>.+), CR\)", _karel_write),
            ("command", r"WRITE TPDISPLAY \((?P<items>.+)\)", tell_all),
            (
                "command",
                r"READ TPDISPLAY \((?P<target>\w+)\)",
                lambda program, match: program.assign_to(match["target"], program.host.ask("")),
            ),
            ("command", r"READ comm \((?P<target>\w+)::(?P<count>\d+)\)", _karel_read),
            ("command", r"OPEN FILE comm \('RW', tag\)", lambda program, match: program.state.update(io=0)),
            ("command", r"CLOSE FILE comm|FORCE_SPMENU\(.*\)|\$GROUP\[1\]\.\$UFRAME = .*", nothing),
            ("command", r"\$GROUP\[1\]\.\$UTOOL = \$SCR_GRP\[1\]\.\$NILPOS", zero_tool),
            ("command", r"DELAY (?P<time>.+)", wait(0.001)),
            ("assign", r"(?P<target>\w+(?:\.\w+|\[.+?\])?) = (?P<value>.+)"),
            ("call", r"(?P<name>\w+)(?:\((?P<args>.*)\))?"),
        ],
        re.RegexFlag(0),
    ),
    {
        "sub_str": lambda text, first, length: text[first - 1 : first - 1 + length],
        "str_len": len,
        "ord": lambda text, index: ord(text[index - 1]),
        "round": round,
        "true": lambda: True,
        "false": lambda: False,
    },
    {
        "io_status": lambda program, arguments: program.state.get("io", 0),
        "bytes_ahead": _karel_bytes,
        "msg_connect": _karel_connect,
        "msg_disco": _karel_disconnect,
        "set_file_atr": lambda program, arguments: None,
        "cnv_int_str": _assigned(3, lambda value, length, base: f" {value}"),
        "cnv_real_str": _assigned(3, lambda value, length, decimals: f" {value:.{decimals}f}"),
        "cnv_str_real": _assigned(1, float),
        "set_int_reg": _karel_register,
        "set_pos_reg": _karel_register,
        "get_pos_reg": _karel_get_register,
        "call_prog": _karel_move,
        "curpos": lambda program, arguments: pose_of(program, "x y z w p r", "tool"),
    },
    string_limit=254,
)
