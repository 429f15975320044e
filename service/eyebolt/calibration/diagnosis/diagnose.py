"""What is wrong, found from the data: everything that is looked for, in one order, the most fundamental first.

The board's numbers come first, since they need one picture only; then the lens as far as pictures alone show it; then
what the poses are read in; then which pose belongs to which picture; then what moved; then board and lens by all pairs;
then what limits. A stop of the first kinds makes everything after it meaningless, so that nothing after it is said.
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
from eyebolt.calibration.diagnosis.focus import find_focus_change
from eyebolt.calibration.diagnosis.intrinsics import (
    INITIAL_NOISE,
    explains_change_point,
    findings_on_intrinsics,
    intrinsics_from_images,
)
from eyebolt.calibration.diagnosis.misread_poses import findings_on_pose_format
from eyebolt.calibration.diagnosis.pose_resolution import find_coarse_pose_resolution, find_excess_pose_noise
from eyebolt.calibration.diagnosis.refit import IntrinsicsFit
from eyebolt.calibration.estimation import GROSS_RESIDUAL_M, InitialEstimate, Observations, best_initial_estimate
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.problem import Problem
from eyebolt.calibration.robust import (
    InlierEstimate,
    find_change_among_excluded,
    find_gross_change,
    findings_on_change_points,
)
from eyebolt.observations import Pair

FINDING_ORDER = (
    "corner-numbering",
    "pose-format",
    "mount",
    "pairs-shifted",
    "lens-resolution",
    "stale-image",
    "stale-pose",
    "pairs-swapped",
    "half-turned",
    "tool-changed",
    "frame-changed",
    "already-undistorted",
    "distortion",
    "focus-changed",
    "principal-point",
    "focal-length",
    "board-scale",
    "board-or-lens",
    "camera-moved",
    "board-moved",
    "pose-resolution",
    "excess-pose-noise",
)
# With one of these nothing that comes later means anything.
_FUNDAMENTAL = FINDING_ORDER[:5]
_SEVERITIES = ("stop", "warn", "note")


def prioritized(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """The findings by severity, then the most fundamental first; without those that a fundamental one explains."""
    found = sorted(findings, key=lambda f: (_SEVERITIES.index(f.severity), _rank(f)))
    if found and found[0].severity == "stop" and found[0].code in _FUNDAMENTAL:
        return (found[0], *(f for f in found[1:] if f.severity == "note"))
    return tuple(found)


def _rank(finding: Finding) -> int:
    return FINDING_ORDER.index(finding.code) if finding.code in FINDING_ORDER else len(FINDING_ORDER)


def diagnose(
    problem: Problem, observations: Observations, pairs: Sequence[Pair], inlier_estimate: InlierEstimate | None
) -> tuple[Finding, ...]:
    """What is wrong with ``pairs`` (those of ``observations``, in the order they were taken), in no order.

    ``inlier_estimate``: the estimate on those that belong, None where there is none.
    """
    numbers = findings_on_corner_numbers(problem, pairs)
    if numbers:
        return numbers
    stated = IntrinsicsFit.as_stated(problem, observations)
    fit_to_images = intrinsics_from_images(stated)
    fit = fit_to_images or stated
    refitted_problem = replace(problem, camera=fit.camera)
    start, coarse_residual_m = best_initial_estimate(refitted_problem, fit.observations)
    if fit_to_images is not None and coarse_residual_m < GROSS_RESIDUAL_M:
        return (*_intrinsics_without_estimate(problem, stated, fit, start, pairs), *find_stale_pairs(pairs))
    if coarse_residual_m > GROSS_RESIDUAL_M:
        gross = _gross_findings(refitted_problem, fit.observations, pairs, coarse_residual_m)
        if gross:
            return (*gross, *find_stale_pairs(pairs))
    if inlier_estimate is None:
        return (*_intrinsics_without_estimate(problem, stated, fit, start, pairs), *find_stale_pairs(pairs))
    return (*_findings_of_estimate(problem, observations, pairs, stated, inlier_estimate), *find_stale_pairs(pairs))


def findings_on_corner_numbers(problem: Problem, pairs: Sequence[Pair]) -> tuple[Finding, ...]:
    """What is wrong with the numbers of the board's corners: needs no pose, and no more than one picture."""
    found = find_wrong_row_length(problem.board_corners_m, pairs)
    return () if found is None else (found,)


