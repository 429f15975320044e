"""What the other pairs predict for each pair: the held-out error, and the ground for leaving a pair out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from eyebolt.calibration.estimation.linearization import LinearModel, invert_information
from eyebolt.calibration.estimation.maximum_likelihood import JointEstimate
from eyebolt.calibration.estimation.robot_noise import variance_of
from eyebolt.geometry import Array, se3


@dataclass(frozen=True)
class LooResiduals:
    """How far n pairs lie from a prediction that did not use them.

    ``offset`` (n, 6): predicted to seen board pose, metres and radians. ``mahalanobis_sq`` (n,): normalised, 6 expected.
    """

    offset: Array
    mahalanobis_sq: Array


def leave_one_out(joint: JointEstimate) -> LooResiduals:
    """Every pair predicted by the others, at the most likely noise."""
    model, fits = joint.model, joint.fits
    design, weighted = fits.design, fits.weighted_design[0]
    weighted_transposed = np.swapaxes(weighted, -1, -2)
    others = invert_information(fits.normal[0] - weighted_transposed @ design)
    right = (weighted_transposed @ model.offset[..., None])[..., 0]
    # Without pair i the normal equations read (N - N_i) z = N z_all - r_i.
    z = (others @ (fits.normal[0] @ fits.z[0] - right)[..., None])[..., 0]
    residual = model.offset - (design @ z[..., None])[..., 0]
    C = model.covariance(joint.corner_sigma_px, variance_of(joint.noise.best)[None])[0]
    return _residuals(model, residual, C + design @ others @ np.swapaxes(design, -1, -2))


def unused_pair_residuals(joint: JointEstimate, model: LinearModel) -> LooResiduals:
    """Pairs that took no part: ``model`` holds them, linearised about the estimate.

    What the pairs of the estimate say of a lens with a stated doubt holds for them too.
    """
    C = model.covariance(joint.corner_sigma_px, variance_of(joint.noise.best)[None])[0]
    fits, observable_basis = joint.fits, joint.model.observable_basis
    p = observable_basis.shape[1]
    design = replace(model, observable_basis=observable_basis).design(model.prior_nuisances)
    # Averaged over the noise the transforms are a little less certain than at the most likely one.
    extra_covariance = joint.covariance - observable_basis @ fits.covariance[0, :p, :p] @ observable_basis.T
    estimate_covariance = design @ fits.covariance[0] @ np.swapaxes(design, -1, -2)
    noise_covariance = model.transform_jacobian @ extra_covariance @ np.swapaxes(model.transform_jacobian, -1, -2)
    residual = model.offset - design[..., p:] @ fits.z[0, p:]
    return _residuals(model, residual, C + estimate_covariance + noise_covariance)


def _residuals(model: LinearModel, offset: Array, covariance: Array) -> LooResiduals:
    mahalanobis_sq = np.einsum("ni,ni->n", offset, np.linalg.solve(covariance, offset[..., None])[..., 0])
    return LooResiduals((model.to_board @ offset[..., None])[..., 0], mahalanobis_sq)


@dataclass(frozen=True)
class HeldOutError:
    """Error at the board of pairs that were not used; ``reduced_chi2`` (squared) is 1 when it is as predicted."""

    count: int
    rms_mm: float
    worst_mm: float
    reduced_chi2: float


def held_out_error(residuals: LooResiduals, board_corners_m: Array) -> HeldOutError | None:
    """RMS displacement of the board's corners between prediction and picture; None without pairs."""
    if not len(residuals.mahalanobis_sq):
        return None
    moved = se3.apply(se3.exp(residuals.offset), board_corners_m) - board_corners_m
    per_pair_mm = np.sqrt((moved**2).sum(axis=-1).mean(axis=-1)) * 1e3
    return HeldOutError(
        len(per_pair_mm),
        float(np.sqrt((per_pair_mm**2).mean())),
        float(per_pair_mm.max()),
        float(residuals.mahalanobis_sq.mean() / 6),
    )
