"""The rules of KRL, as far as the scripts need them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from support.robot_languages.common import (
    declare,
    move,
    nothing,
    pose_of,
    rules_of,
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


def _formatted(pattern: str, values: Sequence[Any]) -> str:
    found = re.findall(r"%[-+0-9.]*[dfs]", pattern)
    if len(found) != len(values):
        raise ScriptError(f"{pattern!r} with {len(values)} values")
    for form, value in zip(found, values, strict=True):
        if form.endswith("d") and not isinstance(value, int) and not float(value).is_integer():
            raise ScriptError(f"{form} of {value}")
    return pattern % tuple(values)


def _strclear(program: Program, arguments: list[Tree]) -> bool:
    program.assign(arguments[0], "")
    return True


def _swrite(program: Program, arguments: list[Tree]) -> None:
    offset = program.value(arguments[2])
    text = _formatted(program.value(arguments[3]), [program.value(tree) for tree in arguments[4:]])
    program.assign(arguments[0], program.value(arguments[0])[:offset] + text)
    program.assign(arguments[2], offset + len(text))


def _sread(program: Program, arguments: list[Tree]) -> None:
    """As scanf does: stops at the first mismatch, and counts the hits."""
    text, hits = program.value(arguments[0])[program.value(arguments[2]) :], 0
    forms = re.findall(r"%[df]|[^%]", program.value(arguments[3]))
    targets = iter(arguments[4:])
    for form in forms:
        if form in ("%d", "%f"):
            number = re.match(r"\s*[-+]?\d+" + (r"(?:\.\d*)?" if form == "%f" else ""), text)
            if number is None:
                break
            program.assign(next(targets), (int if form == "%d" else float)(number[0]))
            hits, text = hits + 1, text[number.end() :]
        elif text.startswith(form):
            text = text[1:]
        else:
            break
    program.assign_to("state.hits", hits)


def _eki_open(program: Program, arguments: list[Tree]) -> Struct:
    del arguments
    return Struct(connected=program.host.open())


def _eki_close(program: Program, arguments: list[Tree]) -> Struct:
    del arguments
    program.host.close()
    return Struct(connected=False)


def _eki_send(program: Program, arguments: list[Tree]) -> Struct:
    try:
        program.host.send(program.value(arguments[1]))
    except LanguageError:
        return Struct(connected=False)
    return Struct(connected=True)


def _eki_clear(program: Program, arguments: list[Tree]) -> Struct:
    del arguments
    while "\n" in program.host.peek():
        program.host.receive(1)
    return Struct(connected=True)


def _eki_get(program: Program, arguments: list[Tree]) -> Struct:
    text = ""
    while not text.endswith("\n"):
        part = program.host.receive(1)
        if part is None:
            raise ScriptError(f"the add-on delivers up to LF: {text!r}")
        text += part
    program.assign(arguments[2], text[:-1])
    return Struct(connected=True)


def _krl_wait(program: Program, match: re.Match[str]) -> None:
    program.host.wait(program.value_of(match["time"]))
    if "\n" in program.host.peek():
        program.variables["$flag"][10] = True


def _krl_dialog(program: Program, arguments: list[Tree]) -> bool:
    """The dialog is open for one turn of the loop."""
    program.state["dialog"] = not program.state.get("dialog", False)
    if program.state["dialog"]:
        program.assign(arguments[1], program.host.ask(program.value_of("msg.msg_txt")))
    return bool(program.state["dialog"])


def _krl_message(program: Program, match: re.Match[str]) -> None:
    par = program.state.get("par", 0.0)
    program.host.tell(program.value_of("msg.msg_txt").replace("%1", f"{par:g}"))


def _krl_parameter(program: Program, match: re.Match[str]) -> None:
    program.state["par"] = program.value_of(match["value"])


def _krl_eof(program: Program, match: re.Match[str]) -> None:
    del match
    program.assign_to("end_of_line", "\n")


def _krl_text(program: Program, match: re.Match[str]) -> None:
    text = program.value_of(match["value"])
    if len(text) > 80:
        raise ScriptError(f"{len(text)} characters in a message: {text!r}")
    program.assign_to("msg.msg_txt", text)


_KRL_DEFAULTS = {
    "frame": Struct(x=0.0, y=0.0, z=0.0, a=0.0, b=0.0, c=0.0), "e6pos": Struct(), "state_t": Struct(),
    "krlmsg_t": Struct(), "krlmsgopt_t": Struct(), "pos": Struct(), "eki_status": Struct(),
}  # fmt: skip
_NULLFRAME = Struct(x=0.0, y=0.0, z=0.0, a=0.0, b=0.0, c=0.0)
KRL = Language(
    Grammar(equal="==", unequal="<>"),
    rules_of(
        [
            ("skip", r"&.*|DEFDAT .*|ENDDAT"),
            ("routine", r"(?:DEF|DEFFCT \w+) (?P<name>\w+)\((?P<params>.*)\)"),
            ("end:routine", r"END|ENDFCT"),
            ("declare", r"DECL (?:GLOBAL )?(?P<type>\w+) (?P<names>.+)", declare(_KRL_DEFAULTS)),
            ("if", r"IF (?P<cond>.+) THEN"),
            ("else", r"ELSE"),
            ("end:if", r"ENDIF"),
            ("while", r"WHILE (?P<cond>.+)|LOOP"),
            ("end:while", r"ENDWHILE|ENDLOOP"),
            ("for", r"FOR (?P<var>\w+) = (?P<first>.+) TO (?P<last>.+)"),
            ("end:for", r"ENDFOR"),
            ("select", r"SWITCH (?P<value>.+)"),
            ("case", r"CASE (?P<values>.+)"),
            ("default", r"DEFAULT"),
            ("end:select", r"ENDSWITCH"),
            ("return", r"RETURN(?: (?P<value>.+))?"),
            ("command", r"BAS\(#\w+, \d+\)|\$VEL\.CP = [\d.]+|\$BASE = \$NULLFRAME", nothing),
            ("command", r"\$TOOL = \$NULLFRAME", zero_tool),
            ("command", r"(?:msg|opt|sk\[\w+\]|par\[\w+\]) = \{.*\}", nothing),
            ("command", r"par\[1\]\.PAR_(?:INT|REAL) = (?P<value>.+)", _krl_parameter),
            ("command", r"msg\.MSG_TXT = (?P<value>.+)", _krl_text),
            ("command", r"end_of_line\[1\] = 10", _krl_eof),
            ("command", r"handle = SET_KRLMSG\(#NOTIFY, msg, par, opt\)", _krl_message),
            ("command", r"(?:PTP|LIN) (?P<target>.+)", move),
            ("command", r"WAIT SEC (?P<time>.+)", _krl_wait),
            ("assign", r"(?P<target>[$\w.]+(?:\[\w+\])?) = (?P<value>.+)"),
            ("call", r"(?P<name>\w+)\((?P<args>.*)\)"),
        ],
        re.RegexFlag(0),
    ),
    {"true": lambda: True, "false": lambda: False, "$nullframe": lambda: _NULLFRAME},
    {
        "swrite": _swrite,
        "sread": _sread,
        "strclear": _strclear,
        "eki_init": lambda program, arguments: Struct(connected=False),
        "eki_open": _eki_open,
        "eki_send": _eki_send,
        "eki_close": _eki_close,
        "eki_getstring": _eki_get,
        "eki_clearbuffer": _eki_clear,
        "set_krldlg": lambda program, arguments: 1,
        "exists_krldlg": _krl_dialog,
        "$pos_act": lambda program, arguments: pose_of(program, "x y z a b c", "tool"),
    },
    substitutions=[(r"\[\]", "")],
    predefined={"$flag": {10: False}},
)
