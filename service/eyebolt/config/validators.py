"""Checks of single texts in a station file: names, addresses, endpoints. Each returns its input or raises ValueError.

The ValueError's text says what is allowed, in the words that the operator will read.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable

from eyebolt.geometry import ROTATION_KINDS

# Markers in each dictionary. Source: OpenCV documentation, module objdetect, enum PredefinedDictionaryType.
DICTIONARY_SIZES = {f"{n}X{n}_{size}": size for n in (4, 5, 6, 7) for size in (50, 100, 250, 1000)} | {
    "APRILTAG_16h5": 30,
    "APRILTAG_25h9": 35,
    "APRILTAG_36h10": 2320,
    "APRILTAG_36h11": 587,
}

# A Unix socket path has 108 bytes with its closing zero (unix(7)).
_NAME = re.compile(r"[A-Za-z0-9_-]{1,32}", re.ASCII)


def closest_match(found: str, choices: Iterable[str]) -> str:
    """The choice that ``found`` was probably meant to be, ignoring capitals; empty if none is near."""
    by_lower_case = {choice.lower(): choice for choice in choices}
    suggestion = difflib.get_close_matches(found[:80].lower(), by_lower_case, n=1, cutoff=0.6)
    return by_lower_case[suggestion[0]] if suggestion else ""


def name(text: str) -> str:
    """A name that can be a folder's name."""
    if not _NAME.fullmatch(text):
        raise ValueError("1 to 32 of the letters a-z, A-Z, digits, - and _ (it becomes a folder's name)")
    return text


def file_path(text: str) -> str:
    """A path as text, relative to the station file unless absolute."""
    if not text or len(text) > 1024 or not text.isprintable():
        raise ValueError("a path of 1 to 1024 printable characters, relative to this file")
    return text


def rotation_kind(text: str) -> str:
    """One of ROTATION_KINDS."""
    if text not in ROTATION_KINDS:
        suggestion = closest_match(text, ROTATION_KINDS)
        raise ValueError(
            '"quaternion-wxyz", "quaternion-xyzw", "rotation-vector", "angle-z", or "euler-" and three axis letters '
            '("euler-ZYX": capitals turn about the moving axes, small letters about the fixed ones)'
            + (f'; the closest is "{suggestion}"' if suggestion else "")
        )
    return text


def dictionary(text: str) -> str:
    """The name of a marker dictionary."""
    if text not in DICTIONARY_SIZES:
        suggestion = closest_match(text, DICTIONARY_SIZES)
        raise ValueError(
            "4X4, 5X5, 6X6 or 7X7 with _50, _100, _250 or _1000, or APRILTAG_16h5, _25h9, _36h10, _36h11"
            + (f'; the closest is "{suggestion}"' if suggestion else "")
        )
    return text


def dictionary_family(text: str) -> str:
    """Dictionaries of one family share their first markers: ``4X4_50`` is the beginning of ``4X4_100``."""
    return text if text.startswith("APRILTAG") else text.partition("_")[0]
