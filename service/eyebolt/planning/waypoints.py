"""A list of waypoints that reaches the tolerance with few stops, from a rough guess or from what a session knows.

The first four are a ruler: one view, and the same view shifted by 100 mm to the side, down and along the line of sight,
without a turn. They alone tell board scale and focal length from an error of the transform.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from eyebolt.calibration import standard_normal
from eyebolt.geometry import Array, se3
from eyebolt.observations import Pair
from eyebolt.planning.candidates import (
    MAX_TILT_RAD,
    BoardOutline,
    candidate_flanges,
    is_distinct,
    is_fully_visible,
    is_within_reach,
)
from eyebolt.planning.information import InformationForecast, SetupEstimate, forecast

Kind = Literal["translation", "rotation", "spare", "check"]

TRANSLATION_M = 0.1
_TRANSLATION_FRACTIONS = (1.0, 0.75, 0.5, 0.25)
_CANDIDATES = 600
_SCENARIOS = 24
_UNCERTAINTY_FRACTIONS = (1.0, 0.6, 0.3, 0.0)
# So many places at least must be left to choose from.
_MIN_CANDIDATES = 60
_EXCHANGES = 2
# Spare waypoints, for the case that the arm scatters more than assumed: a share of the others.
_MIN_SPARE, _SPARE_FRACTION = 2, 0.25


@dataclass(frozen=True)
class GuessUncertainty:
    """How far a guess of camera and board may be off each, metres and radians."""

    translation_m: float = 0.05
    rotation_rad: float = float(np.deg2rad(5.0))

    @property
    def rotation_deg(self) -> float:
        """The turn in degrees."""
        return float(np.rad2deg(self.rotation_rad))

    def scaled(self, share: float) -> GuessUncertainty:
        """A better guess."""
        return GuessUncertainty(self.translation_m * share, self.rotation_rad * share)


@dataclass(frozen=True)
class PlannedWaypoint:
    """``p95_mm``: the error expected once the pair is kept (that of the whole plan for a check)."""

    kind: Kind
    base_T_flange: Array
    p95_mm: float


@dataclass(frozen=True)
class Plan:
    """``waypoints`` in order; ``is_met``: the tolerance is reached within ``max_pairs``; ``translation_length_m``: length of its shifts.

    ``tolerated``: how far off the guess may be for the whole board to stay in view at each of them.
    """

    waypoints: tuple[PlannedWaypoint, ...]
    is_met: bool
    translation_length_m: float
    tolerated: GuessUncertainty


def plan_waypoints(
    setup: SetupEstimate,
    captured: Sequence[Pair],
    flange_orientation: Array | None,
    stated_mm: Callable[[int, float], float],
    tolerance_mm: float,
    min_pairs: int,
    max_pairs: int,
    guess: GuessUncertainty | None = None,
    with_translations: bool = True,
    reach_m: float | None = None,
) -> Plan | None:
    """The plan, or None where the board fits into the picture nowhere. The last is the first once more, as a check.

    ``stated_mm(pairs, p95)``: what will be stated with so many pairs where the pairs alone would give ``p95``.
    ``min_pairs`` and ``max_pairs`` count all pairs, those ``captured`` too. ``reach_m``: how far the flange may be from the base.
    """
    candidate_count = _candidates(setup, flange_orientation, guess, reach_m)
    if candidate_count is None:
        return None
    flanges, scenarios, tolerated = candidate_count
    flanges = flanges[is_distinct(flanges, np.array([p.base_T_flange for p in setup.problem.pairs]))]
    if len(flanges) < max_pairs:
        return None
    translation_sets, translation_length_m = np.zeros((0, 4), dtype=np.intp), 0.0
    if with_translations:
        translation_sets, translation_length_m = _translation_sets(setup, flanges, scenarios, reach_m)
    translated = _translated(setup, flanges, translation_length_m) if len(translation_sets) else np.zeros((0, 4, 4))
    everything = np.concatenate([flanges, translated])
    ahead = forecast(setup, captured, everything)
    search = _Search(ahead, len(flanges))
    translation_set = search.best_translation_set(translation_sets) if len(translation_sets) else ()
    base = ahead.known_information + ahead.information_gains[list(translation_set)].sum(axis=0)
    chosen: list[int] = []
    while True:
        count = len(captured) + len(translation_set) + len(chosen)
        known_information = base + ahead.information_gains[chosen].sum(axis=0)
        reached = stated_mm(count, ahead.p95_mm(known_information)) <= tolerance_mm
        if (reached and count >= min_pairs) or count >= max_pairs:
            break
        chosen.append(search.best(known_information, [*translation_set, *chosen]))
        chosen = search.exchanged(base, chosen, translation_set)
    spare: list[int] = []
    for _ in range(min(max(_MIN_SPARE, round(_SPARE_FRACTION * count)), max_pairs - count)):
        spare.append(search.best(known_information, [*translation_set, *chosen, *spare]))
        known_information = known_information + ahead.information_gains[spare[-1]]
    order: list[tuple[Kind, int]] = [
        *(("translation", place) for place in translation_set),
        *(("rotation", place) for place in search.ordered(base, chosen)),
        *(("spare", place) for place in spare),
    ]
    waypoints: list[PlannedWaypoint] = []
    known_information = ahead.known_information
    for number, (kind, place) in enumerate(order):
        known_information = known_information + ahead.information_gains[place]
        count = len(captured) + number + 1
        p95 = stated_mm(count, ahead.p95_mm(known_information))
        # In this order it may be enough a waypoint sooner.
        enough = waypoints and waypoints[-1].p95_mm <= tolerance_mm and count > min_pairs
        waypoints.append(PlannedWaypoint("spare" if enough and kind == "rotation" else kind, everything[place], p95))
    if waypoints:
        waypoints.append(replace(waypoints[0], kind="check", p95_mm=waypoints[-1].p95_mm))
    return Plan(tuple(waypoints), reached, translation_length_m if translation_set else 0.0, tolerated)


def _candidates(
    setup: SetupEstimate, flange_orientation: Array | None, guess: GuessUncertainty | None, reach_m: float | None
) -> tuple[Array, list[SetupEstimate], GuessUncertainty] | None:
    """Flanges to choose from, the beliefs under which they hold, and how far off the guess may be."""
    if guess is None:
        flanges = candidate_flanges(setup, flange_orientation, _CANDIDATES, reach_m=reach_m)
        return (flanges, [], GuessUncertainty(0.0, 0.0)) if len(flanges) else None
    flanges = np.zeros((0, 4, 4))
    for share in _UNCERTAINTY_FRACTIONS:
        tolerated = guess.scaled(share)
        scenarios = perturbed_setups(setup, tolerated) if share else []
        flanges = candidate_flanges(
            setup, flange_orientation, _CANDIDATES, MAX_TILT_RAD - tolerated.rotation_rad, scenarios, reach_m
        )
        if len(flanges) >= _MIN_CANDIDATES:
            break
    return (flanges, scenarios, tolerated) if len(flanges) else None


def perturbed_setups(setup: SetupEstimate, guess: GuessUncertainty) -> list[SetupEstimate]:
    """Beliefs with camera and board off by as much as the guess may be, in directions all round."""
    directions = standard_normal(_SCENARIOS, 12).reshape(-1, 4, 3)
    directions = directions / np.linalg.norm(directions, axis=-1, keepdims=True)
    directions[:, ::2] *= guess.translation_m
    directions[:, 1::2] *= guess.rotation_rad
    moved = se3.exp(directions.reshape(-1, 2, 6))
    middle = BoardOutline.of(setup.problem.board_corners_m).centre_m
    # A board is guessed by its middle; turned about its corner it would be off by more than the guess says.
    centred = se3.compose_parts(np.eye(3), middle)
    return [replace(setup, X=setup.X @ of_X, Y=setup.Y @ centred @ of_Y @ se3.inverse(centred)) for of_X, of_Y in moved]


def _translation_sets(
    setup: SetupEstimate, flanges: Array, scenarios: Sequence[SetupEstimate], reach_m: float | None
) -> tuple[NDArray[np.intp], float]:
    """Rows (q, 4) of flanges and their shifts (see ``_translated``) that make a ruler in view, and how long it is."""
    count = len(flanges)
    for share in _TRANSLATION_FRACTIONS:
        translation_length_m = TRANSLATION_M * share
        translated = _translated(setup, flanges, translation_length_m)
        good = is_fully_visible(setup, setup.predict_view(translated), scenarios=scenarios) & is_within_reach(
            translated, reach_m
        )
        good = good.reshape(count, 3, 2)
        rows = np.flatnonzero(good.any(axis=-1).all(axis=-1))
        if len(rows):
            side = good[rows].argmax(axis=-1)
            shifts = count + rows[:, None] * 6 + np.arange(3) * 2 + side
            return np.concatenate([rows[:, None], shifts], axis=1), translation_length_m
    return np.zeros((0, 4), dtype=np.intp), 0.0


def _translated(setup: SetupEstimate, flanges: Array, translation_length_m: float) -> Array:
    """(6 m, 4, 4): each flange shifted either way along the camera's x, y and z, without a turn."""
    views = np.repeat(setup.predict_view(flanges), 6, axis=0)
    steps = np.repeat(np.eye(3), 2, axis=0) * np.array([1, -1] * 3)[:, None] * translation_length_m
    views[:, :3, 3] += np.tile(steps, (len(flanges), 1))
    return setup.flange(views)


