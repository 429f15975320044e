"""A gross change half-way in a short session: the pairs before or after it were left out, but agree among themselves.

Where ``slips`` has pairs enough it finds such changes itself, by their likelihood.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from eyebolt.geometry import rigid
from eyebolt.geometry.rigid import Array
from eyebolt.solve.joint import Views
from eyebolt.solve.linear_model import What
from eyebolt.solve.misfit import GOOD_M, best_start
from eyebolt.solve.outcome import Finding
from eyebolt.solve.problem import Problem
from eyebolt.solve.slips import Slip, finding_on_slip
from eyebolt.solve.start import Start

_FEWEST_ON_A_SIDE = 2
# Changes this close are one and the same: three pairs alone leave the transforms that uncertain.
_ALIKE_M, _ALIKE_RAD = 0.015, float(np.deg2rad(1.0))
# The other transform explains the pairs left out this many times worse.
_BETTER = 8.0
_MOST_TO_TRY = 7


def find_change_halfway(
    problem: Problem, views: Views, start: Start, used: NDArray[np.bool_], indices: Sequence[int]
) -> Finding | None:
    """Whether the pairs that were not ``used`` (n,) all lie on one side and share one change of X or of Y.

    ``start``: the transforms of those that were.
    """
    out = np.flatnonzero(~used)
    first = bool(out.size) and out[0] == 0
    if len(out) < _FEWEST_ON_A_SIDE or out[-1] - out[0] >= len(out) or not (first or out[-1] == len(used) - 1):
        return None
    A, P = views.A[out], views.poses.camera_T_board[out]
    changes: dict[What, Array] = {
        "camera": rigid.inverse(start.X) @ A @ start.Y @ rigid.inverse(P),
        "board": rigid.inverse(start.Y) @ rigid.inverse(A) @ start.X @ P,
    }
    apart = {what: _apart(change) for what, change in changes.items()}
    what: What = "camera" if apart["camera"][0] < apart["board"][0] else "board"
    other: What = "board" if what == "camera" else "camera"
    shift_m, turn_rad = apart[what]
    if shift_m > _ALIKE_M or turn_rad > _ALIKE_RAD or apart[other][0] < _BETTER * shift_m:
        return None
    change = rigid.log(changes[what])
    row = int(out[-1]) + 1 if first else int(out[0])
    middle = np.median(change, axis=0) * (-1.0 if first else 1.0)
    return finding_on_slip(problem.mount, Slip(what, row, middle, 0.0), indices[row], kept_before=not first)


def find_gross_change(problem: Problem, views: Views, indices: Sequence[int]) -> Finding | None:
    """The same where no majority was found: every place is tried. For few pairs; with more there is a majority."""
    n = len(views.A)
    if n > _MOST_TO_TRY:
        return None
    found: list[tuple[float, Finding]] = []
    for row in range(_FEWEST_ON_A_SIDE, n - _FEWEST_ON_A_SIDE + 1):
        used = np.arange(n) < row if row > n / 2 else np.arange(n) >= row
        if used.sum() <= _FEWEST_ON_A_SIDE:
            continue
        start, misfit_m = best_start(problem, views.subset(np.flatnonzero(used)))
        change = find_change_halfway(problem, views, start, used, indices) if misfit_m < GOOD_M else None
        if change is not None:
            found.append((misfit_m, change))
    return min(found, key=lambda one: one[0])[1] if found else None


def _apart(changes: Array) -> tuple[float, float]:
    """How far the changes (n, 4, 4) are from the first of them: metres and radians, the worst."""
    twists = rigid.log(rigid.inverse(changes[0]) @ changes[1:])
    return float(np.linalg.norm(twists[:, :3], axis=1).max()), float(np.linalg.norm(twists[:, 3:], axis=1).max())
