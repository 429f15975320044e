"""Corner noise of each view, from the residuals about its own pose fit.

One view may be blurred, dark or far, and a reflection may shift all corners of a region alike. Two variances describe a
view: that of a single corner, s^2, and that of a shift which the corners of one region of the board share, t^2 (nine
regions, thirds of the extent either way). The residuals determine both by their moments, the total sum of squares and
the sum of squares of the sums over the regions, as in the analysis of variance of a one-way random-effects model
(S. R. Searle, G. Casella, C. E. McCulloch, Variance Components, 1992, chapter 3).

A view has few residuals, so its variances are combined with those of the other views by empirical Bayes: the variances
of the views are scaled inverse chi-squared with d0 degrees of freedom about s0^2, both estimated from the spread of the
logarithms beyond chance; the estimate is (d0 s0^2 + d s^2) / (d0 + d) for a view with d degrees of freedom
(G. K. Smyth, Statistical Applications in Genetics and Molecular Biology 3(1), 2004). Views that differ by no more than
chance have one variance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from eyebolt.calibration.estimation.statistics import f_sf, shrunk_variances
from eyebolt.geometry import Array, RowSelection
from eyebolt.observations import CornerLinearization, CornerObservations

# Regions of the board, along each of its axes.
_REGIONS = 3
# p-value of all views together from which on shared shifts count as absent. A shift found by chance in one session of a
# hundred does no harm: it is as small as the residuals show it.
_NO_SHIFT_P = 0.01
MIN_CORNER_SIGMA_PX = 0.003
"""Keeps noiseless data (tests, drawings) solvable: corners are never known better than this."""
# Used if the views have no more corners than their poses need, and the residuals show nothing.
_DEFAULT_SIGMA_PX = 0.1
# At least a tenth of the squares is left to single corners: residuals of a wrong lens are shared altogether.
_MAX_SHIFT_SHARE = 0.9


@dataclass(frozen=True)
class CornerNoise:
    """Noise of the corners of n views, relative to one variance of the session."""

    relative_variance: Array
    """(n,): variance of a single corner."""
    shift_ratio: Array
    """(n,): variance of the shift that the corners of a region share, over that of a single corner of the view."""
    squares_px2: Array
    """(n,), square pixels: sum of squared residuals, that of the shifts subtracted."""
    dof: Array
    """(n,): their degrees of freedom; negative for views with fewer corners than their poses need."""

    def uniform(self) -> CornerNoise:
        """The same with independent corners of one variance."""
        n = len(self.dof)
        return replace(self, relative_variance=np.ones(n), shift_ratio=np.zeros(n))

    def __getitem__(self, rows: RowSelection) -> CornerNoise:
        return CornerNoise(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))

    @property
    def is_uniform(self) -> bool:
        """Whether all corners of all views have the same independent noise."""
        return bool((self.relative_variance == 1).all() and not self.shift_ratio.any())

    def weighted_products(self, corners: CornerObservations, columns: Array, products: Array) -> Array:
        """Products (n, c, c) of ``columns`` (n, 2 K, c), such as derivatives of the corners, under the inverse
        covariance of the corners; ``products``: those under their weights alone.

        With Z the indicators of the regions and W the weights, the inverse of inverse(W) + t^2 Z Z^T is
        W - W Z inverse(1 / t^2 + Z^T W Z) Z^T W (Woodbury).
        """
        if self.shift_ratio.any():
            n, k = corners.weights.shape
            regions = _regions(corners) * corners.weights[..., None]
            sums = np.einsum("nkb,nkcj->nbcj", regions, columns.reshape(n, k, 2, -1), optimize=True)
            t2 = self.shift_ratio[:, None]
            share = t2 / (1 + t2 * regions.sum(axis=1))
            flat = sums.reshape(n, 2 * _REGIONS**2, -1)
            products = products - np.swapaxes(flat, 1, 2) @ (flat * np.repeat(share, 2, axis=1)[..., None])
        out: Array = products / self.relative_variance[:, None, None]
        return out

    def inverse_covariance(self, corners: CornerObservations) -> tuple[Array, Array]:
        """The inverse covariance of the ``corners``, as a diagonal (n, 2 K) less ``factor @ factor.T`` (n, 2 K, b)."""
        n, k = corners.weights.shape
        own = np.repeat(corners.weights / self.relative_variance[:, None], 2, axis=1)
        if not self.shift_ratio.any():
            return own, np.zeros((n, 2 * k, 0))
        regions = _regions(corners) * corners.weights[..., None]
        t2 = self.shift_ratio[:, None]
        share = t2 / (1 + t2 * regions.sum(axis=1))
        scaled = regions * np.sqrt(share / self.relative_variance[:, None])[:, None, :]
        return own, np.einsum("nkb,cd->nkcbd", scaled, np.eye(2)).reshape(n, 2 * k, -1)

    @property
    def sigma_px(self) -> float:
        """Standard deviation of a corner of the session, pixels per coordinate."""
        dof = float(self.dof.sum())
        if dof <= 0:
            return _DEFAULT_SIGMA_PX
        return max(float(np.sqrt((self.squares_px2 / self.relative_variance).sum() / dof)), MIN_CORNER_SIGMA_PX)


def estimate_corner_noise(
    corners: CornerObservations, linearized: CornerLinearization, residual_px: Array, dof: Array
) -> CornerNoise:
    """The noise of ``corners``, ``linearized`` at the pose fits of their n views.

    ``residual_px`` (n, 2 K): residuals about the pose fits, ``dof`` (n,): their degrees of freedom in each view.
    """
    weights = corners.weights
    n = len(weights)
    covariance = np.linalg.inv(linearized.information)
    residual = residual_px.reshape(n, -1, 2)
    rss = (weights[..., None] * residual**2).sum(axis=(1, 2))
    regions = _regions(corners) * weights[..., None]
    by_region = np.swapaxes(regions, 1, 2)
    sums = (by_region @ residual).reshape(n, -1)
    jacobian_sums = (by_region @ linearized.jacobian.reshape(n, -1, 12)).reshape(n, -1, 6)
    # Residuals have covariance s^2 M + t^2 M Z Z^T M, with Z the indicators of the regions and M the projector that the
    # fit of the pose leaves; Q = Z^T M Z is the covariance of the sums for s = 1.
    Q = np.einsum("nb,bc->nbc", np.repeat(regions.sum(axis=1), 2, axis=1), np.eye(2 * _REGIONS**2))
    Q = Q - jacobian_sums @ covariance @ np.swapaxes(jacobian_sums, 1, 2)
    trace, trace_of_square = np.trace(Q, axis1=1, axis2=2), (Q**2).sum(axis=(1, 2))
    squares = (sums**2).sum(axis=1)
    measured = (dof >= 1) & (rss > 0) & (trace > 0) & np.isfinite(rss)
    shift = np.zeros(n)
    if measured.any():
        shift[measured] = _shared_shifts(
            rss[measured], dof[measured], squares[measured], trace[measured], trace_of_square[measured]
        )
    own = np.ones(n)
    own[measured] = shrunk_variances((rss[measured] - shift[measured] * trace[measured]) / dof[measured], dof[measured])
    session = float(np.average(own[measured], weights=dof[measured])) if measured.any() else 1.0
    own[~measured] = session
    return CornerNoise(own / session, shift / own, rss - shift * trace, dof)


def _shared_shifts(rss: Array, dof: Array, squares: Array, trace: Array, trace_of_square: Array) -> Array:
    """Variances t^2 (n,) of the shared shifts; 0 where all views together show none."""
    # Moments: E rss = dof s^2 + trace t^2 and E squares = trace s^2 + trace_of_square t^2.
    moment = (squares * dof - rss * trace) / np.maximum(trace_of_square * dof - trace**2, 1e-300)
    largest = _MAX_SHIFT_SHARE * rss / trace
    s2 = (rss - np.clip(moment, 0.0, largest) * trace) / dof
    # Degrees of freedom of the sums by F. E. Satterthwaite, Biometrics Bulletin 2(6), 1946.
    between_dof = trace**2 / trace_of_square
    between = squares / trace / s2
    p_value = f_sf(float(between_dof.sum()), float(dof.sum()), float(np.average(between, weights=between_dof)))
    if p_value > _NO_SHIFT_P:
        return np.zeros(len(rss))
    excess = np.maximum(shrunk_variances(between, between_dof) - 1.0, 0.0)
    out: Array = np.minimum(excess * s2 * trace / trace_of_square, largest)
    return out


def _regions(corners: CornerObservations) -> Array:
    """(n, K, 9): indicators of the region in which a corner lies."""
    present = (corners.weights > 0)[..., None]
    points = corners.points_m[..., :2]
    low = np.where(present, points, np.inf).min(axis=1, keepdims=True)
    high = np.where(present, points, -np.inf).max(axis=1, keepdims=True)
    third = np.clip((points - low) / np.maximum(high - low, 1e-12) * _REGIONS, 0, _REGIONS - 1).astype(int)
    out: Array = np.eye(_REGIONS**2)[third[..., 0] * _REGIONS + third[..., 1]]
    return out
