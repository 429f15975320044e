"""Finding that the camera or the board crept during the session (``estimation.drift``)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from eyebolt.calibration.estimation import JointEstimate, MovedPart
from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.problem import Problem
from eyebolt.calibration.robust import (
    ErrorContrasts,
    arm_offsets,
    evenly_spaced_rows,
    reml_variances,
)
from eyebolt.observations import Pair

# Probability of the finding in a session without a drift.
_FALSE_ALARM_RATE = 1e-3


def find_drift(problem: Problem, joint: JointEstimate, pairs: Sequence[Pair]) -> Finding | None:
    """The finding that camera or board crept; ``pairs``: those of ``joint``, the robust estimate."""
    if joint.drift is None or joint.drifts[0].p_value > _FALSE_ALARM_RATE or _is_error_of_arm(joint, pairs):
        return None
    found = joint.drifts[0]
    part = found.drift.moved_part
    translation_mm = float(np.linalg.norm(found.change[:3])) * 1e3
    rotation_deg = float(np.rad2deg(np.linalg.norm(found.change[3:])))
    evidence = {"translation_mm": translation_mm, "rotation_deg": rotation_deg, "p_value": found.p_value}
    rate = ""
    instants_s = [pair.time_s for pair in pairs if pair.time_s is not None]
    hours = (instants_s[-1] - instants_s[0]) / 3600 if len(instants_s) == len(pairs) else 0.0
    # The clock may have been set back during the session.
    if hours > 0:
        evidence |= {"mm_per_hour": translation_mm / hours, "deg_per_hour": rotation_deg / hours}
        rate = f" ({evidence['mm_per_hour']:.2g} mm and {evidence['deg_per_hour']:.2g} deg per hour)"
    fixture = "mount of the camera" if part is MovedPart.CAMERA else "holder of the board"
    return Finding(
        FindingCode.DRIFT,
        Severity.WARN,
        f"the {part} crept by {translation_mm:.2f} mm and {rotation_deg:.3f} deg during the session{rate}: the result"
        " is that at its end, and the expected error includes the uncertainty of the creep",
        evidence,
        f"let the cell warm up and tighten the {fixture}; then take all pairs again.",
    )


def _is_error_of_arm(joint: JointEstimate, pairs: Sequence[Pair]) -> bool:
    """Whether pose-correlated errors of the arm may be the cause: the restricted likelihood with the drift beside them
    is not as many times larger as the false alarms are rare.

    Waypoints in an order along which their poses change steadily give both the same effect.
    """
    reported = np.array([pair.base_T_flange for pair in pairs])
    rows = evenly_spaced_rows(len(reported))
    log_likelihoods = []
    for model in (joint.model, joint.model.without_columns(6)):
        contrasts = ErrorContrasts.of(arm_offsets(replace(joint, model=model), model, reported, rows))
        log_likelihoods.append(contrasts.log_likelihood(reml_variances(joint, contrasts)[0]))
    return bool(log_likelihoods[0] - log_likelihoods[1] < -np.log(_FALSE_ALARM_RATE))
