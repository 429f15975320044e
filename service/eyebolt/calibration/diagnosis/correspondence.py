"""Checks of the correspondence of poses and images: shifted, swapped, stale, or numbered from the opposite end.

Each fault is a hypothesis about all pairs: the poses shifted along the images by a few waypoints, two images
exchanged, some views half-turned. It is accepted if the coarse residual under it is that of a good data set, and if the
data as they came and every rival hypothesis fit several times worse. Single stale pairs repeat the digits of a pose or
the corners of an image. Pairs excluded as outliers are tested for whether they fit the poses of each other.
"""

from __future__ import annotations

import itertools
import math
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
from eyebolt.calibration.robust import MIN_PAIRS
from eyebolt.geometry import se3
from eyebolt.observations import Pair, half_turn_about_centre, is_half_turn_symmetric, reversed_views

# Buffers and programs that run ahead are off by one or two waypoints; one more for safety.
_MAX_SHIFT = 3
# For the median distance between the corners of two images.
_MIN_SHARED_CORNERS = 4
# The right hypothesis fits this many times better than the data as they came and than every rival. Common practice, no
# source.
_IMPROVEMENT_RATIO = 4.0
# Median distance of corners: the same image is below the first (detection repeats), another waypoint is above the
# second. Common practice, no source.
_SAME_IMAGE_PX, _MOVED_PX = 0.05, 1.0
# Poses that differ by more than this are of different waypoints. Common practice, no source.
_POSE_CHANGED_M, _POSE_CHANGED_RAD = 1e-3, float(np.deg2rad(0.1))
# Entries of a pose matrix that are equal to the last digit that a controller prints.
_SAME_POSE_TOLERANCE = 1e-7
# An image was taken at another waypoint if its residual with the pose of that waypoint is below the first number, and
# smaller than with its own pose by the second, a factor. Common practice, no source.
_MATCH_RESIDUAL_M, _MATCH_RATIO = 0.002, 6.0
# For a noisy arm the limit is this many times the median residual of the inliers, which a good pair exceeds in fewer
# than 1 of 10,000 cases.
_INLIER_RATIO = 4.0
# Up to this many pairs every swap of two images is tried; with more pairs a swap leaves a majority of inliers.
_MAX_PAIRS_FOR_SWAP = 7
# Half-turned views are found from all pairs of views; with more pairs that takes too long.
_MAX_PAIRS_FOR_HALF_TURNS = 200


def find_pair_shift(problem: Problem, observations: Observations, coarse_residual_m: float) -> Finding | None:
    """The finding that every pose is paired with the image of a waypoint before or after its own.

    ``coarse_residual_m``: of the pairs as they came.
    """
    n = len(observations.A)
    candidates: list[tuple[float, int, int]] = []
    for lag in [s for k in range(1, _MAX_SHIFT + 1) for s in (k, -k)]:
        image_rows = np.arange(max(lag, 0), n + min(lag, 0))
        # Fewer pairs fit any hypothesis.
        if len(image_rows) < MIN_PAIRS:
            continue
        shifted = replace(observations.subset(image_rows), A=observations.A[image_rows - lag])
        candidates.append((best_initial_estimate(problem, shifted)[1], lag, len(image_rows)))
    if not candidates:
        return None
    candidates.sort()
    best_m, lag, count = candidates[0]
    next_m = min([coarse_residual_m] + [fit[0] for fit in candidates[1:]])
    if best_m > PLAUSIBLE_RESIDUAL_M or next_m < _IMPROVEMENT_RATIO * best_m:
        return None
    side = "before" if lag > 0 else "after"
    which = f"the waypoint {side} its own" if abs(lag) == 1 else f"the waypoint {abs(lag)} {side} its own"
    return Finding(
        FindingCode.PAIRS_SHIFTED,
        Severity.STOP,
        f"every pose is paired with the image of {which}: with the pairing corrected, {count} pairs agree to"
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
    "either the poses run ahead of the images: let the robot program stop first and send the pose where it stands, not"
    " where it goes next; or the camera delivers old images: empty its buffer or trigger it, so that each image is"
    " exposed after the arm has stopped. Then take all pairs again."
)
_POSES_LATE = (
    "the robot sends the pose of an earlier waypoint: disable advance execution in the robot program and read the pose"
    " after the stop, just before the request; then take all pairs again."
)


