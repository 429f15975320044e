"""The part of the pairs that agree among themselves, found even where a third of them do not belong.

Strangers that are each only a few times the noise hide behind one another: they swell the noise that is judged from
all pairs until none of them stands out. So many small groups of pairs each grow to the larger part that fits them best
(concentration steps: P. J. Rousseeuw, K. Van Driessen, Data Mining and Knowledge Discovery 12, 2006), then by the next
best pair until all are in (A. C. Atkinson, Test 3(1), 1994). Of all places and noises on these ways the most likely one
counts, where a strange pair costs no more than a certain amount however far off it is. All of it on the linear model.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eyebolt.calibration.estimation import LinearModel, invert_information
from eyebolt.geometry import Array

Mask = NDArray[np.bool_]

# The larger part, as a share of the pairs.
_CORE_FRACTION = 0.65
# A pair this far off (squared offset; chance leaves one in 360 there) is no further argument for more noise.
_OUTLIER_CHI2 = 20.0
_INITIAL_SUBSETS, _SUBSET_SIZE = 50, 5
_SURVIVING_SUBSETS = 10
_CONCENTRATION_STEPS = 5
# More pairs than these add nothing to the search; they are judged by its outcome.
_MAX_ROWS = 60
_MIN_VARIANCE = 1e-14


@dataclass(frozen=True)
class _Pairs:
    """n pairs on the linear model: ``camera_covariance`` (n, 6, 6) of the camera in the covariance, ``offset``, ``design``."""

    camera_covariance: Array
    offset: Array
    design: Array

    def covariance(self, variances_of_subsets: Array) -> Array:
        """(m, n, 6, 6) for m choices of the arm's variances (m, 6)."""
        out: Array = self.camera_covariance + variances_of_subsets[:, None, :, None] * np.eye(6)
        return out

    def fit_subsets(self, subsets: Mask, weight: Array) -> tuple[Array, Array]:
        """Offsets (m, n, 6) from the fits to m groups of members (m, n), and their normalised squares (m, n)."""
        subset_count, n = subsets.shape
        flat = (weight @ self.design * subsets[..., None, None]).reshape(subset_count, 6 * n, -1)
        normal = self.design.reshape(6 * n, -1).T @ flat
        z = (invert_information(normal) @ (self.offset.reshape(-1) @ flat)[..., None])[..., 0]
        residual = self.offset - np.einsum("nip,mp->mni", self.design, z)
        return residual, np.einsum("mni,mnij,mnj->mn", residual, weight, residual)

    def variances_of_subsets(self, subsets: Mask, residual: Array) -> Array:
        """The arm's variances (m, 6) that m groups of equal size show."""
        camera = np.diagonal(self.camera_covariance, axis1=1, axis2=2)
        squares = np.einsum("mni,mn->mi", residual**2 - camera, subsets) / (subsets[0].sum() - 2)
        parts = np.stack([squares[:, :3].mean(axis=1), squares[:, 3:].mean(axis=1)], axis=1)
        out: Array = np.maximum(np.repeat(parts, 3, axis=1), _MIN_VARIANCE)
        return out


def consistent_subset(
    model: LinearModel, corner_sigma_px: float, variances: Array, noise_known: bool
) -> NDArray[np.intp]:
    """Rows that agree, of at most 60 that are looked at; ``variances`` (6,) of the arm: to begin with, or ``noise_known``.

    Always the same for the same pairs.
    """
    generator = np.random.Generator(np.random.PCG64(11))
    count = len(model.offset)
    rows = np.arange(count) if count <= _MAX_ROWS else np.sort(generator.choice(count, _MAX_ROWS, replace=False))
    n = len(rows)
    core_size = int(np.ceil(_CORE_FRACTION * n))
    pairs = _Pairs(corner_sigma_px**2 * model.camera_unit_covariance[rows], model.offset[rows], model.design(())[rows])
    subsets = np.zeros((_INITIAL_SUBSETS, n), dtype=bool)
    for subset in subsets:
        subset[generator.choice(n, size=min(_SUBSET_SIZE, core_size), replace=False)] = True
    variances_of_subsets = np.tile(variances, (_INITIAL_SUBSETS, 1))
    lowest_cost, consistent = np.inf, np.ones(n, dtype=bool)
    for size in [core_size] * _CONCENTRATION_STEPS + list(range(core_size + 1, n + 1)):
        C = pairs.covariance(variances_of_subsets)
        residual, mahalanobis_sq = pairs.fit_subsets(subsets, np.linalg.inv(C))
        # Minus twice the log likelihood, restricted: the transforms took the numbers of two of the n pairs.
        cost = np.minimum(mahalanobis_sq, _OUTLIER_CHI2).sum(axis=1) + (1 - 2 / n) * np.linalg.slogdet(C)[1].sum(axis=1)
        # An arm without any noise would find every pair strange.
        cost[(mahalanobis_sq < _OUTLIER_CHI2).sum(axis=1) < core_size] = np.inf
        if cost.min() < lowest_cost:
            lowest_cost, consistent = float(cost.min()), mahalanobis_sq[int(np.argmin(cost))] < _OUTLIER_CHI2
        subsets = np.zeros_like(subsets)
        np.put_along_axis(subsets, np.argsort(mahalanobis_sq, axis=1)[:, :size], True, axis=1)
        if not noise_known:
            variances_of_subsets = pairs.variances_of_subsets(subsets, residual)
        if size == core_size + 1:
            best = np.argsort(cost)[:_SURVIVING_SUBSETS]
            subsets, variances_of_subsets = subsets[best], variances_of_subsets[best]
    out: NDArray[np.intp] = rows[consistent]
    return out
