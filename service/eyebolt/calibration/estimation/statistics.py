"""Tail probabilities of the chi-squared and F distributions, and squared Mahalanobis distances.

``import scipy`` without a submodule: SciPy then loads ``scipy.special`` at the first call, not at the start of every
program that imports this package.
"""

from __future__ import annotations

import numpy as np
import scipy

from eyebolt.geometry import Array


def chi2_sf(dof: int, chi2: Array | float) -> Array:
    """p-value: probability that a chi-squared variable with ``dof`` degrees of freedom exceeds ``chi2``."""
    return np.asarray(scipy.special.chdtrc(dof, chi2))


def chi2_isf(dof: int, p_value: float) -> float:
    """Value that a chi-squared variable with ``dof`` degrees of freedom exceeds with probability ``p_value``."""
    return float(scipy.special.chdtri(dof, p_value))


def f_sf(dof: float, dof_denominator: float, ratio: Array | float) -> Array:
    """p-value: probability that an F variable with these degrees of freedom exceeds ``ratio``, a ratio of mean
    squares."""
    return np.asarray(scipy.special.fdtrc(dof, dof_denominator, ratio))


def mahalanobis_sq(offset: Array, covariance: Array) -> Array:
    """Squared Mahalanobis distance (n,) of offsets (n, k) with covariances (n, k, k)."""
    out: Array = np.einsum("ni,ni->n", offset, np.linalg.solve(covariance, offset[..., None])[..., 0])
    return out