def find_swapped_pair(
    problem: Problem, observations: Observations, indices: Sequence[int], coarse_residual_m: float
) -> Finding | None:
    """The finding that two images are exchanged, from all pairs; with more pairs ``find_swapped_outliers`` finds it."""
    n = len(observations.A)
    if not MIN_PAIRS < n <= _MAX_PAIRS_FOR_SWAP:
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
    """The finding that some images have their corners numbered from the opposite end of the board."""
    if len(observations.A) > _MAX_PAIRS_FOR_HALF_TURNS or not is_half_turn_symmetric(problem.board_corners_m):
        return None
    P = observations.pose_fits.camera_T_board
    half_turn = half_turn_about_centre(problem.board_corners_m)
    reversed_rows = reversed_views(observations.A, P, half_turn)
    # Which of the two groups is the reversed one does not matter for the result; the smaller one is reported.
    if 2 * reversed_rows.sum() > len(P):
        reversed_rows = ~reversed_rows
    if not reversed_rows.any():
        return None
    corrected = np.where(reversed_rows[:, None, None], P @ half_turn, P)
    after_m = best_initial_estimate(
        problem, replace(observations, pose_fits=replace(observations.pose_fits, camera_T_board=corrected))
    )[1]
    if after_m > PLAUSIBLE_RESIDUAL_M or coarse_residual_m < _IMPROVEMENT_RATIO * after_m:
        return None
    rows = [int(k) for k in np.flatnonzero(reversed_rows)]
    names = _listed([indices[k] for k in rows])
    return Finding(
        FindingCode.HALF_TURNED,
        Severity.STOP,
        f"in {names} the corners are numbered from the opposite end of the board: with that corrected, the pairs agree"
        f" to {after_m * 1e3:.2f} mm instead of {coarse_residual_m * 1e3:.0f} mm",
        {
            "pairs": float(reversed_rows.sum()),
            "first": float(indices[rows[0]]),
            "residual_mm": after_m * 1e3,
            "residual_as_numbered_mm": coarse_residual_m * 1e3,
        },
        "number the corners of these images from the other end, or use a board whose ends differ (with markers, or with"
        " an odd number of squares one way and an even number the other).",
    )


def find_stale_pairs(pairs: Sequence[Pair]) -> list[Finding]:
    """Findings on pairs that repeat either the pose or the image of the pair before, but not both."""
    found: list[Finding] = []
    for before, now in itertools.pairwise(pairs):
        corner_distance_px = _corner_distance_px(before, now)
        if corner_distance_px is None:
            continue
        is_same_pose = np.abs(now.base_T_flange - before.base_T_flange).max() < _SAME_POSE_TOLERANCE
        is_same_image = corner_distance_px < _SAME_IMAGE_PX
        if not is_same_pose and not is_same_image:
            continue
        step = se3.log(se3.inverse(before.base_T_flange) @ now.base_T_flange)
        translation_m, rotation_rad = float(np.linalg.norm(step[:3])), float(np.linalg.norm(step[3:]))
        evidence = {
            "pair": float(now.index),
            "corners_moved_px": corner_distance_px,
            "pose_moved_mm": translation_m * 1e3,
            "pose_moved_deg": float(np.rad2deg(rotation_rad)),
        }
        if is_same_pose and corner_distance_px > _MOVED_PX:
            found.append(
                Finding(
                    FindingCode.STALE_POSE,
                    Severity.WARN,
                    f"pair {now.index} has exactly the pose of pair {before.index}, but its image"
                    f" {_difference(corner_distance_px)}: the pose is stale",
                    evidence,
                    "let the robot program read the pose at every waypoint, after the stop.",
                )
            )
        elif is_same_image and (translation_m > _POSE_CHANGED_M or rotation_rad > _POSE_CHANGED_RAD):
            found.append(
                Finding(
                    FindingCode.STALE_IMAGE,
                    Severity.WARN,
                    f"pair {now.index} has the same image as pair {before.index} (corners within"
                    f" {corner_distance_px:.3f} px), but by its pose the arm moved by {translation_m * 1e3:.1f} mm and"
                    f" {np.rad2deg(rotation_rad):.2f} deg: the image is stale, or the arm did not move",
                    evidence,
                    "empty the camera's buffer or trigger it, so that every image is exposed after the request; let the"
                    " robot send its measured pose, not the commanded one.",
                )
            )
    return found


