"""The diagnosis of a data set: all checks in one order, the most fundamental first.

1. Corner numbering: needs one image, no pose.
2. The lens, as far as the images alone contradict it.
3. Faults of all pairs, where the closed form leaves a gross residual: pairs shifted, corners half-turned, images
   swapped, another pose format or mount, a gross change during the session.
4. Faults that need the estimate: focus, board and lens from all pairs, change points, swapped outliers, resolution and
   noise of the poses.

A stop of the kinds 1 to 3 makes every later check meaningless, so the diagnosis ends there. Stale pairs and joints that
contradict their poses are independent of all others and are always reported.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from eyebolt.calibration.diagnosis.corner_numbering import find_wrong_row_length
from eyebolt.calibration.diagnosis.correspondence import (
    find_half_turns,
    find_pair_shift,
    find_stale_pairs,
    find_swapped_outliers,
    find_swapped_pair,
)
from eyebolt.calibration.diagnosis.drift import find_drift
from eyebolt.calibration.diagnosis.focus import find_focus_change
from eyebolt.calibration.diagnosis.intrinsics import (
    INITIAL_NOISE,
    explains_motion,
    findings_on_intrinsics,
    intrinsics_from_images,
)
from eyebolt.calibration.diagnosis.joint_angles import find_wrong_joint_angles
from eyebolt.calibration.diagnosis.misread_poses import findings_on_pose_format
from eyebolt.calibration.diagnosis.moved_parts import (
    find_change_among_excluded,
    find_gross_change,
    findings_on_change_points,
)
from eyebolt.calibration.diagnosis.pose_resolution import find_coarse_pose_resolution, find_excess_pose_noise
from eyebolt.calibration.diagnosis.refit import IntrinsicsFit
from eyebolt.calibration.estimation import (
    GROSS_RESIDUAL_M,
    InitialEstimate,
    Observations,
    best_initial_estimate,
    step_profile,
)
from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.problem import Problem
from eyebolt.calibration.robust import InlierEstimate
from eyebolt.observations import Pair

_SEVERITY_ORDER = {severity: k for k, severity in enumerate(Severity)}
_CODE_ORDER = {code: k for k, code in enumerate(FindingCode)}


def prioritized(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """The findings by severity, then by code; beside a fundamental stop only notes remain."""
    found = sorted(findings, key=lambda f: (_SEVERITY_ORDER[f.severity], _CODE_ORDER[f.code]))
    if found and found[0].severity is Severity.STOP and found[0].code.is_fundamental:
        return (found[0], *(f for f in found[1:] if f.severity is Severity.NOTE))
    return tuple(found)


def diagnose(
    problem: Problem, observations: Observations, pairs: Sequence[Pair], inlier_estimate: InlierEstimate | None
) -> tuple[Finding, ...]:
    """All findings on ``pairs``, in no order.

    ``observations``: of the same pairs, in capture order; ``inlier_estimate``: the robust estimate, None if it failed.
    """
    numbering = findings_on_corner_numbers(problem, pairs)
    if numbering:
        return numbering
    wrong_joints = find_wrong_joint_angles(problem, pairs)
    independent = (*find_stale_pairs(pairs), *(() if wrong_joints is None else (wrong_joints,)))
    stated = IntrinsicsFit.as_stated(problem, observations)
    fit_to_images = intrinsics_from_images(problem, stated)
    fit = fit_to_images or stated
    refitted_problem = replace(problem, camera=fit.camera)
    start, coarse_residual_m = best_initial_estimate(refitted_problem, fit.observations)
    if fit_to_images is not None and coarse_residual_m < GROSS_RESIDUAL_M:
        return (*_intrinsics_without_estimate(problem, stated, fit, start, pairs), *independent)
    if coarse_residual_m > GROSS_RESIDUAL_M:
        # Under the prior of the problem again, not under the wide one of the refit.
        of_fit = fit.observations
        read = of_fit.seen_with(refitted_problem, of_fit.corners, of_fit.pose_fits)
        gross = _gross_findings(refitted_problem, read, pairs, coarse_residual_m)
        if gross:
            return (*gross, *independent)
    if inlier_estimate is None:
        return (*_intrinsics_without_estimate(problem, stated, fit, start, pairs), *independent)
    return (*_findings_of_estimate(problem, observations, pairs, stated, inlier_estimate), *independent)


def findings_on_corner_numbers(problem: Problem, pairs: Sequence[Pair]) -> tuple[Finding, ...]:
    """Findings on the numbers of the board's corners: they need one image and no pose."""
    found = find_wrong_row_length(problem.board_corners_m, pairs)
    return () if found is None else (found,)


