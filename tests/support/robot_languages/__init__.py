"""Small interpreters of the subset of each controller language that robot_scripts uses, so that tests can run a script.

They rest on the public rules of the languages as far as the scripts need them; they are not the languages. A statement
that no rule knows, an undeclared variable, a string beyond the limit or a value that was never set is an error.
"""

from support.robot_languages.dialects import DIALECTS, Dialect
from support.robot_languages.interpreter import Host, Program, ProgramEnded, ScriptError

__all__ = ["DIALECTS", "Dialect", "Host", "Program", "ProgramEnded", "ScriptError"]
