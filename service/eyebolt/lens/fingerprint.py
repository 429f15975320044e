"""A mark of a picture by which it is recognised when it turns up twice: once for the lens, once for the transform."""

from __future__ import annotations

import hashlib

import numpy as np

from eyebolt.geometry import Array

# The same picture gives the same corners to the last bit, whatever file it is read from; other pictures of a board at
# rest differ by their noise, which is larger.
_STEPS_PER_PX = 1e4


def view_fingerprint(corners_px: Array) -> str:
    """16 hexadecimal digits of the corners (K, 2) that were detected in a picture, in any order."""
    places = np.round(np.asarray(corners_px, dtype=float) * _STEPS_PER_PX).astype("<i8")
    return hashlib.sha256(places[np.lexsort(places.T)].tobytes()).hexdigest()[:16]
