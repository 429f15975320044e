"""The rules of RAPID, as far as the scripts need them."""

from __future__ import annotations

import re

from support.robot_languages.common import (
    declare,
    move,
    nothing,
    rules_of,
    text_of,
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
)


def _rapid_connect(program: Program, match: re.Match[str]) -> None:
    if not isinstance(program.value_of(match["host"]), str):
        raise ScriptError("the address is no string")
    if not program.host.open():
        raise LanguageError("connect")


def _rapid_send(program: Program, match: re.Match[str]) -> None:
    text = program.value_of(match["text"])
    if len(text) > 80:
        raise ScriptError(f"{len(text)} characters in a string: {text!r}")
    program.host.send(text)


def _rapid_receive(program: Program, match: re.Match[str]) -> None:
    text = program.host.receive(80)
    if text is None:
        raise LanguageError("receive")
    program.assign_to(match["target"], text)


def _rapid_ask(program: Program, match: re.Match[str]) -> None:
    program.assign_to(match["target"], program.host.ask(program.value_of(match["text"])))


def _rapid_tell(program: Program, match: re.Match[str]) -> None:
    number = "" if match["number"] is None else text_of(program.value_of(match["number"]))
    text = program.value_of(match["text"]) + number
    if len(text) > 80:
        raise ScriptError(f"{len(text)} characters on the pendant: {text!r}")
    program.host.tell(text)


def _str_find(text: str, first: int, characters: str) -> int:
    return next((i for i in range(first, len(text) + 1) if text[i - 1] in characters), len(text) + 1)


def _str_part(text: str, first: int, length: int) -> str:
    if first + length - 1 > len(text):
        raise LanguageError("StrPart beyond the end")
    return text[first - 1 : first - 1 + length]


def _str_to_val(program: Program, arguments: list[Tree]) -> bool:
    text = program.value(arguments[0]).strip()
    if not re.fullmatch(r"-?\d+\.?\d*(?:[eE][-+]?\d+)?", text):
        return False
    program.assign(arguments[1], float(text))
    return True


def _rapid_pose(program: Program, arguments: list[Tree]) -> Struct:
    del arguments
    numbers = program.host.pose()
    return Struct(zip(("trans.x", "trans.y", "trans.z", "rot.q1", "rot.q2", "rot.q3", "rot.q4"), numbers, strict=True))


_RAPID_DEFAULTS = {
    "num": 0, "string": "", "bool": False, "socketdev": 0, "robtarget": Struct(), "speeddata": Struct(),
    "pose": Struct({"trans.x": 0.0, "trans.y": 0.0, "trans.z": 0.0, "rot.q1": 1.0, "rot.q2": 0.0, "rot.q3": 0.0,
                    "rot.q4": 0.0, "rot": 0.0}),
}  # fmt: skip
_RAPID_THEN = r"RETURN.*|\w+ := .+|TPWrite .+|GiveUp \S+|SendAndRead line|(?:OpenLink|CloseLink|Finish|ReadResult)"
RAPID = Language(
    Grammar(
        comment="!",
        precedence="not-first",
        decode_string=lambda text: re.sub(r"\\([0-9A-F]{2})", lambda m: chr(int(m[1], 16)), text),
    ),
    rules_of(
        [
            ("skip", r"MODULE \w+|ENDMODULE"),
            ("routine", r"(?:LOCAL )?(?:PROC|FUNC \w+) (?P<name>\w+)\((?P<params>.*)\)"),
            ("handler", r"ERROR"),
            ("end:routine", r"ENDPROC|ENDFUNC"),
            ("declare", r"(?:LOCAL )?(?:VAR|CONST|PERS) (?P<type>\w+) (?P<names>.+);", declare(_RAPID_DEFAULTS, 80)),
            ("if", r"IF (?P<cond>.+) THEN"),
            ("elif", r"ELSEIF (?P<cond>.+) THEN"),
            ("else", r"ELSE"),
            ("end:if", r"ENDIF"),
            ("if1", rf"IF (?P<cond>.+?) (?P<then>(?:{_RAPID_THEN});)"),
            ("while", r"WHILE (?P<cond>.+) DO"),
            ("end:while", r"ENDWHILE"),
            ("select", r"TEST (?P<value>.+)"),
            ("case", r"CASE (?P<values>.+):"),
            ("end:select", r"ENDTEST"),
            ("return", r"RETURN(?: (?P<value>.+))?;"),
            ("command", r"SocketConnect \w+, (?P<host>\w+), (?P<port>\w+) \\Time := \d+;", _rapid_connect),
            ("command", r"SocketSend \w+ \\Str := (?P<text>.+);", _rapid_send),
            ("command", r"SocketReceive \w+ \\Str := (?P<target>\w+) \\Time := \d+;", _rapid_receive),
            ("command", r"SocketClose \w+;", lambda program, match: program.host.close()),
            ("command", r"SocketCreate \w+;|TPErase;|WaitRob \\ZeroSpeed;", nothing),
            ("command", r"TPWrite (?P<text>.+?)(?: \\Num := (?P<number>.+))?;", _rapid_tell),
            (
                "command",
                r'TPReadFK (?P<target>\w+), (?P<text>"[^"]{1,80}")(?:, (?:"[^"]{1,45}"|stEmpty)){5};',
                _rapid_ask,
            ),
            ("command", r"WaitTime (?P<time>.+);", wait()),
            ("command", r"Move[JL] (?P<target>.+), slow, fine, tool0;", move),
            ("assign", r"(?P<target>[\w.{}]+) := (?P<value>.+);"),
            ("call", r"(?P<name>\w+)(?: (?P<args>.+))?;"),
        ],
        re.RegexFlag(0),
    ),
    {
        "numtostr": lambda value, decimals: f"{value:.{decimals}f}",
        "strfind": _str_find,
        "strlen": len,
        "strpart": _str_part,
        "norient": lambda rotation: rotation,
        "true": lambda: True,
        "false": lambda: False,
    },
    {"strtoval": _str_to_val, "crobt": _rapid_pose},
    substitutions=[(r"CRobT\(\\Tool := tool0 \\WObj := wobj0\)", "CRobT()")],
    string_limit=80,
)
