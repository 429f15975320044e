"""Where most pairs agree: the start of the estimate, free of gross strangers, and each view's tilt branch.

One wrong picture would spoil a closed form over all pairs, so small groups of pairs each propose a solution and the
one that most pairs agree with is taken.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from eyebolt.geometry import rigid
from eyebolt.geometry.rigid import Array
from eyebolt.solve.joint import Views
from eyebolt.solve.problem import Problem
from eyebolt.solve.start import Start, starts_for

Mask = NDArray[np.bool_]

_GROUPS = 60
_POOR_START_M = 0.005


def agreed_start(problem: Problem, views: Views) -> tuple[Start, Mask]:
    """The closed form that most pairs agree with, and which rows (n,) bool agree with it."""
    P = views.poses.camera_T_board
    starts = starts_for(problem, views.A, P)
    spreads = [distances(problem, views, s) for s in starts]
    best = int(np.argmin([np.median(s) for s in spreads]))
    start, distance = starts[best], spreads[best]
    # Groups are tried only where the start is poor or a pair stands out; a clean session needs none.
    median = float(np.median(distance))
    if len(P) < 5 or (distance.max() < 4 * median and median < _POOR_START_M):
        return start, np.ones(len(P), dtype=bool)
    for group in _groups(len(P)):
        for candidate in starts_for(problem, views.A[group], P[group]):
            tried = distances(problem, views, candidate)
            if np.median(tried) < 0.5 * np.median(distance):
                start, distance = candidate, tried
    agreed = distance < 8 * np.median(distance)
    return start, agreed


def _groups(count: int) -> Iterator[NDArray[np.intp]]:
    """Always the same small groups, so that a session gives the same answer every time."""
    generator = np.random.Generator(np.random.PCG64(7))
    for _ in range(_GROUPS):
        yield generator.choice(count, size=4 if count > 5 else 3, replace=False)


def distances(problem: Problem, views: Views, start: Start) -> Array:
    """Distance in metres (n,) at the board between prediction and picture; the measure for coarse agreement."""
    predicted = rigid.inverse(start.X) @ views.A @ start.Y
    extent = problem.board_corners_m[[0, -1]]
    moved = rigid.apply(predicted, extent) - rigid.apply(views.poses.camera_T_board, extent)
    out: Array = np.sqrt((moved**2).sum(axis=-1).mean(axis=-1))
    return out


def settle_branches(problem: Problem, views: Views, start: Start) -> Views:
    """Of each view's two planar tilt branches, the one that the other views agree with, where both are plausible."""
    poses = views.poses
    predicted = rigid.inverse(start.X) @ views.A @ start.Y
    ambiguous = poses.other_rss_px2 < 4 * poses.rss_px2 + 1e-12
    first = rigid.rotation_angle(np.swapaxes(predicted, -1, -2)[..., :3, :3] @ poses.camera_T_board[..., :3, :3])
    second = rigid.rotation_angle(np.swapaxes(predicted, -1, -2)[..., :3, :3] @ poses.other_branch[..., :3, :3])
    swap = ambiguous & (second < first)
    if not swap.any():
        return views
    return Views.of(problem, views.A, views.stack, poses.with_branches_exchanged(swap))
