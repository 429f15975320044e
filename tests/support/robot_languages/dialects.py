"""The languages of robot_scripts with what a test has to know of their scripts."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from support.robot_languages.as_language import AS
from support.robot_languages.interpreter import Host, Language, Program
from support.robot_languages.karel import KAREL
from support.robot_languages.krl import KRL
from support.robot_languages.melfa_basic import MELFA_BASIC
from support.robot_languages.rapid import RAPID
from support.robot_languages.rotation_vector_script import ROTATION_VECTOR_SCRIPT
from support.robot_languages.spel import SPEL
from support.robot_languages.val3 import VAL3


@dataclass(frozen=True)
class Dialect:
    """A language with what a test has to know of its scripts."""

    language: Language
    suffix: str
    """Of the script files."""
    data_suffix: str | None = None
    """Of a file of data that is read first."""
    main: str | None = "{}"
    """The routine to run, ``{}`` in place of the file's name; None: the statements outside routines."""

    def program(self, texts: Sequence[str], host: Host) -> Program:
        """The program of a script, data files first."""
        return Program(self.language, [re.sub(_VAL3_GLOBAL, "@", text, flags=re.MULTILINE) for text in texts], host)

    def run(self, program: Program, name: str) -> None:
        """Runs the script ``name`` until it ends or is ended."""
        if self.main is None:
            program.run_top()
        else:
            program.run(self.main.format(name))


# Data that an application declares outside its programs: the head of the file lists them.
_VAL3_GLOBAL = r"^//   (?=(?:bool|num|string|trsf|mdesc|sio|pointRx) )"


DIALECTS: Mapping[str, Dialect] = {
    "rapid": Dialect(RAPID, "mod"),
    "krl": Dialect(KRL, "src", "dat"),
    "karel": Dialect(KAREL, "kl", main="main"),
    "rotation_vector_script": Dialect(ROTATION_VECTOR_SCRIPT, "script"),
    "spel": Dialect(SPEL, "prg"),
    "val3": Dialect(VAL3, "val3"),
    "melfa_basic": Dialect(MELFA_BASIC, "prg", main=None),
    "as": Dialect(AS, "as"),
}
