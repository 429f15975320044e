"""The marker dictionaries of OpenCV, by the names that are printed with boards, and the bits of their markers."""

from __future__ import annotations

import functools

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.errors import InputFault

_PREFIX = "DICT_"


@functools.cache
def dictionary_names() -> tuple[str, ...]:
    """Every dictionary of the installed OpenCV, such as "5X5_100" and "APRILTAG_36h11"; sorted."""
    # The AprilTag names exist twice, ending in h or H; tag families are written with a small one.
    spellings: dict[str, str] = {}
    for attribute in sorted(dir(cv2.aruco)):
        if attribute.startswith(_PREFIX):
            name = attribute.removeprefix(_PREFIX)
            spellings[name.upper()] = name
    return tuple(sorted(spellings.values()))


def canonical_dictionary_name(name: str) -> str | None:
    """``name`` as in ``dictionary_names``, whatever its capitals and with or without "DICT_"; None if unknown."""
    wanted = name.strip().upper().removeprefix(_PREFIX)
    return next((known for known in dictionary_names() if known.upper() == wanted), None)


def dictionary_family(name: str) -> str:
    """Dictionaries of one family share their first markers: "4X4_50" is the beginning of "4X4_100"."""
    return name.partition("_")[0] if name[:1].isdigit() else name


def marker_dictionary(name: str) -> cv2.aruco.Dictionary:
    """OpenCV's dictionary of that name. Raises InputFault ``board-dictionary``, listing the known names."""
    known = canonical_dictionary_name(name)
    if known is None:
        raise InputFault(
            "board-dictionary",
            f"no marker dictionary is called {name!r}",
            f"write one of {', '.join(dictionary_names())}, as printed with the board.",
            known_names=dictionary_names(),
        )
    return cv2.aruco.getPredefinedDictionary(int(getattr(cv2.aruco, _PREFIX + known)))


def dictionary_size(name: str) -> int:
    """Number of markers. Raises InputFault ``board-dictionary``."""
    return len(marker_dictionary(name).bytesList)


def truncated_dictionary(dictionary: cv2.aruco.Dictionary, count: int) -> cv2.aruco.Dictionary:
    """The first ``count`` markers only: a marker that the board does not have cannot be read by mistake."""
    return cv2.aruco.Dictionary(dictionary.bytesList[:count], dictionary.markerSize, dictionary.maxCorrectionBits)


def marker_bits(dictionary: cv2.aruco.Dictionary, count: int) -> NDArray[np.uint8]:
    """Cells (count, n, n) of the first ``count`` markers with their black border of one cell; 1 is white."""
    side = dictionary.markerSize + 2
    drawn = [cv2.aruco.generateImageMarker(dictionary, k, side, borderBits=1) for k in range(count)]
    return (np.asarray(drawn, dtype=np.uint8) > 127).astype(np.uint8)
