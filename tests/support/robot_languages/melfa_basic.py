"""The rules of MELFA BASIC, as far as the scripts need them."""

from __future__ import annotations

import math
import re

from support.robot_languages.common import (
    move,
    nothing,
    pose_of,
    rules_of,
    text_of,
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
    split_arguments,
)


def _melfa_open(program: Program, match: re.Match[str]) -> None:
    del match
    program.state["open"] = program.host.open()


def _melfa_send(program: Program, match: re.Match[str]) -> None:
    text = program.value_of(match["text"])
    if len(text) > 127:
        raise ScriptError(f"{len(text)} characters in a string: {text!r}")
    try:
        program.host.send(text + "\r")
    except LanguageError:
        program.state["open"] = False


def _melfa_input(program: Program, match: re.Match[str]) -> None:
    text = ""
    while not text.endswith("\r"):
        part = program.host.receive(1)
        if part is None:
            raise ScriptError("Input without a reply waits for ever")
        text += part
    targets = split_arguments(match["targets"])
    fields = text[:-1].split(",")
    if len(fields) != len(targets):
        raise ScriptError(f"Input of {len(targets)} values from {text!r}")
    for target, number in zip(targets, fields, strict=True):
        program.assign_to(target, float(number))


def _melfa_timer(program: Program, arguments: list[Tree]) -> float:
    """The timer runs 50 ms from one reading to the next; a reply that has arrived interrupts."""
    if program.state.get("com") and "\r" in program.host.peek():
        program.call("*srecv", [])
    else:
        program.host.wait(0.05)
    program.state["timer"] = program.state.get("timer", 0) + 50
    return float(program.state["timer"])


def _melfa_button(program: Program, arguments: list[Tree]) -> int:
    """Both buttons are read in turn: first as the operator holds one, then released."""
    turn = program.state.get("button turn", 0)
    program.state["button turn"] = (turn + 1) % 4
    if turn == 0:
        program.state["button"] = program.host.ask(text_of(program.value_of("MAsk")))
    return int(turn < 2 and program.state["button"] == turn + 1)


def _melfa_pose(program: Program, arguments: list[Tree]) -> Struct:
    del arguments
    found = pose_of(program, "x y z a b c", "tool")
    return Struct({name: math.radians(value) if name in "abc" else value for name, value in found.items()})


MELFA_BASIC = Language(
    Grammar(comment="'"),
    rules_of(
        [
            ("routine", r"(?P<name>\*S\w+)"),
            ("end:routine", r"Return(?: 0)?"),
            ("stop", r"End"),
            (
                "declare",
                r"Dim (?P<type>)(?P<names>.+)",
                lambda program, match: program.declare(match["names"].split("(")[0], {}),
            ),
            ("skip", r"Def Long \w+|Break"),
            ("if", r"If (?P<cond>.+) Then"),
            ("if1", r"If (?P<cond>.+) Then (?P<then>.+)"),
            ("else", r"Else"),
            ("end:if", r"EndIf"),
            ("while", r"While (?P<cond>.+)"),
            ("end:while", r"WEnd"),
            ("end:select", r"End Select"),
            ("select", r"Select (?P<value>.+)"),
            ("case", r"Case (?P<values>.+)"),
            ("default", r"Default"),
            ("command", r"Tool P_NTool", zero_tool),
            ("command", r"Base P_NBase|Ovrd \d+|Spd \d+|Cnt 0|Fine [\d.]+, P|Com\(1\) Off", nothing),
            ("command", r"On Com\(1\) GoSub \*SRECV", nothing),
            ("command", r"Com\(1\) On", lambda program, match: program.state.update(com=True)),
            ("command", r'Open "COM3:" As #1', _melfa_open),
            ("command", r"Close #1", lambda program, match: program.host.close()),
            ("command", r"Print #1, (?P<text>.+)", _melfa_send),
            ("command", r"Input #1, (?P<targets>.+)", _melfa_input),
            ("command", r"(?:Mov|Mvs) (?P<target>.+)", move),
            ("command", r"Dly (?P<time>.+)", wait()),
            ("command", r"M_Timer\(1\) = 0", lambda program, match: program.state.update(timer=0)),
            ("call", r"GoSub (?P<name>\*\w+)"),
            ("assign", r"(?P<target>[MPC]\w*\$?(?:\.\w+|\(\w+\))?) = (?P<value>.+)"),
        ],
        re.RegexFlag(0),
    ),
    {
        "right$": lambda text, length: text[-length:],
        "str$": lambda value: f"{value:.0f}" if float(value).is_integer() else f"{value:g}",
        "int": math.floor,
        "abs": abs,
        "deg": math.degrees,
        "rad": math.radians,
    },
    {
        "m_open": lambda program, arguments: int(program.state.get("open", False) and program.host.waiting() >= 0),
        "m_timer": _melfa_timer,
        "m_in": _melfa_button,
        "p_curr": _melfa_pose,
        "p_fbc": _melfa_pose,
        "p_zero": lambda program, arguments: Struct(x=0.0, y=0.0, z=0.0, a=0.0, b=0.0, c=0.0),
    },
    string_limit=127,
    must_declare=False,
    predefined={"p_100": Struct(x=0.0, y=0.0, z=0.0, a=0.0, b=0.0, c=0.0)},
    top_is_program=True,
)
