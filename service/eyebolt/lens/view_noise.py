"""Corner noise of every view: as different as the residuals show, and no more.

The residual variance of one view scatters even where all views are alike. The variances are taken as draws from a
scaled inverse chi-squared distribution whose two parameters are estimated from all views; each view's variance is then
its posterior mean (empirical Bayes: G. K. Smyth, "Linear models and empirical Bayes methods for assessing differential
expression in microarray experiments", Statistical Applications in Genetics and Molecular Biology 3(1), 2004). Views
that differ by no more than chance share one variance.
"""

from __future__ import annotations

import numpy as np
import scipy

from eyebolt.geometry import Array

# The corner noise of a perfect image; keeps weights finite where residuals are only rounding.
_MIN_SIGMA_PX = 0.003
_NEWTON_STEPS = 50


def view_variances(rss_px2: Array, degrees_of_freedom: Array) -> Array:
    """Noise variance of the corners of each view (n,), px^2, from residual sums of squares (n,), px^2."""
    variance = np.maximum(rss_px2 / degrees_of_freedom, _MIN_SIGMA_PX**2)
    half = degrees_of_freedom / 2
    # Logarithms of the variances, without the bias of the logarithm of a chi-squared variable.
    logs = np.log(variance) - scipy.special.digamma(half) + np.log(half)
    excess = np.var(logs, ddof=1) - scipy.special.polygamma(1, half).mean() if len(logs) > 1 else 0.0
    if excess <= 0:
        common = float(rss_px2.sum() / degrees_of_freedom.sum())
        return np.full(len(variance), max(common, _MIN_SIGMA_PX**2))
    prior_half = _inverse_trigamma(float(excess))
    prior = np.exp(logs.mean() + scipy.special.digamma(prior_half) - np.log(prior_half))
    out: Array = (prior_half * prior + half * variance) / (prior_half + half)
    return out


def _inverse_trigamma(value: float) -> float:
    """The x > 0 with trigamma(x) = ``value`` > 0, by Newton's method on 1 / trigamma (Smyth, appendix)."""
    x = 0.5 + 1 / value
    for _ in range(_NEWTON_STEPS):
        trigamma = float(scipy.special.polygamma(1, x))
        change = trigamma * (1 - trigamma / value) / float(scipy.special.polygamma(2, x))
        x += change
        if abs(change) < 1e-9 * x:
            break
    return x
