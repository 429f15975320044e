"""A lens whose focus moved during the session: the pairs see another focal length from one waypoint on, or a drift.

A camera knocked back looks much like it; the two part where the board stood at different distances.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from eyebolt.calibration.estimation import (
    FOCAL_LENGTH,
    InitialEstimate,
    LinearModel,
    MovedPart,
    NuisanceEstimate,
    NuisanceParameter,
    Observations,
    change_point_nuisances,
    estimate_nuisances,
    is_plausible_noise,
    linearize,
)
from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.problem import Problem, RobotNoise

# Chance that a clean set is looked into closely, and that it shows a change.
_SCREENING_P, _FALSE_ALARM_RATE = 0.05, 1e-5
# One number that leaves no more than this to chance is believed before the six of something that moved.
_EXPLAINED_P = 0.01
_MIN_PAIRS = 5
# A change of the focal length below this (a share) is what temperature does. Common practice, no source.
_MIN_RELATIVE_CHANGE = 0.002
_MIN_PAIRS_PER_SIDE = 2
# In long sessions not every place is tried; a step shows nearly as well a few pairs away.
_MAX_CANDIDATE_ROWS = 60
# How far off it may be, a share.
_MAX_FOCAL_DEVIATION = 0.3
_FOCAL, _CHANGE = "focal", "change"


def find_focus_change(
    problem: Problem,
    observations: Observations,
    start: InitialEstimate,
    noise: RobotNoise,
    indices: Sequence[int],
    at: Sequence[int] = (),
) -> Finding | None:
    """Whether the focus moved between the pairs of ``observations``, in the order they were taken (``indices``).

    ``start``: transforms near all or some of them; ``noise`` to begin with; ``at``: rows before which something is
    known to have moved.
    """
    if len(observations.A) < _MIN_PAIRS:
        return None
    hypotheses = _FocalHypotheses(
        observations, linearize(problem, observations.board_poses, observations.A, start.X, start.Y), noise
    )
    drift = hypotheses.nuisance_estimate(None)
    if not at and drift.p_value([_FOCAL]) > _SCREENING_P:
        return None
    places = np.linspace(
        _MIN_PAIRS_PER_SIDE,
        len(observations.A) - _MIN_PAIRS_PER_SIDE,
        min(len(observations.A) - 2 * _MIN_PAIRS_PER_SIDE + 1, _MAX_CANDIDATE_ROWS),
    )
    steps = {row: hypotheses.nuisance_estimate(row) for row in {*places.astype(int).tolist(), *at}}
    row, step = max(steps.items(), key=lambda one: one[1].remaining_chi2([_FOCAL]))
    is_drift = drift.remaining_chi2([_FOCAL]) > step.remaining_chi2([_FOCAL])
    found = drift if is_drift else step
    if (
        found.p_value([_FOCAL]) > _FALSE_ALARM_RATE
        or abs(found.estimate[1]) < _MIN_RELATIVE_CHANGE
        or not is_plausible_noise(found.noise)
    ):
        return None
    # A change of camera or board from there on must not explain it better.
    for moved_part in MovedPart:
        for place in {row, *at}:
            both = hypotheses.nuisance_estimate(None if is_drift else row, moved_part, place)
            focus, other = both.p_value([_FOCAL, _CHANGE]), both.p_value([n for n in both.names if n != _CHANGE])
            if focus < min(_EXPLAINED_P, other):
                return None
    at_row = None if is_drift else row
    return _finding(hypotheses.nuisance_estimate(at_row, posterior=True), None if at_row is None else indices[at_row])


@dataclass(frozen=True)
class _FocalHypotheses:
    """Ways in which the focal length may have changed along the pairs, set free in their linear ``model``."""

    observations: Observations
    model: LinearModel
    noise: RobotNoise

    def nuisance_estimate(
        self, row: int | None, moved: MovedPart | None = None, place: int = 0, *, posterior: bool = False
    ) -> NuisanceEstimate:
        """A step before ``row``, or a steady drift; beside it, ``moved`` (camera or board) from ``place`` on.

        ``posterior``: see ``estimate_nuisances``.
        """
        n = len(self.observations.A)
        profile = np.arange(n) / (n - 1) if row is None else (np.arange(n) >= row).astype(float)
        nuisances = [
            NuisanceParameter.of_view_nuisance(_FOCAL, _MAX_FOCAL_DEVIATION, self.model, FOCAL_LENGTH),
            NuisanceParameter.of_view_nuisance(_CHANGE, _MAX_FOCAL_DEVIATION, self.model, FOCAL_LENGTH, profile),
        ]
        if moved is not None:
            nuisances += change_point_nuisances(self.model, moved, place)
        return estimate_nuisances(
            self.model,
            self.observations.board_poses,
            self.observations.corner_sigma_px,
            self.noise,
            nuisances,
            posterior,
        )


def _finding(found: NuisanceEstimate, index: int | None) -> Finding:
    changes, sigmas = found.conditional_estimate(found.names)
    change, sigma = float(changes[1]), float(sigmas[1])
    when = "bit by bit from the first pair to the last" if index is None else f"before pair {index}"
    evidence = {"change": change, "change_sigma": sigma, "p_value_if_constant": found.p_value([_FOCAL])}
    return Finding(
        FindingCode.FOCUS_CHANGED,
        Severity.STOP,
        f"the lens changed {when}: its focal length by {100 * change:+.2f} % (sigma {100 * sigma:.2f} %)",
        evidence if index is None else {**evidence, "pair": float(index)},
        "switch autofocus and zoom off, lock the lens's screws, let the camera warm up; calibrate the lens at that"
        " focus and take the pairs anew.",
    )
