"""Tail probabilities of the chi-squared and F distributions, squared Mahalanobis distances, shrinkage of variances.

``import scipy`` without a submodule: SciPy then loads ``scipy.special`` at the first call, not at the start of every
program that imports this package.
"""

from __future__ import annotations

import numpy as np
import scipy

from eyebolt.geometry import Array

# Relative change of a Newton step below which the inverse of the trigamma function is found.
_TOLERANCE = 1e-8
_MAX_ITERATIONS = 50


def chi2_sf(dof: int, chi2: Array | float) -> Array:
    """p-value: probability that a chi-squared variable with ``dof`` degrees of freedom exceeds ``chi2``."""
    return np.asarray(scipy.special.chdtrc(dof, chi2))


def chi2_isf(dof: float, p_value: float) -> float:
    """Value that a chi-squared variable with ``dof`` degrees of freedom exceeds with probability ``p_value``."""
    return float(scipy.special.chdtri(dof, p_value))


def f_sf(dof: float, dof_denominator: float, ratio: Array | float) -> Array:
    """p-value: probability that an F variable with these degrees of freedom exceeds ``ratio``, a ratio of mean
    squares."""
    return np.asarray(scipy.special.fdtrc(dof, dof_denominator, ratio))


def f_isf(dof: float, dof_denominator: float, p_value: Array) -> Array:
    """Ratio that an F variable with these degrees of freedom exceeds with probability ``p_value``, at least 1e-12."""
    return np.asarray(scipy.special.fdtri(dof, dof_denominator, 1 - p_value))


def mahalanobis_sq(offset: Array, covariance: Array) -> Array:
    """Squared Mahalanobis distance (n,) of offsets (n, k) with covariances (n, k, k)."""
    out: Array = np.einsum("ni,ni->n", offset, np.linalg.solve(covariance, offset[..., None])[..., 0])
    return out


def shrunk_variances(variances: Array, dof: Array) -> Array:
    """Empirical Bayes estimates (n,) of variances estimated as ``variances`` (n,) > 0 with ``dof`` (n,).

    The variances are scaled inverse chi-squared about a common value, both parameters estimated from the spread beyond
    chance (G. K. Smyth, Statistical Applications in Genetics and Molecular Biology 3(1), 2004); where they differ by no
    more than chance, all are the common value.
    """
    pooled: Array = np.full(len(dof), np.average(variances, weights=dof)) if len(dof) else variances
    if len(dof) < 2:
        return pooled
    half = dof / 2
    log_variance = np.log(variances) - scipy.special.digamma(half) + np.log(half)
    # Variance of the logarithms beyond that of a chi-squared variable.
    excess = float(log_variance.var(ddof=1) - scipy.special.polygamma(1, half).mean())
    if excess <= 0:
        return pooled
    half_prior = _inverse_trigamma(excess)
    prior = np.exp(log_variance.mean() + scipy.special.digamma(half_prior) - np.log(half_prior))
    out: Array = (2 * half_prior * prior + dof * variances) / (2 * half_prior + dof)
    return out


def _inverse_trigamma(value: float) -> float:
    """y with trigamma(y) = ``value`` > 0, by Newton's method on 1 / trigamma, which is convex and almost linear."""
    y = 0.5 + 1 / value
    for _ in range(_MAX_ITERATIONS):
        trigamma = float(scipy.special.polygamma(1, y))
        step = trigamma * (1 - trigamma / value) / float(scipy.special.polygamma(2, y))
        y += step
        if abs(step) < _TOLERANCE * y:
            break
    return y
