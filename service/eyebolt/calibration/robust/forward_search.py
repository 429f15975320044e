"""Forward search: a consistent subset of the pairs even where a third of them are outliers.

Outliers of only a few times the noise mask each other: they inflate the noise estimated from all pairs until none of
them stands out. So many small random subsets each grow to the larger part of the pairs that fits them best
(concentration steps of FAST-MCD: P. J. Rousseeuw, K. Van Driessen, Technometrics 41(3), 1999, and for regression Data
Mining and Knowledge Discovery 12, 2006), then pair by pair until all are included (forward search: A. C. Atkinson,
Test 3(1), 1994). Of all estimates and noise values on the way the most likely one is taken, where the cost of an
outlier is bounded. All of it runs on the linear model.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eyebolt.calibration.estimation import LinearModel, invert_pose_covariance
from eyebolt.geometry import Array

Mask = NDArray[np.bool_]

# Size of the subset that concentration steps grow to, as a fraction of the pairs: what the largest admissible share of
# outliers (35 %) leaves.
_CORE_FRACTION = 0.65
# Squared distance of an outlier (chi-squared with 6 degrees of freedom: 1 inlier in 360). It bounds the cost, so that a
# pair still farther off does not favour more noise.
_OUTLIER_CHI2 = 20.0
# Where 35 % are outliers, a subset of five is free of them with probability 0.65^5 = 0.12, and one of fifty in 998 of
# 1000 searches. Five pairs determine X, Y and a rough noise.
_INITIAL_SUBSETS, _SUBSET_SIZE = 50, 5
# Two concentration steps show which subsets are worth going on with; so many of them do (Rousseeuw & Van Driessen).
_FIRST_STEPS, _SURVIVING_SUBSETS = 2, 10
# Concentration nearly always converges within ten steps (the same); the pair-by-pair growth goes on from here.
_CONCENTRATION_STEPS = 5
# Of a normal matrix with unit diagonal: enough to solve for a subset that leaves a direction open.
_RIDGE = 1e-12
# More pairs add nothing to the search; all pairs are classified by its result.
_MAX_ROWS = 60
# (0.1 um)^2: below any arm; keeps the covariance regular.
_MIN_VARIANCE = 1e-14


@dataclass(frozen=True)
class _LinearPairs:
    """n pairs of a linear model; board and lens, as the images show them, are known up to their covariance there."""

    camera_covariance: Array
    """(n, 6, 6): covariance of the offset by the corner noise."""
    offset: Array
    """(n, 6), m and rad: predicted to observed board pose."""
    design: Array
    """(n, 6, p + r): derivative of the offset by the observable changes of X and Y, and by the nuisance parameters."""
    prior_information: Array
    """(p + r, p + r): information about these unknowns beside the offsets."""

    @staticmethod
    def of(model: LinearModel, corner_sigma_px: float, rows: NDArray[np.intp]) -> _LinearPairs:
        """The pairs ``rows`` of ``model``."""
        mean, covariance = model.nuisances_from_images(corner_sigma_px)
        design = model.design
        prior_information = np.zeros((design.shape[-1], design.shape[-1]))
        p = model.observable_basis.shape[1]
        prior_information[p:, p:] = np.linalg.inv(covariance)
        return _LinearPairs(
            corner_sigma_px**2 * model.camera_unit_covariance[rows],
            (model.offset - model.nuisance_jacobian @ mean)[rows],
            design[rows],
            prior_information,
        )

    def covariance(self, variances: Array) -> Array:
        """(m, n, 6, 6) of the offsets for m choices of the arm's ``variances`` (m, 6)."""
        out: Array = self.camera_covariance + variances[:, None, :, None] * np.eye(6)
        return out

    def fit_subsets(self, subsets: Mask, weight: Array) -> tuple[Array, Array]:
        """Residuals (m, n, 6) of all pairs about the fits to ``subsets`` (m, n), of one size, and their squares (m, n).

        ``weight`` (m or 1, n, 6, 6): inverse covariance of the offsets.
        """
        subset_count, n = subsets.shape
        rows = np.nonzero(subsets)[1].reshape(subset_count, -1)
        design = self.design[rows]
        flat = (weight[np.arange(len(weight))[:, None], rows] @ design).reshape(subset_count, 6 * rows.shape[1], -1)
        normal = np.swapaxes(design.reshape(flat.shape), -1, -2) @ flat + self.prior_information
        # Scaled to a unit diagonal: unknowns that a subset does not determine stay near zero by the ridge alone.
        scale = 1 / np.sqrt(np.maximum(np.diagonal(normal, axis1=-2, axis2=-1), 1e-300))
        scaled = normal * scale[..., :, None] * scale[..., None, :] + _RIDGE * np.eye(normal.shape[-1])
        right = scale * (self.offset[rows].reshape(subset_count, 1, -1) @ flat)[:, 0]
        z = scale * np.linalg.solve(scaled, right[..., None])[..., 0]
        residual = self.offset - (z @ self.design.reshape(6 * n, -1).T).reshape(subset_count, n, 6)
        return residual, ((weight @ residual[..., None])[..., 0] * residual).sum(axis=-1)

    def estimate_variances(self, subsets: Mask, residual: Array) -> Array:
        """The arm's variances (m, 6) in m ``subsets`` of equal size: by moments, the corner noise subtracted."""
        camera = np.diagonal(self.camera_covariance, axis1=1, axis2=2)
        # Half of the 12 unknowns are fitted to the translations, half to the rotations: two of the pairs' worth.
        squares = np.einsum("mni,mn->mi", residual**2 - camera, subsets) / (subsets[0].sum() - 2)
        parts = np.stack([squares[:, :3].mean(axis=1), squares[:, 3:].mean(axis=1)], axis=1)
        out: Array = np.maximum(np.repeat(parts, 3, axis=1), _MIN_VARIANCE)
        return out


