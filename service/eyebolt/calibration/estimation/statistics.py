"""How probable it is that chance alone makes a squared sum this large.

By SciPy, which is named whole so that it is loaded at the first use, not at the start of a program.
"""

from __future__ import annotations

import numpy as np
import scipy

from eyebolt.geometry import Array


def chance_of_squares(freedom: int, squared: Array | float) -> Array:
    """Chance that ``freedom`` squared standard normal numbers sum to ``squared`` or more (chi-squared distribution)."""
    return np.asarray(scipy.special.chdtrc(freedom, squared))


def squares_beyond(freedom: int, chance: float) -> float:
    """The sum that ``freedom`` squared standard normal numbers reach with ``chance``."""
    return float(scipy.special.chdtri(freedom, chance))


def chance_of_ratio(freedom: int, freedom_of_scatter: int, ratio: Array | float) -> Array:
    """Chance of ``ratio`` times the mean square of ``freedom_of_scatter`` numbers in ``freedom`` others (Fisher F)."""
    return np.asarray(scipy.special.fdtrc(freedom, freedom_of_scatter, ratio))
