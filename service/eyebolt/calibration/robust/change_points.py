"""Something that moved half-way: the board in its holder or the camera on its stand, found from the pairs' order.

From one pair on, all later ones see the same change of Y (the board slipped) or of X (the camera was knocked). Such a
change is tested between every two pairs; together the later pairs show far less than each of them alone would. Only the
order of capture is used, no clock.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from eyebolt.calibration.estimation import (
    JointEstimate,
    LinearModel,
    MovedPart,
    chi2_sf,
    f_sf,
    fit_linear,
    noise_dof,
    reml_noise,
    variance_of,
)
from eyebolt.geometry import Array

# Chance that a clean set shows a change anywhere.
_FALSE_ALARM_RATE = 1e-3
# One pair alone on its side is a stranger, not a change.
MIN_PAIRS_PER_SEGMENT = 2
# Two on one side and what a side needs to be solved on the other.
_MIN_PAIRS = 5
# The whole covariance of the offsets is needed; more pairs would only cost time.
_MAX_PAIRS = 150
# Every pair must be at least this probable once the change is granted; a few that are not may be strangers beside it.
_MIN_P_VALUE = 1e-4
_MAX_OUTLIER_FRACTION = 0.2
_MAX_ROUNDS = 2
# As probable as this a change is not worth a second look.
_INSIGNIFICANT_P = 0.1


@dataclass(frozen=True)
class StepChange:
    """``moved_part`` moved before row ``at`` of the pairs given, by ``change`` (6,) = (translation m, rotation rad).

    Perturbed on the right of Y (board) or X (camera). ``p_value``: that a clean set would look like this. ``outliers``: rows
    that stay odd with the change granted; then it is only a suspicion, to be tested again without them.
    """

    moved_part: MovedPart
    at: int
    change: Array
    p_value: float
    outliers: tuple[int, ...] = ()

    @property
    def translation_m(self) -> float:
        """How far it moved."""
        return float(np.linalg.norm(self.change[:3]))

    @property
    def rotation_rad(self) -> float:
        """How far it turned."""
        return float(np.linalg.norm(self.change[3:]))


@dataclass(frozen=True)
class ChangePoint:
    """A slip among all rows: the first row after it, and whether the rows used are those before it."""

    step_change: StepChange
    row: int
    kept_before: bool

    def excluded_rows(self, count: int) -> NDArray[np.bool_]:
        """Which of ``count`` rows lie on the side that is not used."""
        out: NDArray[np.bool_] = (np.arange(count) >= self.row) == self.kept_before
        return out


@dataclass(frozen=True)
class _Candidate:
    """The best change for given variances: how much it lowers the squares, and each pair's squares that are left."""

    moved_part: MovedPart
    at: int
    change: Array
    gain: float
    mahalanobis_sq: Array


def find_step_change(joint: JointEstimate, variances: Array, noise_known: bool) -> StepChange | None:
    """The one change that explains the pairs of ``joint``, in their order, far better than chance; None without.

    With rows in ``outliers`` it explains all but those.

    ``variances`` (6,) of the arm. With ``noise_known`` False only their ratio matters, and that is found anew.
    """
    model = joint.model
    n = len(model.offset)
    if not _MIN_PAIRS <= n <= _MAX_PAIRS:
        return None
    best = _best_change(model, joint.corner_sigma_px, variances)
    # Two variances were judged, each from its own half of the numbers.
    dof = noise_dof(n, model.observable_basis.shape[1] + 6)
    # Where the noise is judged from the pairs, a change has swollen it: judge it again with the change granted, unless
    # it is nothing out of the way. However swollen, gain and rest stay in proportion.
    for _ in range(0 if noise_known or _p_value(model, best, dof) > _INSIGNIFICANT_P else _MAX_ROUNDS):
        extended = _with_change(model, best.moved_part, best.at)
        variances = variance_of(reml_noise(extended, joint.corner_sigma_px, joint.noise.best)[0])
        best = _best_change(model, joint.corner_sigma_px, variances)
    candidates = 2 * (n - 2 * MIN_PAIRS_PER_SEGMENT + 1)
    p_value = _p_value(model, best, dof)
    p_values_of_pairs = f_sf(6, dof, best.mahalanobis_sq / 6)
    if noise_known:
        p_value, p_values_of_pairs = max(p_value, float(chi2_sf(6, best.gain))), chi2_sf(6, best.mahalanobis_sq)
    outliers = np.flatnonzero(p_values_of_pairs < _MIN_P_VALUE)
    # Many pairs that stay odd with the change granted: then it is strangers, and no common change.
    if candidates * p_value > _FALSE_ALARM_RATE or len(outliers) > _MAX_OUTLIER_FRACTION * n:
        return None
    return StepChange(best.moved_part, best.at, best.change, candidates * p_value, tuple(int(row) for row in outliers))