def consistent_subset(model: LinearModel, corner_sigma_px: float, variances: Array) -> NDArray[np.intp]:
    """Rows that are consistent with each other, of at most 60 that are examined.

    ``variances`` (6,) of the arm: to start from. Random subsets are from a fixed seed: the same pairs always have the
    same result.
    """
    generator = np.random.Generator(np.random.PCG64(11))
    count = len(model.offset)
    rows = np.arange(count) if count <= _MAX_ROWS else np.sort(generator.choice(count, _MAX_ROWS, replace=False))
    n = len(rows)
    core_size = int(np.ceil(_CORE_FRACTION * n))
    pairs = _LinearPairs.of(model, corner_sigma_px, rows)
    subsets = np.zeros((_INITIAL_SUBSETS, n), dtype=bool)
    for subset in subsets:
        subset[generator.choice(n, size=min(_SUBSET_SIZE, core_size), replace=False)] = True
    subset_variances = variances[None]
    lowest_cost, consistent = np.inf, np.ones(n, dtype=bool)
    for step, size in enumerate([core_size] * _CONCENTRATION_STEPS + list(range(core_size + 1, n + 1))):
        weight, log_determinant = invert_pose_covariance(pairs.covariance(subset_variances))
        residual, mahalanobis_sq = pairs.fit_subsets(subsets, weight)
        # Minus twice the restricted log likelihood: fitting X and Y uses up the numbers of two of the n pairs.
        cost = np.minimum(mahalanobis_sq, _OUTLIER_CHI2).sum(axis=1) + (1 - 2 / n) * log_determinant.sum(axis=1)
        # With no noise at all every pair would be an outlier of bounded cost.
        cost[(mahalanobis_sq < _OUTLIER_CHI2).sum(axis=1) < core_size] = np.inf
        if cost.min() < lowest_cost:
            lowest_cost, consistent = float(cost.min()), mahalanobis_sq[int(np.argmin(cost))] < _OUTLIER_CHI2
        subsets = np.zeros_like(subsets)
        np.put_along_axis(subsets, np.argsort(mahalanobis_sq, axis=1)[:, :size], True, axis=1)
        subset_variances = pairs.estimate_variances(subsets, residual)
        # Equal subsets grow alike from here on.
        distinct: dict[bytes, int] = {}
        for k in np.argsort(cost).tolist():
            distinct.setdefault(subsets[k].tobytes(), k)
        best = list(distinct.values())
        if step + 1 >= _FIRST_STEPS:
            best = best[:_SURVIVING_SUBSETS]
        subsets, subset_variances = subsets[best], subset_variances[best]
    out: NDArray[np.intp] = rows[consistent]
    return out
