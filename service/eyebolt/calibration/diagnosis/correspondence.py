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

from eyebolt.calibration.estimation import GOOD_M, Start, Views, best_start, distances
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.problem import Problem
from eyebolt.geometry import se3
from eyebolt.observations import Pair, half_turn_of, looks_alike_turned, turned_views

_MOST_SHIFT = 3
_FEWEST = 3
_FEWEST_SHARED = 4
# The right shift fits this many times better than none and than any other.
_BETTER = 4.0
# Corners of one and the same picture stay within this; those of a board that moved go beyond that. Common practice.
_SAME_PX, _MOVED_PX = 0.05, 1.0
# A pose this far from the one before is another waypoint.
_ELSEWHERE_M, _ELSEWHERE_RAD = 1e-3, float(np.deg2rad(0.1))
# The same pose again, to the last digit that a controller prints.
_SAME_POSE = 1e-7
# A picture shows another waypoint if it fits there this well, and so many times better than at its own.
_FITS_M, _FITS_TIMES = 0.002, 6.0
# Where the arm scatters more, it need not fit better than so many times as far off as those that belong (their median):
# chance leaves fewer than one in ten thousand beyond that.
_AS_THOSE_THAT_BELONG = 4.0
# Up to so many pairs every exchange of two is tried.
_MOST_FOR_SWAP = 7
# Half turns are found from every two views; with more pairs than these that takes too long.
_MOST_FOR_TURNS = 200


def find_shift(problem: Problem, views: Views, misfit_m: float) -> Finding | None:
    """Whether every pose goes with the picture of a waypoint before or after; ``misfit_m``: as they came."""
    n = len(views.A)
    fits: list[tuple[float, int, int]] = []
    for late in [s for k in range(1, _MOST_SHIFT + 1) for s in (k, -k)]:
        pictures = np.arange(max(late, 0), n + min(late, 0))
        if len(pictures) < _FEWEST:
            continue
        moved = replace(views.subset(pictures), A=views.A[pictures - late])
        fits.append((best_start(problem, moved)[1], late, len(pictures)))
    if not fits:
        return None
    fits.sort()
    best_m, late, count = fits[0]
    next_m = min([misfit_m] + [fit[0] for fit in fits[1:]])
    if best_m > GOOD_M or next_m < _BETTER * best_m:
        return None
    side = "before" if late > 0 else "after"
    which = f"the waypoint {side} its own" if abs(late) == 1 else f"{abs(late)} waypoints {side} its own"
    return Finding(
        "pairs-shifted",
        "stop",
        f"every pose came with the picture of {which}: paired rightly, {count} pairs agree to"
        f" {best_m * 1e3:.2f} mm instead of {misfit_m * 1e3:.0f} mm",
        {
            "lag": float(late),
            "misfit_mm": best_m * 1e3,
            "misfit_as_paired_mm": misfit_m * 1e3,
            "next_best_mm": next_m * 1e3,
        },
        _PICTURES_LATE if late > 0 else _POSES_LATE,
    )


_PICTURES_LATE = (
    "the pose runs ahead of the picture: let the robot send where it stands, not where it goes next, and stop before it"
    " asks; or the camera hands out old pictures: take one exposed after the arm stood still (empty its buffer, or"
    " trigger it). Then take the pairs anew."
)
_POSES_LATE = (
    "the robot sends where it was before: stop its advance run and read the pose when it stands, just before it asks"
    " for the picture; then take the pairs anew."
)


def find_swap(problem: Problem, views: Views, indices: Sequence[int], misfit_m: float) -> Finding | None:
    """Whether exchanging two pictures makes everything fit. For few pairs: more find their strangers by majority."""
    n = len(views.A)
    if not _FEWEST < n <= _MOST_FOR_SWAP:
        return None
    P = views.poses.camera_T_board
    fits = []
    for first, second in itertools.combinations(range(n), 2):
        order = np.arange(n)
        order[[first, second]] = second, first
        swapped = replace(views, poses=replace(views.poses, camera_T_board=P[order]))
        fits.append((best_start(problem, swapped)[1], first, second))
    fits.sort()
    (best_m, first, second), next_m = fits[0], min(misfit_m, fits[1][0])
    if best_m > GOOD_M or next_m < _BETTER * best_m:
        return None
    return _exchanged(indices[first], indices[second], misfit_m)


