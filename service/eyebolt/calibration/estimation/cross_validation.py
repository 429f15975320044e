"""Leave-one-out residuals: each pair predicted by the others, for the held-out error and for outlier rejection."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eyebolt.calibration.estimation.linearization import LinearModel
from eyebolt.calibration.estimation.maximum_likelihood import JointEstimate
from eyebolt.calibration.estimation.robot_noise import noise_posterior
from eyebolt.calibration.estimation.statistics import chi2_sf, mahalanobis_sq
from eyebolt.geometry import Array, se3

# Share of a direction of a pair's offset that the other pairs must determine, of which rounding leaves enough digits.
_MIN_REDUNDANCY = 1e-9


@dataclass(frozen=True)
class PredictionResiduals:
    """Residuals of n pairs about a prediction that did not use them."""

    offset: Array
    """(n, 6), m and rad: predicted to observed board pose, board frame."""
    mahalanobis_sq: Array
    """(n,): squared Mahalanobis distance, chi-squared with 6 degrees of freedom if all is as stated."""


def leave_one_out(joint: JointEstimate) -> PredictionResiduals:
    """The leave-one-out residual of every pair, at the most likely noise, without solving again."""
    model, fits = joint.model, joint.fits
    C = joint.offset_covariance(model)
    root = np.linalg.cholesky(C)
    # What the image of pair i shows about the lens by itself stays: it is independent of the pair's offset. Taking a
    # pair out of the normal equations (Woodbury) leaves the residual C (C - D S D^T)^-1 r with covariance
    # C (C - D S D^T)^-1 C, for its residual r about the fit, design D and the covariance S of the unknowns.
    whitened = np.linalg.solve(root, np.concatenate([fits.design, fits.residual[0][..., None]], axis=-1))
    design, residual = whitened[..., :-1], whitened[..., -1:]
    values, vectors = np.linalg.eigh(np.eye(6) - design @ fits.covariance[0] @ np.swapaxes(design, -1, -2))
    determined = values > _MIN_REDUNDANCY
    along = (np.swapaxes(vectors, -1, -2) @ residual)[..., 0]
    inflated = np.where(determined, along / np.where(determined, values, 1.0), 0.0)
    offset = (root @ vectors @ inflated[..., None])[..., 0]
    return PredictionResiduals((model.to_board @ offset[..., None])[..., 0], (along * inflated).sum(axis=-1))


def unused_pair_residuals(joint: JointEstimate, model: LinearModel) -> PredictionResiduals:
    """The residuals of pairs that ``joint`` did not use; ``model`` holds them, linearised about the estimate.

    Board and lens are predicted as the estimate found them.
    """
    C = joint.offset_covariance(model)
    jacobian = np.concatenate([model.transform_jacobian, model.nuisance_jacobian], axis=-1)
    residual = model.offset - model.nuisance_jacobian @ joint.nuisances
    return _residuals(model, residual, C + jacobian @ joint.covariance @ np.swapaxes(jacobian, -1, -2))


def predictive_p_values(joint: JointEstimate, model: LinearModel) -> Array:
    """p-values (n,) of the residuals of pairs that ``joint`` did not use, averaged over the posterior of the noise.

    Few pairs may leave it open whether the arm errs in translation or in rotation: one of the two variances is then
    estimated far too small, and the residuals in it look large.
    """
    posterior, found = noise_posterior(
        joint.model, joint.corner_sigma_px, joint.noise.prior, joint.noise.best, joint.fits
    )
    basis = joint.model.state_basis
    state, at = found.z @ basis.T, (joint.fits.z[0] @ basis.T)
    # X and Y of ``model`` are those of ``joint``, its nuisance parameters are measured from zero.
    state[:, :12] -= at[:12]
    jacobian = np.concatenate([model.transform_jacobian, model.nuisance_jacobian], axis=-1)
    variances = np.repeat(posterior.choices**2, 3, axis=1)
    covariance = model.covariance(joint.corner_sigma_px, variances) + np.einsum(
        "nia,mab,njb->mnij", jacobian, basis @ found.covariance @ basis.T, jacobian, optimize=True
    )
    residual = model.offset - np.einsum("nia,ma->mni", jacobian, state)
    squares = np.einsum("mni,mni->mn", residual, np.linalg.solve(covariance, residual[..., None])[..., 0])
    out: Array = posterior.weights @ chi2_sf(6, squares)
    return out


def _residuals(model: LinearModel, offset: Array, covariance: Array) -> PredictionResiduals:
    return PredictionResiduals((model.to_board @ offset[..., None])[..., 0], mahalanobis_sq(offset, covariance))


@dataclass(frozen=True)
class HeldOutError:
    """Error at the board of pairs that the prediction did not use."""

    count: int
    """Number of pairs."""
    rms_mm: float
    """RMS over pairs and corners of the board of the displacement between prediction and image."""
    worst_mm: float
    """RMS over the corners of that displacement for the worst pair, mm."""
    reduced_chi2: float
    """Mean squared Mahalanobis distance over its expectation, 6; 1 if all is as stated."""


def held_out_error(residuals: PredictionResiduals, board_corners_m: Array) -> HeldOutError | None:
    """The summary of ``residuals`` at the corners of the board (K, 3); None without pairs."""
    if not len(residuals.mahalanobis_sq):
        return None
    displacement = se3.apply(se3.exp(residuals.offset), board_corners_m) - board_corners_m
    per_pair_mm = np.sqrt((displacement**2).sum(axis=-1).mean(axis=-1)) * 1e3
    return HeldOutError(
        len(per_pair_mm),
        float(np.sqrt((per_pair_mm**2).mean())),
        float(per_pair_mm.max()),
        float(residuals.mahalanobis_sq.mean() / 6),
    )
