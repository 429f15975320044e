"""Marker dictionaries by the names that are printed with boards."""

from __future__ import annotations

import functools

import cv2

from eyebolt.errors import InputFault


def marker_dictionary(name: str) -> cv2.aruco.Dictionary:
    """OpenCV's predefined marker dictionary of that name, with or without its "DICT_".

    Raises InputFault ``board-dictionary`` listing the names there are.
    """
    known = _dictionary_names()
    wanted = str(name).strip().upper().removeprefix("DICT_")
    if wanted not in known:
        raise InputFault(
            "board-dictionary",
            f"no marker dictionary is called {name!r}",
            f"write one of {', '.join(sorted(known))}, as printed with the board.",
            known=sorted(known),
        )
    return cv2.aruco.getPredefinedDictionary(known[wanted])


def check_dictionary(name: str | None, kind: str, layout: str, wanted: int) -> None:
    """Raises InputFault ``board-dictionary`` unless ``name`` has the ``wanted`` markers of a board of ``layout``."""
    if name is None:
        raise InputFault(
            "board-dictionary",
            f"a {kind} board needs the name of its marker dictionary",
            'write it as printed with the board, for instance dictionary = "5X5_100".',
        )
    available = len(marker_dictionary(name).bytesList)
    if wanted > available:
        raise InputFault(
            "board-dictionary",
            f"{layout} need {wanted} markers; {name} has {available}",
            "check the counts and the name of the dictionary.",
            wanted=wanted,
            available=available,
        )


@functools.cache
def _dictionary_names() -> dict[str, int]:
    names = (name for name in dir(cv2.aruco) if name.startswith("DICT_"))
    return {name.removeprefix("DICT_").upper(): int(getattr(cv2.aruco, name)) for name in names}
