"""From the covariance of what goes into a function to the covariance of what comes out."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from eyebolt.geometry.rigid import Array

# A step well inside the spread, so that it is the slope that is measured and not the curvature; and not below what
# double precision resolves of a number that large, where a central difference is most exact.
_OF_SIGMA = 0.1
_OF_SIZE = float(np.finfo(float).eps) ** (1 / 3)


def propagate(function: Callable[[Array], ArrayLike], at: ArrayLike, covariance: ArrayLike) -> tuple[Array, Array]:
    """Value (m,) of ``function`` at ``at`` (n,), and its covariance (m, m) for ``covariance`` (n, n) of the inputs.

    Law of propagation of uncertainty, first order: JCGM 100:2008, 5.2.2, equations (13) and (16), written for several
    outputs as J C J^T. J by central differences, each input moved by a tenth of its standard deviation, or by more
    where that would be lost in rounding. An input without variance is known exactly and is not moved. A variance below
    zero makes the whole covariance NaN.
    """
    centre = np.asarray(at, dtype=float)
    spread = np.asarray(covariance, dtype=float)
    variances = np.diagonal(spread)
    value = np.asarray(function(centre), dtype=float)
    if (variances < 0).any():
        return value, np.full((value.size, value.size), np.nan)
    jacobian = np.zeros((value.size, centre.size))
    for k in np.flatnonzero(variances != 0):
        step = max(_OF_SIGMA * float(np.sqrt(variances[k])), _OF_SIZE * abs(float(centre[k])))
        ahead, behind = centre.copy(), centre.copy()
        ahead[k] += step
        behind[k] -= step
        difference = np.asarray(function(ahead), dtype=float) - np.asarray(function(behind), dtype=float)
        # What was really stepped, after rounding.
        jacobian[:, k] = difference / (ahead[k] - behind[k])
    return value, jacobian @ spread @ jacobian.T
