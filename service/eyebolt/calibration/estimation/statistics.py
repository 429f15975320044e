"""How probable it is that chance alone makes a squared sum this large.

By SciPy, which is named whole so that it is loaded at the first use, not at the start of a program.
"""

from __future__ import annotations

import numpy as np
import scipy

from eyebolt.geometry import Array


def chi2_sf(dof: int, chi2: Array | float) -> Array:
    """Chance that ``dof`` squared standard normal numbers sum to ``chi2`` or more (chi-squared distribution)."""
    return np.asarray(scipy.special.chdtrc(dof, chi2))


def chi2_isf(dof: int, p_value: float) -> float:
    """The sum that ``dof`` squared standard normal numbers reach with ``p_value``."""
    return float(scipy.special.chdtri(dof, p_value))


def f_sf(dof: int, dof_denominator: int, ratio: Array | float) -> Array:
    """Chance of ``ratio`` times the mean square of ``dof_denominator`` numbers in ``dof`` others (Fisher F)."""
    return np.asarray(scipy.special.fdtrc(dof, dof_denominator, ratio))