def find_swapped_outliers(
    problem: Problem, observations: Observations, indices: Sequence[int], out: NDArray[np.intp], start: InitialEstimate
) -> list[Finding]:
    """Findings that images of outliers (rows ``out``) are exchanged; ``start``: the transforms of the inliers."""
    if len(out) < 2:
        return []
    own_residuals_m = coarse_residuals_m(problem, observations, start)
    inlier_residuals_m = np.delete(own_residuals_m, out)
    match_limit_m = (
        max(_MATCH_RESIDUAL_M, _INLIER_RATIO * float(np.median(inlier_residuals_m)))
        if len(inlier_residuals_m)
        else _MATCH_RESIDUAL_M
    )
    matching_row: dict[int, int] = {}
    for row in out:
        # This image with the pose of every pair.
        image = observations.subset(np.full(len(observations.A), row))
        residuals_m = coarse_residuals_m(problem, replace(image, A=observations.A), start)
        best = int(np.argmin(residuals_m))
        is_match = residuals_m[best] < match_limit_m and own_residuals_m[row] > _MATCH_RATIO * residuals_m[best]
        if best != row and is_match:
            matching_row[int(row)] = best
    found = []
    for row, other in matching_row.items():
        if row < other and matching_row.get(other) == row:
            found.append(_swap_finding(indices[row], indices[other], float(own_residuals_m[[row, other]].min())))
    return found


def _swap_finding(first: int, second: int, residual_m: float) -> Finding:
    return Finding(
        FindingCode.PAIRS_SWAPPED,
        Severity.WARN,
        f"the images of pair {first} and pair {second} are exchanged: each fits the pose of the other",
        {"pair": float(first), "other_pair": float(second), "residual_mm": residual_m * 1e3},
        "check how images are named or numbered; the result excludes both pairs.",
    )


def _difference(corner_distance_px: float) -> str:
    return f"differs by {corner_distance_px:.0f} px" if math.isfinite(corner_distance_px) else "shows other corners"


def _corner_distance_px(before: Pair, now: Pair) -> float | None:
    """Median distance, px, of the corners common to both images; infinite if they show other corners.

    None if that cannot be known.
    """
    if np.array_equal(before.ids, now.ids):
        # Of most pairs the whole board is in view, and the corners need no search.
        first = second = np.arange(len(now.ids))
    else:
        _, first, second = np.intersect1d(before.ids, now.ids, return_indices=True)
    if len(first) < _MIN_SHARED_CORNERS:
        # Both images show enough corners but hardly the same ones: the board moved.
        return float("inf") if min(len(before.ids), len(now.ids)) >= _MIN_SHARED_CORNERS else None
    return float(np.median(np.linalg.norm(before.corners_px[first] - now.corners_px[second], axis=1)))


def _listed(indices: Sequence[int]) -> str:
    names = ", ".join(str(k) for k in indices[:6])
    return f"pair{'s' if len(indices) > 1 else ''} {names}{' and others' if len(indices) > 6 else ''}"
