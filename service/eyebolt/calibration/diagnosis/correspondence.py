"""Poses and pictures that do not belong together: all shifted by some waypoints, two exchanged, one of them stale.

A shift shows when the poses are moved along the pictures: the pairs fit at one place and nowhere else. A stale pose has
the digits of the one before, a stale picture its corners. What was left out is asked whose picture it is.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from eyebolt.calibration.estimation import (
    PLAUSIBLE_RESIDUAL_M,
    InitialEstimate,
    Observations,
    best_initial_estimate,
    coarse_residuals_m,
)
from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.problem import Problem
from eyebolt.geometry import se3
from eyebolt.observations import Pair, half_turn_about_centre, is_half_turn_symmetric, reversed_views

_MAX_SHIFT = 3
_MIN_PAIRS = 3
_MIN_SHARED_CORNERS = 4
# The right shift fits this many times better than none and than any other.
_IMPROVEMENT_RATIO = 4.0
# Corners of one and the same picture stay within this; those of a board that moved go beyond that. Common practice.
_SAME_IMAGE_PX, _MOVED_PX = 0.05, 1.0
# A pose this far from the one before is another waypoint.
_POSE_CHANGED_M, _POSE_CHANGED_RAD = 1e-3, float(np.deg2rad(0.1))
# The same pose again, to the last digit that a controller prints.
_SAME_POSE_TOLERANCE = 1e-7
# A picture shows another waypoint if it fits there this well, and so many times better than at its own.
_MATCH_RESIDUAL_M, _MATCH_RATIO = 0.002, 6.0
# Where the arm scatters more, it need not fit better than so many times as far off as those that belong (their median):
# chance leaves fewer than one in ten thousand beyond that.
_INLIER_RATIO = 4.0
# Up to so many pairs every exchange of two is tried.
_MAX_PAIRS_FOR_SWAP = 7
# Half turns are found from every two views; with more pairs than these that takes too long.
_MAX_PAIRS_FOR_HALF_TURNS = 200


def find_pair_shift(problem: Problem, observations: Observations, coarse_residual_m: float) -> Finding | None:
    """Whether every pose goes with the picture of a waypoint before or after; ``coarse_residual_m``: as they came."""
    n = len(observations.A)
    candidates: list[tuple[float, int, int]] = []
    for lag in [s for k in range(1, _MAX_SHIFT + 1) for s in (k, -k)]:
        pictures = np.arange(max(lag, 0), n + min(lag, 0))
        if len(pictures) < _MIN_PAIRS:
            continue
        moved = replace(observations.subset(pictures), A=observations.A[pictures - lag])
        candidates.append((best_initial_estimate(problem, moved)[1], lag, len(pictures)))
    if not candidates:
        return None
    candidates.sort()
    best_m, lag, count = candidates[0]
    next_m = min([coarse_residual_m] + [fit[0] for fit in candidates[1:]])
    if best_m > PLAUSIBLE_RESIDUAL_M or next_m < _IMPROVEMENT_RATIO * best_m:
        return None
    side = "before" if lag > 0 else "after"
    which = f"the waypoint {side} its own" if abs(lag) == 1 else f"{abs(lag)} waypoints {side} its own"
    return Finding(
        FindingCode.PAIRS_SHIFTED,
        Severity.STOP,
        f"every pose came with the picture of {which}: paired rightly, {count} pairs agree to"
        f" {best_m * 1e3:.2f} mm instead of {coarse_residual_m * 1e3:.0f} mm",
        {
            "lag": float(lag),
            "residual_mm": best_m * 1e3,
            "residual_as_paired_mm": coarse_residual_m * 1e3,
            "next_best_mm": next_m * 1e3,
        },
        _IMAGES_LATE if lag > 0 else _POSES_LATE,
    )


_IMAGES_LATE = (
    "the pose runs ahead of the picture: let the robot send where it stands, not where it goes next, and stop before it"
    " asks; or the camera hands out old pictures: take one exposed after the arm stood still (empty its buffer, or"
    " trigger it). Then take the pairs anew."
)
_POSES_LATE = (
    "the robot sends where it was before: stop its advance run and read the pose when it stands, just before it asks"
    " for the picture; then take the pairs anew."
)


def find_swapped_pair(
    problem: Problem, observations: Observations, indices: Sequence[int], coarse_residual_m: float
) -> Finding | None:
    """Whether exchanging two pictures makes everything fit. For few pairs: more find their strangers by majority."""
    n = len(observations.A)
    if not _MIN_PAIRS < n <= _MAX_PAIRS_FOR_SWAP:
        return None
    P = observations.pose_fits.camera_T_board
    candidates = []
    for first, second in itertools.combinations(range(n), 2):
        order = np.arange(n)
        order[[first, second]] = second, first
        swapped = replace(observations, pose_fits=replace(observations.pose_fits, camera_T_board=P[order]))
        candidates.append((best_initial_estimate(problem, swapped)[1], first, second))
    candidates.sort()
    (best_m, first, second), next_m = candidates[0], min(coarse_residual_m, candidates[1][0])
    if best_m > PLAUSIBLE_RESIDUAL_M or next_m < _IMPROVEMENT_RATIO * best_m:
        return None
    return _swap_finding(indices[first], indices[second], coarse_residual_m)


def find_half_turns(
    problem: Problem, observations: Observations, indices: Sequence[int], coarse_residual_m: float
) -> Finding | None:
    """Whether some pictures have their corners numbered from the opposite end of the board."""
    if len(observations.A) > _MAX_PAIRS_FOR_HALF_TURNS or not is_half_turn_symmetric(problem.board_corners_m):
        return None
    P = observations.pose_fits.camera_T_board
    board_T_turned = half_turn_about_centre(problem.board_corners_m)
    turned = reversed_views(observations.A, P, board_T_turned)
    if 2 * turned.sum() > len(P):
        turned = ~turned
    if not turned.any():
        return None
    alike = np.where(turned[:, None, None], P @ board_T_turned, P)
    after_m = best_initial_estimate(
        problem, replace(observations, pose_fits=replace(observations.pose_fits, camera_T_board=alike))
    )[1]
    if after_m > PLAUSIBLE_RESIDUAL_M or coarse_residual_m < _IMPROVEMENT_RATIO * after_m:
        return None
    rows = [int(k) for k in np.flatnonzero(turned)]
    names = _listed([indices[k] for k in rows])
    return Finding(
        FindingCode.HALF_TURNED,
        Severity.STOP,
        f"in {names} the corners are numbered from the opposite end of the board; turned round, the pairs agree to"
        f" {after_m * 1e3:.2f} mm instead of {coarse_residual_m * 1e3:.0f} mm",
        {
            "pairs": float(turned.sum()),
            "first": float(indices[rows[0]]),
            "residual_mm": after_m * 1e3,
            "residual_as_numbered_mm": coarse_residual_m * 1e3,
        },
        "number these the other way round, or take a board whose ends differ (markers on it, or odd by even squares).",
    )


def find_stale_pairs(pairs: Sequence[Pair]) -> list[Finding]:
    """Pairs that repeat the pose, or the picture, of the one before while the other of the two went on."""
    found: list[Finding] = []
    for before, now in itertools.pairwise(pairs):
        corner_distance_px = _corner_distance_px(before, now)
        if corner_distance_px is None:
            continue
        step = se3.log(se3.inverse(before.base_T_flange) @ now.base_T_flange)
        translation_m, rotation_rad = float(np.linalg.norm(step[:3])), float(np.linalg.norm(step[3:]))
        evidence = {
            "pair": float(now.index),
            "corners_moved_px": corner_distance_px,
            "pose_moved_mm": translation_m * 1e3,
            "pose_moved_deg": float(np.rad2deg(rotation_rad)),
        }
        if (
            np.abs(now.base_T_flange - before.base_T_flange).max() < _SAME_POSE_TOLERANCE
            and corner_distance_px > _MOVED_PX
        ):
            found.append(
                Finding(
                    FindingCode.STALE_POSE,
                    Severity.WARN,
                    f"pair {now.index} has the very pose of pair {before.index}, but its picture differs by"
                    f" {corner_distance_px:.0f} px: the pose is an old one",
                    evidence,
                    "let the robot read its pose anew at every waypoint, after it has stopped.",
                )
            )
        elif corner_distance_px < _SAME_IMAGE_PX and (
            translation_m > _POSE_CHANGED_M or rotation_rad > _POSE_CHANGED_RAD
        ):
            found.append(
                Finding(
                    FindingCode.STALE_IMAGE,
                    Severity.WARN,
                    f"pair {now.index} has the very picture of pair {before.index} (corners within {corner_distance_px:.3f} px),"
                    f" but by its pose the arm had moved by {translation_m * 1e3:.1f} mm and {np.rad2deg(rotation_rad):.2f} deg:"
                    " the picture is an old one, or the arm never went there",
                    evidence,
                    "empty the camera's buffer or trigger it, so that every picture is exposed after the request; let"
                    " the robot send the pose that it measures, not the one it was told to take.",
                )
            )
    return found


def find_swapped_outliers(
    problem: Problem, observations: Observations, indices: Sequence[int], out: NDArray[np.intp], start: InitialEstimate
) -> list[Finding]:
    """Whether pictures of pairs left out (rows ``out``) belong to one another's poses; ``start``: the transforms."""
    if len(out) < 2:
        return []
    own = coarse_residuals_m(problem, observations, start)
    inlier_residuals_m = np.delete(own, out)
    match_limit_m = (
        max(_MATCH_RESIDUAL_M, _INLIER_RATIO * float(np.median(inlier_residuals_m)))
        if len(inlier_residuals_m)
        else _MATCH_RESIDUAL_M
    )
    matching_row: dict[int, int] = {}
    for row in out:
        picture = observations.subset(np.full(len(observations.A), row))
        apart = coarse_residuals_m(problem, replace(picture, A=observations.A), start)
        best = int(np.argmin(apart))
        if best != row and apart[best] < match_limit_m and own[row] > _MATCH_RATIO * apart[best]:
            matching_row[int(row)] = best
    found = []
    for row, other in matching_row.items():
        if row < other and matching_row.get(other) == row:
            found.append(_swap_finding(indices[row], indices[other], float(own[[row, other]].min())))
    return found


def _swap_finding(first: int, second: int, residual_m: float) -> Finding:
    return Finding(
        FindingCode.PAIRS_SWAPPED,
        Severity.WARN,
        f"the pictures of pair {first} and pair {second} are exchanged: each fits the pose of the other",
        {"pair": float(first), "other_pair": float(second), "residual_mm": residual_m * 1e3},
        "see how pictures get their names or numbers; the two pairs were left out.",
    )


def _corner_distance_px(before: Pair, now: Pair) -> float | None:
    """Median distance of the corners that both pictures show; None if they share too few."""
    _, first, second = np.intersect1d(before.ids, now.ids, return_indices=True)
    if len(first) < _MIN_SHARED_CORNERS:
        # Not the same picture, and not the same corners in view either: the board moved.
        return float("inf") if min(len(before.ids), len(now.ids)) >= _MIN_SHARED_CORNERS else None
    return float(np.median(np.linalg.norm(before.corners_px[first] - now.corners_px[second], axis=1)))


def _listed(indices: Sequence[int]) -> str:
    names = ", ".join(str(k) for k in indices[:6])
    return f"pair{'s' if len(indices) > 1 else ''} {names}{' and others' if len(indices) > 6 else ''}"
