"""What limits the answer: the arm or the camera, scatter or geometry. Said as findings: it decides what to mend."""

from __future__ import annotations

import numpy as np

from eyebolt.calibration.estimation import JointEstimate, variance_of
from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.problem import Problem
from eyebolt.calibration.uncertainty.pick_error import PickError
from eyebolt.observations import CornerObservations

# From this share of the variance on, one of the two is the limit.
_DOMINANT_FRACTION = 0.8
# Twice the log likelihood that a smooth part must gain: scatter alone reaches it in fewer than 1 of 100 sessions
# (``tests/bench/solve pick``).
_MIN_LIKELIHOOD_RATIO = 9.0
# With fewer pairs a trend and scatter look alike.
_MIN_PAIRS_FOR_CORRELATION = 10
# A corner with less weight than this has hardly a say; a few of them are in every good session.
_DOWN_WEIGHTED = 0.5
_MIN_DOWN_WEIGHTED = 5


def findings_on_error_budget(
    problem: Problem, joint: JointEstimate, arm: PickError, stack: CornerObservations
) -> tuple[Finding, ...]:
    """Notes on what limits this answer; ``stack``: the corners that were used, with their weights."""
    # Wrong geometry looks like scatter too; where both are said, the one that says more comes first.
    found = [
        _correlated_error_finding(arm, len(joint.model.offset)),
        _dominant_source(problem, joint),
        _outlier_corner_finding(stack),
    ]
    return tuple(f for f in found if f is not None)


def _dominant_source(problem: Problem, joint: JointEstimate) -> Finding | None:
    fits, model = joint.fits, joint.model
    p = model.observable_basis.shape[1]
    gain = model.observable_basis[:6] @ (fits.covariance[0] @ np.swapaxes(fits.weighted_design[0], -1, -2))[:, :p]
    by_arm = np.einsum("nai,i,nbi->ab", gain, variance_of(joint.noise.best), gain)
    by_camera = joint.corner_sigma_px**2 * np.einsum("nai,nij,nbj->ab", gain, model.camera_unit_covariance, gain)
    metric = problem.displacement_metric
    arm_mm, camera_mm = (float(np.sqrt((metric * part).sum())) * 1e3 for part in (by_arm, by_camera))
    total = arm_mm**2 + camera_mm**2
    if not total > 0:
        return None
    evidence = {"arm_error_mm": arm_mm, "camera_error_mm": camera_mm}
    best = joint.noise.best
    scatter = f"{best.translation_m * 1e3:.3f} mm, {np.rad2deg(best.rotation_rad):.4f} deg"
    if arm_mm**2 > _DOMINANT_FRACTION * total:
        return Finding(
            FindingCode.ARM_LIMITED,
            Severity.NOTE,
            f"the arm, not the camera, limits this result: its scatter ({scatter} per axis) makes {arm_mm:.3f} mm of"
            f" the error, the corners make {camera_mm:.3f} mm (rms over the working volume)",
            evidence,
            "more waypoints help, a better camera or board does not.",
        )
    if camera_mm**2 > _DOMINANT_FRACTION * total:
        return Finding(
            FindingCode.CAMERA_LIMITED,
            Severity.NOTE,
            f"the camera, not the arm, limits this result: the corners ({joint.corner_sigma_px:.2f} px) make"
            f" {camera_mm:.3f} mm of the error, the arm's scatter makes {arm_mm:.3f} mm (rms over the working volume)",
            evidence,
            "a larger board, shorter distances or a sharper picture help.",
        )
    return None


def _correlated_error_finding(arm: PickError, pairs: int) -> Finding | None:
    if arm.likelihood_ratio < _MIN_LIKELIHOOD_RATIO or pairs < _MIN_PAIRS_FOR_CORRELATION:
        return None
    return Finding(
        FindingCode.ARM_GEOMETRY,
        Severity.NOTE,
        f"the arm's errors are not mere scatter: poses near each other share {arm.correlated_m * 1e3:.2f} mm and"
        f" {np.rad2deg(arm.correlated_rad):.3f} deg of them, and the difference grows with the distance between waypoints",
        {
            "correlated_mm": arm.correlated_m * 1e3,
            "correlated_deg": float(np.rad2deg(arm.correlated_rad)),
            "likelihood_ratio": arm.likelihood_ratio,
        },
        "take the waypoints where the picks will be; have joint offsets and link lengths of the arm checked if the"
        " expected error at the pick is too large.",
    )


def _outlier_corner_finding(stack: CornerObservations) -> Finding | None:
    down_weighted = (stack.weights > 0) & (stack.weights < _DOWN_WEIGHTED)
    if down_weighted.sum() < _MIN_DOWN_WEIGHTED:
        return None
    pictures = int(down_weighted.any(axis=1).sum())
    return Finding(
        FindingCode.OUTLIER_CORNERS,
        Severity.NOTE,
        f"{int(down_weighted.sum())} corners in {pictures} pictures lie too far off to be noise and were given little weight",
        {"corners": float(down_weighted.sum()), "images": float(pictures)},
        "look for a shadow's edge, a reflection, or something lying over the board.",
    )
