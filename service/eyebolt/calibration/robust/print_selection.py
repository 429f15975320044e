"""Whether a problem has errors of the print: the images propose them, the pairs confirm them.

The images show errors that all views share, and the errors of the print that explain them move the board poses. The
pairs measure the same poses independently: of the models with and without errors of the print, that one is kept under
which the pairs are more probable, given the images (restricted likelihood of the offsets; both have the same unknowns).
A lens that was calibrated with the same board has absorbed its errors, and poses that were measured by means of the
board share them: then the pairs contradict a correction of one side alone.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from eyebolt.calibration.estimation import (
    PRINT_ERROR_ITERATIONS,
    JointEstimate,
    Observations,
    estimate_print_error,
    joint_estimate,
    views_agree,
)
from eyebolt.calibration.problem import Problem
from eyebolt.calibration.robust.outliers import MIN_PAIRS, InlierEstimate, robust_estimate
from eyebolt.observations import linearize_corners


def estimate_with_print_error(
    problem: Problem, observations: Observations
) -> tuple[Problem, Observations, InlierEstimate]:
    """The robust estimate, with errors of the print where the images show them and the pairs confirm them.

    Also returns problem and observations with the errors of that estimate.
    """
    without, inlier_estimate = (problem, observations), robust_estimate(problem, observations)
    printed = with_print_error(problem, observations)
    if printed is None:
        return *without, inlier_estimate
    printed_estimate = robust_estimate(*printed)
    joint, both = printed_estimate.joint, inlier_estimate.used & printed_estimate.used
    if not joint.converged or both.sum() < MIN_PAIRS:
        return *without, inlier_estimate
    before, after = (
        _log_likelihood_given_images(
            joint_estimate(
                of_problem, seen.without_drift().subset(both), joint.X, joint.Y, joint.noise.best, posterior=False
            )
        )
        for of_problem, seen in (without, printed)
    )
    return (*printed, printed_estimate) if after > before else (*without, inlier_estimate)


def with_print_error(problem: Problem, observations: Observations) -> tuple[Problem, Observations] | None:
    """Problem and observations with the errors of the printed corners that the images show; None if there are none."""
    field, camera = problem.nuisance_prior.corner_field, problem.camera
    corners, pose_fits = observations.corners, observations.pose_fits
    fit = linearize_corners(camera, corners, pose_fits.camera_T_board)
    # Until the common errors are known they look like shifts of the regions in every view.
    noise = observations.corner_noise.uniform()
    if not views_agree(camera, field, corners, fit, noise):
        return None
    out, lengths_m = problem, None
    for _ in range(PRINT_ERROR_ITERATIONS):
        error = estimate_print_error(camera, field, corners, fit, noise, lengths_m)
        prior = problem.nuisance_prior.with_print_error(error.pose_like)
        out, lengths_m = replace(problem, print_error=error, prior_override=prior), (error.length_m,)
        observations = observations.seen_with(out, corners, pose_fits)
        noise = observations.corner_noise
    return out, observations


def _log_likelihood_given_images(joint: JointEstimate) -> float:
    """Restricted log likelihood of the pairs' offsets given the images, at the most likely noise, up to a constant."""
    model = joint.model
    n = len(model.offset)
    mean, covariance = model.nuisances_from_images(joint.corner_sigma_px)
    by_nuisance = model.nuisance_jacobian.reshape(6 * n, -1)
    design = model.observable_jacobian.reshape(6 * n, -1)
    spread = by_nuisance @ covariance @ by_nuisance.T
    blocks = spread.reshape(n, 6, n, 6)
    blocks[np.arange(n), :, np.arange(n)] += joint.offset_covariance(model)
    # Metres and radians: scaled to a unit diagonal first.
    scale = 1 / np.sqrt(np.diagonal(spread))
    root = np.linalg.cholesky(spread * scale[:, None] * scale)
    offset = np.linalg.solve(root, scale * (model.offset.ravel() - by_nuisance @ mean))
    whitened = np.linalg.solve(root, scale[:, None] * design)
    basis, triangle = np.linalg.qr(whitened)
    rss = float(offset @ offset) - float(((basis.T @ offset) ** 2).sum())
    # Both models have the same columns, so their scale is the same constant.
    return float(
        np.log(scale).sum() - np.log(np.diagonal(root)).sum() - np.log(np.abs(np.diagonal(triangle))).sum() - rss / 2
    )