@dataclass(frozen=True)
class _Search:
    """Choosing among the first ``candidate_count`` candidates of a forecast."""

    ahead: InformationForecast
    candidate_count: int

    def best(self, known_information: Array, used: Sequence[int]) -> int:
        """The place that lowers the error most beside ``known_information``, none of those ``used``: nowhere is gone to twice."""
        after = self.ahead.mean_square_m2(known_information + self.ahead.information_gains[: self.candidate_count])
        after[[k for k in used if k < self.candidate_count]] = np.inf
        return int(np.argmin(after))

    def best_translation_set(self, translation_sets: NDArray[np.intp]) -> tuple[int, ...]:
        """The ruler that tells most beside a few good turns."""
        known_information, turns = self.ahead.known_information, list[int]()
        for _ in range(6):
            turns.append(self.best(known_information, turns))
            known_information = known_information + self.ahead.information_gains[turns[-1]]
        after = self.ahead.mean_square_m2(
            known_information + self.ahead.information_gains[translation_sets].sum(axis=1)
        )
        return tuple(int(k) for k in translation_sets[int(np.argmin(after))])

    def exchanged(self, base: Array, chosen: list[int], translation_set: Sequence[int]) -> list[int]:
        """Each in turn replaced by what is best beside the others."""
        chosen = list(chosen)
        for _ in range(_EXCHANGES):
            for k in range(len(chosen)):
                others = chosen[:k] + chosen[k + 1 :]
                chosen[k] = self.best(
                    base + self.ahead.information_gains[others].sum(axis=0), [*translation_set, *others]
                )
        return chosen

    def ordered(self, known_information: Array, chosen: list[int]) -> list[int]:
        """The most telling first: whoever stops early has the most."""
        left, order = list(chosen), []
        while left:
            after = self.ahead.mean_square_m2(known_information + self.ahead.information_gains[left])
            order.append(left.pop(int(np.argmin(after))))
            known_information = known_information + self.ahead.information_gains[order[-1]]
        return order
