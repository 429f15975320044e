"""What the other pairs predict for each pair: the held-out error, and the ground for leaving a pair out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from eyebolt.calibration.estimation.linearization import LinearModel, invert_information
from eyebolt.calibration.estimation.maximum_likelihood import JointEstimate
from eyebolt.calibration.estimation.robot_noise import variance_of
from eyebolt.geometry import Array, se3


@dataclass(frozen=True)
class Surprise:
    """How far n pairs lie from a prediction that did not use them.

    ``offset`` (n, 6): predicted to seen board pose, metres and radians. ``squared`` (n,): normalised, 6 expected.
    """

    offset: Array
    squared: Array


def leave_one_out(joint: JointEstimate) -> Surprise:
    """Every pair predicted by the others, at the most likely noise."""
    model, fits = joint.model, joint.fits
    design, weighted = fits.design, fits.weighted_design[0]
    crosswise = np.swapaxes(weighted, -1, -2)
    others = invert_information(fits.normal[0] - crosswise @ design)
    right = (crosswise @ model.offset[..., None])[..., 0]
    # Without pair i the normal equations read (N - N_i) z = N z_all - r_i.
    z = (others @ (fits.normal[0] @ fits.z[0] - right)[..., None])[..., 0]
    left = model.offset - (design @ z[..., None])[..., 0]
    C = model.covariance(joint.corner_px, variance_of(joint.noise.best)[None])[0]
    return _surprise(model, left, C + design @ others @ np.swapaxes(design, -1, -2))


def unused_pairs(joint: JointEstimate, model: LinearModel) -> Surprise:
    """Pairs that took no part: ``model`` holds them, linearised about the estimate.

    What the pairs of the estimate say of a lens with a stated doubt holds for them too.
    """
    C = model.covariance(joint.corner_px, variance_of(joint.noise.best)[None])[0]
    fits, free = joint.fits, joint.model.free
    p = free.shape[1]
    design = replace(model, free=free).design(model.carried)
    # Averaged over the noise the transforms are a little less certain than at the most likely one.
    wider = joint.covariance - free @ fits.covariance[0, :p, :p] @ free.T
    by_estimate = design @ fits.covariance[0] @ np.swapaxes(design, -1, -2)
    by_noise = model.by_transforms @ wider @ np.swapaxes(model.by_transforms, -1, -2)
    left = model.offset - design[..., p:] @ fits.z[0, p:]
    return _surprise(model, left, C + by_estimate + by_noise)


def _surprise(model: LinearModel, offset: Array, covariance: Array) -> Surprise:
    squared = np.einsum("ni,ni->n", offset, np.linalg.solve(covariance, offset[..., None])[..., 0])
    return Surprise((model.to_board @ offset[..., None])[..., 0], squared)


@dataclass(frozen=True)
class HeldOut:
    """Error at the board of pairs that were not used; ``normalised`` (squared) is 1 when it is as predicted."""

    count: int
    rms_mm: float
    worst_mm: float
    normalised: float


def held_out_error(surprise: Surprise, board_corners_m: Array) -> HeldOut | None:
    """RMS displacement of the board's corners between prediction and picture; None without pairs."""
    if not len(surprise.squared):
        return None
    moved = se3.apply(se3.exp(surprise.offset), board_corners_m) - board_corners_m
    per_pair_mm = np.sqrt((moved**2).sum(axis=-1).mean(axis=-1)) * 1e3
    return HeldOut(
        len(per_pair_mm),
        float(np.sqrt((per_pair_mm**2).mean())),
        float(per_pair_mm.max()),
        float(surprise.squared.mean() / 6),
    )