def is_confirmed(step_change: StepChange | None, without: int, of: int) -> bool:
    """Whether a slip that was found once ``without`` of ``of`` rows were left out is more than one could pick so."""
    return (
        step_change is not None
        and not step_change.outliers
        and math.comb(of, without) * step_change.p_value <= _FALSE_ALARM_RATE
    )


def _p_value(model: LinearModel, best: _Candidate, dof: int) -> float:
    """That a clean set gains as much from a change at one given place."""
    scatter = float(best.mahalanobis_sq.sum()) / (model.offset.size - model.observable_basis.shape[1] - 6)
    return float(f_sf(6, dof, best.gain / 6 / scatter))


def _with_change(model: LinearModel, moved_part: MovedPart, at: int) -> LinearModel:
    """The model with the change carried along as six more nuisances of which nothing is known beforehand."""
    moved = np.where(
        (np.arange(len(model.offset)) >= at)[:, None, None],
        model.transform_jacobian[..., moved_part.columns],
        0.0,
    )
    return replace(
        model,
        nuisance_jacobian=np.concatenate([model.nuisance_jacobian, moved], axis=-1),
        nuisance_information=np.pad(model.nuisance_information, (0, 6)),
        nuisance_gradient=np.pad(model.nuisance_gradient, (0, 6)),
        nuisance_sigma=np.concatenate([model.nuisance_sigma, np.full(6, np.inf)]),
    )


def _best_change(model: LinearModel, corner_sigma_px: float, variances: Array) -> _Candidate:
    fits = fit_linear(model, corner_sigma_px, variances[None])
    n = len(model.offset)
    weight, weighted = fits.weight[0], fits.weighted_design[0]
    weighted_residual = (weight @ fits.residual[0][..., None])[..., 0]
    candidates: list[tuple[float, MovedPart, int, Array]] = []
    for moved_part in MovedPart:
        by_change = model.transform_jacobian[..., moved_part.columns]
        # Sums over the pairs from each place on, by running sums from the end.
        right = _reversed_cumsum(np.einsum("nij,ni->nj", by_change, weighted_residual))
        direct = _reversed_cumsum(np.einsum("nia,nij,njb->nab", by_change, weight, by_change))
        coupling = _reversed_cumsum(np.einsum("nia,nir->nar", by_change, weighted))
        information = direct - coupling @ fits.covariance[0] @ np.swapaxes(coupling, -1, -2)
        for at in range(MIN_PAIRS_PER_SEGMENT, n - MIN_PAIRS_PER_SEGMENT + 1):
            scale = 1 / np.sqrt(np.maximum(np.diagonal(information[at]), 1e-300))
            scaled = information[at] * scale[:, None] * scale
            change = scale * np.linalg.lstsq(scaled, scale * right[at], rcond=1e-9)[0]
            candidates.append((float(change @ right[at]), moved_part, at, change))
    gain, moved_part, at, change = max(candidates, key=lambda one: one[0])
    moved = np.where((np.arange(n) >= at)[:, None], model.transform_jacobian[..., moved_part.columns] @ change, 0.0)
    z = fits.covariance[0] @ np.einsum("nir,ni->r", weighted, model.offset - moved)
    residual = model.offset - moved - fits.design @ z
    return _Candidate(moved_part, at, change, gain, np.einsum("ni,nij,nj->n", residual, weight, residual))


def _reversed_cumsum(parts: Array) -> Array:
    out: Array = np.cumsum(parts[::-1], axis=0)[::-1]
    return out
