"""What a finder hands on: numbered corners before anything is said about the light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eyebolt.geometry.rigid import Array


@dataclass(frozen=True)
class Located:
    """``ids`` (K,) rising, ``corners_px`` (K, 2), median ``blur_px``; see Sighting."""

    ids: NDArray[np.int64]
    corners_px: Array
    blur_px: float
    half_turn_ambiguous: bool
