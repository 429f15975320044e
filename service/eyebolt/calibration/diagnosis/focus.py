"""A lens whose focus moved during the session: the pairs see another focal length from one waypoint on, or a drift.

A camera knocked back looks much like it; the two part where the board stood at different distances.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from eyebolt.calibration.estimation import (
    COLUMNS,
    FOCAL,
    Doubt,
    Freed,
    LinearModel,
    Start,
    Views,
    What,
    linearise,
    moved_doubts,
    plausible,
    set_free,
)
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.problem import Problem, RobotNoise

# Chance that a clean set is looked into closely, and that it shows a change.
_LOOKED_INTO, _FALSE_ALARM = 0.05, 1e-5
# One number that leaves no more than this to chance is believed before the six of something that moved.
_EXPLAINED = 0.01
_FEWEST = 5
# A change of the focal length below this (a share) is what temperature does. Common practice, no source.
_MATTERS = 0.002
_ON_A_SIDE = 2
# In long sessions not every place is tried; a step shows nearly as well a few pairs away.
_MOST_PLACES = 60
# How far off it may be, a share.
_WIDEST_FOCAL = 0.3
_FOCAL, _CHANGE = "focal", "change"


def find_moved_focus(
    problem: Problem, views: Views, start: Start, noise: RobotNoise, indices: Sequence[int], at: Sequence[int] = ()
) -> Finding | None:
    """Whether the focus moved between the pairs of ``views``, in the order they were taken (``indices``).

    ``start``: transforms near all or some of them; ``noise`` to begin with; ``at``: rows before which something is
    known to have moved.
    """
    if len(views.A) < _FEWEST:
        return None
    paces = _Paces(views, linearise(problem, views.seen, views.A, start.X, start.Y), noise)
    drift = paces.freed(None)
    if not at and drift.chance([_FOCAL]) > _LOOKED_INTO:
        return None
    places = np.linspace(_ON_A_SIDE, len(views.A) - _ON_A_SIDE, min(len(views.A) - 2 * _ON_A_SIDE + 1, _MOST_PLACES))
    steps = {row: paces.freed(row) for row in {*places.astype(int).tolist(), *at}}
    row, step = max(steps.items(), key=lambda one: one[1].unexplained([_FOCAL]))
    drifts = drift.unexplained([_FOCAL]) > step.unexplained([_FOCAL])
    found = drift if drifts else step
    if found.chance([_FOCAL]) > _FALSE_ALARM or abs(found.estimate[1]) < _MATTERS or not plausible(found.noise):
        return None
    # A change of camera or board from there on must not explain it better.
    for what in COLUMNS:
        for place in {row, *at}:
            both = paces.freed(None if drifts else row, what, place)
            focus, other = both.chance([_FOCAL, _CHANGE]), both.chance([n for n in both.names if n != _CHANGE])
            if focus < min(_EXPLAINED, other):
                return None
    at_row = None if drifts else row
    return _finding(paces.freed(at_row, posterior=True), None if at_row is None else indices[at_row])


@dataclass(frozen=True)
class _Paces:
    """Ways in which the focal length may have changed along the pairs, set free in their linear ``model``."""

    views: Views
    model: LinearModel
    noise: RobotNoise

    def freed(self, row: int | None, moved: What | None = None, place: int = 0, *, posterior: bool = False) -> Freed:
        """A step before ``row``, or a steady drift; beside it, ``moved`` (camera or board) from ``place`` on.

        ``posterior``: see ``set_free``.
        """
        n = len(self.views.A)
        pace = np.arange(n) / (n - 1) if row is None else (np.arange(n) >= row).astype(float)
        doubts = [
            Doubt.of_nuisance(_FOCAL, _WIDEST_FOCAL, self.model, FOCAL),
            Doubt.of_nuisance(_CHANGE, _WIDEST_FOCAL, self.model, FOCAL, pace),
        ]
        if moved is not None:
            doubts += moved_doubts(self.model, COLUMNS[moved], place)
        return set_free(self.model, self.views.seen, self.views.corner_px, self.noise, doubts, posterior)


def _finding(found: Freed, index: int | None) -> Finding:
    changes, sigmas = found.alone(found.names)
    change, sigma = float(changes[1]), float(sigmas[1])
    when = "bit by bit from the first pair to the last" if index is None else f"before pair {index}"
    evidence = {"change": change, "change_sigma": sigma, "chance_if_steady": found.chance([_FOCAL])}
    return Finding(
        "focus-moved",
        "stop",
        f"the lens changed {when}: its focal length by {100 * change:+.2f} % (sigma {100 * sigma:.2f} %)",
        evidence if index is None else {**evidence, "pair": float(index)},
        "switch autofocus and zoom off, lock the lens's screws, let the camera warm up; calibrate the lens at that"
        " focus and take the pairs anew.",
    )