def find_half_turns(problem: Problem, views: Views, indices: Sequence[int], misfit_m: float) -> Finding | None:
    """Whether some pictures have their corners numbered from the opposite end of the board."""
    if len(views.A) > _MOST_FOR_TURNS or not looks_alike_turned(problem.board_corners_m):
        return None
    P = views.poses.camera_T_board
    board_T_turned = half_turn_of(problem.board_corners_m)
    turned = turned_views(views.A, P, board_T_turned)
    if 2 * turned.sum() > len(P):
        turned = ~turned
    if not turned.any():
        return None
    alike = np.where(turned[:, None, None], P @ board_T_turned, P)
    after_m = best_start(problem, replace(views, poses=replace(views.poses, camera_T_board=alike)))[1]
    if after_m > GOOD_M or misfit_m < _BETTER * after_m:
        return None
    rows = [int(k) for k in np.flatnonzero(turned)]
    names = _listed([indices[k] for k in rows])
    return Finding(
        "half-turned",
        "stop",
        f"in {names} the corners are numbered from the opposite end of the board; turned round, the pairs agree to"
        f" {after_m * 1e3:.2f} mm instead of {misfit_m * 1e3:.0f} mm",
        {
            "pairs": float(turned.sum()),
            "first": float(indices[rows[0]]),
            "misfit_mm": after_m * 1e3,
            "misfit_as_numbered_mm": misfit_m * 1e3,
        },
        "number these the other way round, or take a board whose ends differ (markers on it, or odd by even squares).",
    )


def find_stale(pairs: Sequence[Pair]) -> list[Finding]:
    """Pairs that repeat the pose, or the picture, of the one before while the other of the two went on."""
    found: list[Finding] = []
    for before, now in itertools.pairwise(pairs):
        apart_px = _apart_px(before, now)
        if apart_px is None:
            continue
        step = se3.log(se3.inverse(before.base_T_flange) @ now.base_T_flange)
        shift_m, turn_rad = float(np.linalg.norm(step[:3])), float(np.linalg.norm(step[3:]))
        evidence = {
            "pair": float(now.index),
            "corners_moved_px": apart_px,
            "pose_moved_mm": shift_m * 1e3,
            "pose_moved_deg": float(np.rad2deg(turn_rad)),
        }
        if np.abs(now.base_T_flange - before.base_T_flange).max() < _SAME_POSE and apart_px > _MOVED_PX:
            found.append(
                Finding(
                    "stale-pose",
                    "warn",
                    f"pair {now.index} has the very pose of pair {before.index}, but its picture differs by"
                    f" {apart_px:.0f} px: the pose is an old one",
                    evidence,
                    "let the robot read its pose anew at every waypoint, after it has stopped.",
                )
            )
        elif apart_px < _SAME_PX and (shift_m > _ELSEWHERE_M or turn_rad > _ELSEWHERE_RAD):
            found.append(
                Finding(
                    "stale-picture",
                    "warn",
                    f"pair {now.index} has the very picture of pair {before.index} (corners within {apart_px:.3f} px),"
                    f" but by its pose the arm had moved by {shift_m * 1e3:.1f} mm and {np.rad2deg(turn_rad):.2f} deg:"
                    " the picture is an old one, or the arm never went there",
                    evidence,
                    "empty the camera's buffer or trigger it, so that every picture is exposed after the request; let"
                    " the robot send the pose that it measures, not the one it was told to take.",
                )
            )
    return found


def find_exchanged(
    problem: Problem, views: Views, indices: Sequence[int], out: NDArray[np.intp], start: Start
) -> list[Finding]:
    """Whether pictures of pairs left out (rows ``out``) belong to one another's poses; ``start``: the transforms."""
    if len(out) < 2:
        return []
    own = distances(problem, views, start)
    belonging = np.delete(own, out)
    fits_m = max(_FITS_M, _AS_THOSE_THAT_BELONG * float(np.median(belonging))) if len(belonging) else _FITS_M
    home: dict[int, int] = {}
    for row in out:
        picture = views.subset(np.full(len(views.A), row))
        apart = distances(problem, replace(picture, A=views.A), start)
        best = int(np.argmin(apart))
        if best != row and apart[best] < fits_m and own[row] > _FITS_TIMES * apart[best]:
            home[int(row)] = best
    found = []
    for row, other in home.items():
        if row < other and home.get(other) == row:
            found.append(_exchanged(indices[row], indices[other], float(own[[row, other]].min())))
    return found


def _exchanged(first: int, second: int, apart_m: float) -> Finding:
    return Finding(
        "pairs-swapped",
        "warn",
        f"the pictures of pair {first} and pair {second} are exchanged: each fits the pose of the other",
        {"pair": float(first), "other": float(second), "apart_mm": apart_m * 1e3},
        "see how pictures get their names or numbers; the two pairs were left out.",
    )


def _apart_px(before: Pair, now: Pair) -> float | None:
    """Median distance of the corners that both pictures show; None if they share too few."""
    _, first, second = np.intersect1d(before.ids, now.ids, return_indices=True)
    if len(first) < _FEWEST_SHARED:
        # Not the same picture, and not the same corners in view either: the board moved.
        return float("inf") if min(len(before.ids), len(now.ids)) >= _FEWEST_SHARED else None
    return float(np.median(np.linalg.norm(before.corners_px[first] - now.corners_px[second], axis=1)))


def _listed(indices: Sequence[int]) -> str:
    names = ", ".join(str(k) for k in indices[:6])
    return f"pair{'s' if len(indices) > 1 else ''} {names}{' and others' if len(indices) > 6 else ''}"
