"""The error budget: which source dominates the error of the result, and whether corners are outliers.

The contributions decide which improvement is worthwhile, and are reported as notes.
"""

from __future__ import annotations

import numpy as np

from eyebolt.calibration.estimation import JointEstimate
from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.uncertainty.contributions import ErrorContributions
from eyebolt.calibration.uncertainty.pick_error import PickError
from eyebolt.observations import CornerObservations

# From this fraction of the error variance on, one source dominates: removing all others would leave at least 89 % of
# the error. Common practice, no source.
_DOMINANT_FRACTION = 0.8
# Twice the log likelihood that the pose-correlated error must gain. White noise alone reaches it in fewer than 1 of 100
# sessions (``python -m bench.calibration pick``). For two variances at their lower bound the asymptotic 1 % quantile is
# 7.3 (S. Self, K. Liang, J. American Statistical Association 82(398), 1987); 9 allows for short sessions.
_MIN_LIKELIHOOD_RATIO = 9.0
# With fewer pairs a trend over the poses cannot be separated from white noise.
_MIN_PAIRS_FOR_CORRELATION = 10
# Picks at less than this from a waypoint's posture are as good as at it. Common practice, no source.
_NEARBY_POSTURE_DEG = 30.0
# A weight below this makes a corner an outlier; every session has a few by chance. Common practice, no source.
_DOWN_WEIGHTED = 0.5
_MIN_DOWN_WEIGHTED = 5


def findings_on_error_budget(
    joint: JointEstimate, contributions: ErrorContributions, pick: PickError, stack: CornerObservations
) -> tuple[Finding, ...]:
    """Notes on the error budget; ``pick``: of the same estimate; ``stack``: the corners used, with their weights."""
    found = [
        _correlated_error_finding(pick, len(joint.model.offset)),
        _dominant_source(joint, contributions),
        _outlier_corner_finding(stack),
    ]
    return tuple(f for f in found if f is not None)


def _dominant_source(joint: JointEstimate, contributions: ErrorContributions) -> Finding | None:
    """The note on the source that makes most of the error of X over the working volume."""
    arm_mm, camera_mm, lens_mm, board_mm = (
        contributions.arm,
        contributions.corners,
        contributions.lens,
        contributions.board,
    )
    limit_mm = np.sqrt(_DOMINANT_FRACTION) * contributions.total
    evidence = {
        "arm_error_mm": arm_mm,
        "camera_error_mm": camera_mm,
        "lens_error_mm": lens_mm,
        "board_error_mm": board_mm,
    }
    best = joint.noise.best
    pose_noise = f"{best.translation_m * 1e3:.3f} mm, {np.rad2deg(best.rotation_rad):.4f} deg per axis"
    limits = "limits the accuracy of this result"
    if arm_mm > limit_mm:
        code, message = FindingCode.ARM_LIMITED, f"the arm {limits}: its pose noise ({pose_noise})"
        remedy = "for a smaller error take more waypoints; a better camera or board does not help."
    elif camera_mm > limit_mm:
        code, message = (
            FindingCode.CAMERA_LIMITED,
            f"the camera {limits}: the corner noise ({joint.corner_sigma_px:.2f} px)",
        )
        remedy = "for a smaller error use a larger board, shorter distances or a sharper image."
    elif lens_mm > limit_mm:
        code, message = FindingCode.LENS_LIMITED, f"the lens {limits}: its intrinsics"
        remedy = (
            "for a smaller error calibrate the lens and let its file state the covariance; or rotate the board in the"
            " image by 90 deg and more between waypoints, at several distances."
        )
    elif board_mm > limit_mm:
        code, message = FindingCode.BOARD_LIMITED, f"the board {limits}: the uncertainty of its size"
        remedy = (
            "for a smaller error measure the board over ten squares or more and state [board] scale_sigma_percent; or"
            " take waypoints at more distances."
        )
    else:
        return None
    largest = max((arm_mm, camera_mm, lens_mm, board_mm))
    message += f" contributes {largest:.3f} of {contributions.total:.3f} mm to the error (RMS over the working volume)"
    return Finding(code, Severity.NOTE, message, evidence, remedy)


def _correlated_error_finding(pick: PickError, pairs: int) -> Finding | None:
    if pick.likelihood_ratio < _MIN_LIKELIHOOD_RATIO or pairs < _MIN_PAIRS_FOR_CORRELATION:
        return None
    posture_deg = float(np.rad2deg(pick.tilt_rad))
    posture = ""
    if posture_deg > _NEARBY_POSTURE_DEG:
        posture = (
            f"; the picks are {posture_deg:.0f} deg from the nearest waypoint's posture, and the waypoints"
            " show less of the error there"
        )
    return Finding(
        FindingCode.ARM_GEOMETRY,
        Severity.NOTE,
        f"the error of the arm is not pure noise: nearby poses share {pick.correlated_m * 1e3:.2f} mm and"
        f" {np.rad2deg(pick.correlated_rad):.3f} deg of it, and the error changes with the distance between waypoints"
        f"{posture}",
        {
            "correlated_mm": pick.correlated_m * 1e3,
            "correlated_deg": float(np.rad2deg(pick.correlated_rad)),
            "likelihood_ratio": pick.likelihood_ratio,
            "posture_deg": posture_deg,
        },
        "take the waypoints where the arm will pick, as near to that posture as the board stays in view; if the"
        " expected pick error is too large, have the joint offsets and link lengths of the arm checked.",
    )


def _outlier_corner_finding(stack: CornerObservations) -> Finding | None:
    down_weighted = (stack.weights > 0) & (stack.weights < _DOWN_WEIGHTED)
    if down_weighted.sum() < _MIN_DOWN_WEIGHTED:
        return None
    images = int(down_weighted.any(axis=1).sum())
    return Finding(
        FindingCode.OUTLIER_CORNERS,
        Severity.NOTE,
        f"{int(down_weighted.sum())} corners in {images} images are outliers and were down-weighted",
        {"corners": float(down_weighted.sum()), "images": float(images)},
        "look for the edge of a shadow, a reflection, or an object in front of the board.",
    )