def _intrinsics_without_estimate(
    problem: Problem, stated: IntrinsicsFit, fit: IntrinsicsFit, start: InitialEstimate, pairs: Sequence[Pair]
) -> tuple[Finding, ...]:
    """What is wrong with board or lens, from transforms in closed form. Two focal lengths contradict any one lens."""
    indices = [pair.index for pair in pairs]
    focus = find_focus_change(fit.relaxed_problem, fit.observations, start, INITIAL_NOISE, indices)
    return (focus,) if focus is not None else findings_on_intrinsics(problem, stated, fit, start, None)


def _gross_findings(
    problem: Problem, observations: Observations, pairs: Sequence[Pair], coarse_residual_m: float
) -> tuple[Finding, ...]:
    """What is wrong with all pairs, however they are read or paired."""
    indices = [pair.index for pair in pairs]
    found = (
        find_pair_shift(problem, observations, coarse_residual_m),
        find_half_turns(problem, observations, indices, coarse_residual_m),
        find_swapped_pair(problem, observations, indices, coarse_residual_m),
    )
    gross_findings = tuple(finding for finding in found if finding is not None)
    if gross_findings:
        return gross_findings
    change = find_gross_change(problem, observations, indices)
    return findings_on_pose_format(problem, observations, pairs) or ((change,) if change is not None else ())


def _findings_of_estimate(
    problem: Problem,
    observations: Observations,
    pairs: Sequence[Pair],
    stated: IntrinsicsFit,
    inlier_estimate: InlierEstimate,
) -> tuple[Finding, ...]:
    """What the estimate on the pairs that belong shows."""
    joint, used = inlier_estimate.joint, inlier_estimate.used
    indices = [pair.index for pair in pairs]
    start = InitialEstimate(joint.X, joint.Y, "estimate")
    beyond_change_point = np.zeros_like(used)
    for change_point in inlier_estimate.change_points:
        beyond_change_point |= change_point.excluded_rows(len(used))
    outliers = np.flatnonzero(~used & ~beyond_change_point)
    rows = np.flatnonzero(used | beyond_change_point)
    places = [int(np.searchsorted(rows, change_point.row)) for change_point in inlier_estimate.change_points]
    focus = find_focus_change(
        problem, observations.subset(rows), start, joint.noise.best, [indices[k] for k in rows], places
    )
    found: list[Finding | None] = [focus]
    if focus is None:
        noise, moves = joint.noise.best, zip(inlier_estimate.change_points, places, strict=True)
        selected = stated.subset(rows)
        if not all(
            explains_change_point(selected, start, noise, change_point.step_change.moved_part, place)
            for change_point, place in moves
        ):
            selected = stated.subset(used)
        on_intrinsics = findings_on_intrinsics(problem, selected, selected, start, noise)
        found += on_intrinsics
        if not on_intrinsics:
            found += findings_on_change_points(problem.mount, inlier_estimate.change_points, indices)
            if not inlier_estimate.change_points:
                found.append(find_change_among_excluded(problem, observations, start, used, indices))
    found += find_swapped_outliers(problem, observations, indices, outliers, start)
    coarse = find_coarse_pose_resolution(problem, pairs, joint)
    found.append(coarse)
    # What bends or rounds the pairs makes the arm look louder than it is.
    if coarse is None and not any(f is not None and f.severity == "stop" for f in found):
        found.append(find_excess_pose_noise(problem, joint))
    return tuple(finding for finding in found if finding is not None)
