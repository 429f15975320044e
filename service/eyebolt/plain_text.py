"""Words from outside, made safe for a terminal or a log.

A file, a robot, a sender of images or a path can hold any character: escape sequences that steer a terminal, line feeds
that begin a forged line, marks that reverse the direction of reading. Every word that is shown passes through here.
"""

from __future__ import annotations

import unicodedata

# General categories of the Unicode Character Database. Control and format characters (among them the bidirectional
# marks) have no shape of their own; surrogates, private and unassigned ones have no agreed meaning.
_DROPPED = frozenset({"Cc", "Cf"})
_REPLACED = frozenset({"Co", "Cs", "Cn"})


def clean_line(text: str) -> str:
    """``text`` on one line, safe to print; blanks stay as they are.

    Line breaks and other white space become blanks, control and format characters are dropped, characters without an
    agreed meaning become "?".
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(map(_clean_character, text))


def clean_block(text: str) -> str:
    """``text`` of several lines, safe to print: every line after the first is indented, so that none can be forged."""
    first, *rest = text.split("\n")
    return "\n".join([clean_line(first), *(f"  {clean_line(line).lstrip()}" for line in rest)])


def sanitize(text: str) -> str:
    """``text`` on one line in Unicode's composed form (NFC), safe to print, with single blanks between its words."""
    return " ".join(clean_line(unicodedata.normalize("NFC", text)).split())


def _clean_character(character: str) -> str:
    if character.isspace():
        return " "
    category = unicodedata.category(character)
    if category in _DROPPED:
        return ""
    return "?" if category in _REPLACED else character