def _intrinsics_without_estimate(
    problem: Problem, stated: IntrinsicsFit, found: IntrinsicsFit, start: InitialEstimate, pairs: Sequence[Pair]
) -> tuple[Finding, ...]:
    """Findings on focus, board and lens from transforms in closed form.

    The focus comes first: images of two focal lengths contradict every single lens.
    """
    indices = [pair.index for pair in pairs]
    focus = find_focus_change(found.relaxed_problem, found.observations, start, INITIAL_NOISE, indices)
    return (focus,) if focus is not None else findings_on_intrinsics(problem, stated, found, start, None)


def _gross_findings(
    problem: Problem, observations: Observations, pairs: Sequence[Pair], coarse_residual_m: float
) -> tuple[Finding, ...]:
    """Findings on a fault of all pairs: their pairing, or else the pose format, or else a gross change."""
    indices = [pair.index for pair in pairs]
    on_pairing = (
        find_pair_shift(problem, observations, coarse_residual_m),
        find_half_turns(problem, observations, indices, coarse_residual_m),
        find_swapped_pair(problem, observations, indices, coarse_residual_m),
    )
    found = tuple(finding for finding in on_pairing if finding is not None)
    if found:
        return found
    change = find_gross_change(problem, observations, indices)
    return findings_on_pose_format(problem, observations, pairs) or ((change,) if change is not None else ())


def _findings_of_estimate(
    problem: Problem,
    observations: Observations,
    pairs: Sequence[Pair],
    stated: IntrinsicsFit,
    inlier_estimate: InlierEstimate,
) -> tuple[Finding, ...]:
    """Findings that need the robust estimate."""
    joint, used = inlier_estimate.joint, inlier_estimate.used
    indices = [pair.index for pair in pairs]
    start = InitialEstimate(joint.X, joint.Y, "estimate")
    beyond_change_point = np.zeros_like(used)
    for change_point in inlier_estimate.change_points:
        beyond_change_point |= change_point.excluded_rows(len(used))
    outliers = np.flatnonzero(~used & ~beyond_change_point)
    # Pairs beyond a change point are not outliers: a change of the focus may explain both sides.
    rows = np.flatnonzero(used | beyond_change_point)
    change_rows = [int(np.searchsorted(rows, change_point.row)) for change_point in inlier_estimate.change_points]
    focus = find_focus_change(
        problem, observations.subset(rows), start, joint.noise.best, [indices[k] for k in rows], change_rows
    )
    found: list[Finding | None] = [focus]
    if focus is None:
        noise, moves = joint.noise.best, zip(inlier_estimate.change_points, change_rows, strict=True)
        selected = stated.subset(rows)
        if not all(
            explains_motion(selected, start, noise, change_point.step_change.moved_part, step_profile(len(rows), row))
            for change_point, row in moves
        ):
            selected = stated.subset(used)
        # A drift that the lens does not explain is estimated beside it.
        drift = joint.drift
        if drift is not None and not explains_motion(
            selected, start, noise, drift.moved_part, drift.profile(selected.observations.capture_order)
        ):
            selected = selected.with_drift(drift)
        on_intrinsics = findings_on_intrinsics(problem, selected, selected, start, noise)
        found += on_intrinsics
        if not on_intrinsics:
            found.append(
                find_drift(problem, joint, [pair for pair, is_used in zip(pairs, used, strict=True) if is_used])
            )
            found += findings_on_change_points(problem.mount, inlier_estimate.change_points, indices)
            if not inlier_estimate.change_points:
                found.append(find_change_among_excluded(problem, observations, start, used, indices))
    found += find_swapped_outliers(problem, observations, indices, outliers, start)
    coarse = find_coarse_pose_resolution(problem, pairs, joint)
    found.append(coarse)
    # A systematic fault or rounding inflates the pose noise, which is then no finding of its own.
    if coarse is None and not any(f is not None and f.severity is Severity.STOP for f in found):
        found.append(find_excess_pose_noise(problem, joint))
    return tuple(finding for finding in found if finding is not None)
