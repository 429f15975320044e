"""A list of waypoints that reaches the tolerance with few stops, from a rough guess or from a session so far.

The first four are pure translations: one view, and the same view shifted by 100 mm along the camera's x, y and z
without rotation. Only they separate board scale and focal length from an error of the transform.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from eyebolt.calibration import standard_normal
from eyebolt.geometry import Array, se3
from eyebolt.observations import Pair
from eyebolt.planning.candidates import (
    MAX_TILT_RAD,
    BoardOutline,
    FlangeLimits,
    candidate_flanges,
    is_distinct,
    is_fully_visible,
    vertical_flange_orientation,
)
from eyebolt.planning.information import InformationForecast, SetupEstimate, forecast
from eyebolt.planning.stopping import Goal, arm_p95_upper_mm, p95_upper_of_pick_mm, predicted_p95_upper_mm

TRANSLATION_M = 0.1
# Shorter translations where the full length does not fit into the view.
_TRANSLATION_FRACTIONS = (1.0, 0.75, 0.5, 0.25)
_CANDIDATES = 600
_SCENARIOS = 24
# Parts of the guess's uncertainty that are tried until enough candidates are left.
_UNCERTAINTY_FRACTIONS = (1.0, 0.6, 0.3, 0.0)
_MIN_CANDIDATES = 60
# Passes over the chosen views in which each is exchanged for a better one (Fedorov's exchange algorithm, 1972).
_EXCHANGES = 2
# Rotation views with which the translation sets are compared.
_COMPARISON_VIEWS = 6
# Spare waypoints, in case the noise of the arm is larger than assumed: a fraction of the others.
_MIN_SPARE, _SPARE_FRACTION = 2, 0.25


class WaypointKind(StrEnum):
    """What a planned waypoint is for."""

    TRANSLATION = "translation"
    """One of the four views that differ by translations only."""
    ROTATION = "rotation"
    """A view chosen for its information; needed for the tolerance."""
    SPARE = "spare"
    """A view to be taken only if pairs are still wanted."""
    CHECK = "check"
    """The first waypoint once more, as a check of the result."""


@dataclass(frozen=True)
class GuessUncertainty:
    """Largest error of a guessed pose of the camera and of the board, each."""

    translation_m: float = 0.05
    """Metres: what a guess with a tape measure is good for."""
    rotation_rad: float = float(np.deg2rad(5.0))
    """Radians: what a guess by eye is good for."""

    @property
    def rotation_deg(self) -> float:
        """Degrees."""
        return float(np.rad2deg(self.rotation_rad))

    def scaled(self, factor: float) -> GuessUncertainty:
        """``factor`` times this uncertainty."""
        return GuessUncertainty(self.translation_m * factor, self.rotation_rad * factor)


@dataclass(frozen=True)
class PlannedWaypoint:
    """One waypoint of a plan."""

    kind: WaypointKind
    """What it is for."""
    base_T_flange: Array
    """(4, 4), metres: the flange pose."""
    p95_upper_mm: float
    """Predicted upper confidence bound of the p95 once this pair is kept, millimetres; for a check, that of the whole
    plan."""


@dataclass(frozen=True)
class Plan:
    """A list of waypoints."""

    waypoints: tuple[PlannedWaypoint, ...]
    """The waypoints, in the order in which they are taken."""
    is_met: bool
    """Whether the tolerance is expected to be reached within the goal's ``max_pairs``."""
    translation_length_m: float
    """Length of the translations of the first four, metres; 0 if there are none."""
    tolerated: GuessUncertainty
    """Error of the guess up to which the whole board stays in view at every waypoint."""


def plan_waypoints(
    setup: SetupEstimate,
    captured: Sequence[Pair],
    goal: Goal,
    noise_prior_dof: float,
    guess: GuessUncertainty | None = None,
    with_translations: bool = True,
    reach_m: float | None = None,
    known_flanges: Sequence[Array] = (),
    arm_p95_mm: float = 0.0,
) -> Plan | None:
    """The plan that reaches ``goal``, or None if the whole board fits into the image nowhere.

    ``captured``: pairs of the session so far, which count towards the goal. ``noise_prior_dof``: degrees of freedom of
    the stated noise of the arm, 0 for none. ``guess``: uncertainty of ``setup`` where it is a guess. ``reach_m``:
    largest distance of the flange from the base, metres. ``known_flanges``: poses (4, 4) beside those of the pairs that
    the arm is known to reach; a vertical arm stays near the known ones. ``arm_p95_mm``: p95 of the arm's own error at a
    pick, for a goal that is about picks. The last waypoint is the first once more, as a check.
    """
    known = [*known_flanges, *(pair.base_T_flange for pair in setup.problem.pairs)]
    limits = FlangeLimits.of(setup.problem.flange_rotation, np.array(known).reshape(-1, 4, 4), reach_m)
    found = _candidates(setup, vertical_flange_orientation(setup), guess, limits)
    if found is None:
        return None
    flanges, scenarios, tolerated = found
    tolerance_mm, min_pairs, max_pairs = goal.tolerance_mm, goal.min_pairs, goal.max_pairs
    flanges = flanges[is_distinct(flanges, np.array([p.base_T_flange for p in setup.problem.pairs]))]
    if len(flanges) < max_pairs:
        return None
    translation_sets, translation_length_m = np.zeros((0, 4), dtype=np.intp), 0.0
    if with_translations:
        translation_sets, translation_length_m = _translation_sets(setup, flanges, scenarios, limits)
    translated = _translated(setup, flanges, translation_length_m) if len(translation_sets) else np.zeros((0, 4, 4))
    everything = np.concatenate([flanges, translated])
    ahead = forecast(setup, captured, everything)

    def predicted_mm(pairs: int, information: Array) -> float:
        """The bound of the p95 at ``pairs`` pairs with this ``information`` about the transform."""
        of_transform_mm = predicted_p95_upper_mm(pairs, ahead.p95_upper_mm(information), noise_prior_dof)
        return p95_upper_of_pick_mm(of_transform_mm, arm_p95_upper_mm(pairs, arm_p95_mm, noise_prior_dof))

    search = _Search(ahead, len(flanges))
    translation_set = search.best_translation_set(translation_sets) if len(translation_sets) else ()
    base = ahead.known_information + ahead.information_gains[list(translation_set)].sum(axis=0)
    chosen: list[int] = []
    while True:
        count = len(captured) + len(translation_set) + len(chosen)
        known_information = base + ahead.information_gains[chosen].sum(axis=0)
        reached = predicted_mm(count, known_information) <= tolerance_mm
        if (reached and count >= min_pairs) or count >= max_pairs:
            break
        chosen.append(search.best(known_information, [*translation_set, *chosen]))
        chosen = search.exchanged(base, chosen, translation_set)
    spare: list[int] = []
    for _ in range(min(max(_MIN_SPARE, round(_SPARE_FRACTION * count)), max_pairs - count)):
        spare.append(search.best(known_information, [*translation_set, *chosen, *spare]))
        known_information = known_information + ahead.information_gains[spare[-1]]
    order = [
        *((WaypointKind.TRANSLATION, row) for row in translation_set),
        *((WaypointKind.ROTATION, row) for row in search.ordered(base, chosen)),
        *((WaypointKind.SPARE, row) for row in spare),
    ]
    waypoints: list[PlannedWaypoint] = []
    known_information = ahead.known_information
    for number, (kind, row) in enumerate(order):
        known_information = known_information + ahead.information_gains[row]
        count = len(captured) + number + 1
        p95_upper_mm = predicted_mm(count, known_information)
        # In this order the tolerance may be reached a waypoint sooner than in the order of the search.
        if (
            kind is WaypointKind.ROTATION
            and waypoints
            and waypoints[-1].p95_upper_mm <= tolerance_mm
            and count > min_pairs
        ):
            kind = WaypointKind.SPARE
        waypoints.append(PlannedWaypoint(kind, everything[row], p95_upper_mm))
    if waypoints:
        waypoints.append(replace(waypoints[0], kind=WaypointKind.CHECK, p95_upper_mm=waypoints[-1].p95_upper_mm))
    return Plan(tuple(waypoints), reached, translation_length_m if translation_set else 0.0, tolerated)


def _candidates(
    setup: SetupEstimate, flange_orientation: Array | None, guess: GuessUncertainty | None, limits: FlangeLimits
) -> tuple[Array, list[SetupEstimate], GuessUncertainty] | None:
    """Candidate flange poses (m, 4, 4), the perturbed setups under which they hold, and the tolerated error.

    None if there is no candidate.
    """
    if guess is None:
        flanges = candidate_flanges(setup, flange_orientation, _CANDIDATES, limits=limits)
        return (flanges, [], GuessUncertainty(0.0, 0.0)) if len(flanges) else None
    flanges = np.zeros((0, 4, 4))
    for fraction in _UNCERTAINTY_FRACTIONS:
        tolerated = guess.scaled(fraction)
        scenarios = perturbed_setups(setup, tolerated) if fraction else []
        flanges = candidate_flanges(
            setup, flange_orientation, _CANDIDATES, MAX_TILT_RAD - tolerated.rotation_rad, scenarios, limits
        )
        if len(flanges) >= _MIN_CANDIDATES:
            break
    return (flanges, scenarios, tolerated) if len(flanges) else None


def perturbed_setups(setup: SetupEstimate, guess: GuessUncertainty) -> list[SetupEstimate]:
    """Setups with camera and board displaced by the full uncertainty of the guess, in 24 directions."""
    directions = standard_normal(_SCENARIOS, 12).reshape(-1, 4, 3)
    directions = directions / np.linalg.norm(directions, axis=-1, keepdims=True)
    directions[:, ::2] *= guess.translation_m
    directions[:, 1::2] *= guess.rotation_rad
    moved = se3.exp(directions.reshape(-1, 2, 6))
    middle = BoardOutline.of(setup.problem.board_corners_m).centre_m
    # The guess is of the board's centre; a rotation about the board's origin would displace the centre as well.
    centred = se3.compose_parts(np.eye(3), middle)
    return [replace(setup, X=setup.X @ of_X, Y=setup.Y @ centred @ of_Y @ se3.inverse(centred)) for of_X, of_Y in moved]


def _translation_sets(
    setup: SetupEstimate, flanges: Array, scenarios: Sequence[SetupEstimate], limits: FlangeLimits
) -> tuple[NDArray[np.intp], float]:
    """Rows (q, 4) of a flange and three translations of it that all stay in view, and their length in metres.

    Rows count the flanges first, then the translated poses of ``_translated``.
    """
    count = len(flanges)
    for fraction in _TRANSLATION_FRACTIONS:
        translation_length_m = TRANSLATION_M * fraction
        translated = _translated(setup, flanges, translation_length_m)
        good = is_fully_visible(setup, setup.predict_view(translated), scenarios=scenarios) & limits.allow(translated)
        good = good.reshape(count, 3, 2)
        rows = np.flatnonzero(good.any(axis=-1).all(axis=-1))
        if len(rows):
            side = good[rows].argmax(axis=-1)
            shifts = count + rows[:, None] * 6 + np.arange(3) * 2 + side
            return np.concatenate([rows[:, None], shifts], axis=1), translation_length_m
    return np.zeros((0, 4), dtype=np.intp), 0.0


def _translated(setup: SetupEstimate, flanges: Array, translation_length_m: float) -> Array:
    """(6 m, 4, 4): each flange pose translated in both senses along the camera's x, y and z."""
    views = np.repeat(setup.predict_view(flanges), 6, axis=0)
    steps = np.repeat(np.eye(3), 2, axis=0) * np.array([1, -1] * 3)[:, None] * translation_length_m
    views[:, :3, 3] += np.tile(steps, (len(flanges), 1))
    return setup.flange(views)


@dataclass(frozen=True)
class _Search:
    """Greedy choice and exchange among the candidates of a forecast."""

    ahead: InformationForecast
    """The forecast."""
    candidate_count: int
    """The candidates to choose from are the first ones of the forecast."""

    def best(self, known_information: Array, used: Sequence[int]) -> int:
        """The row, not among ``used``, that reduces the error most when added to ``known_information``."""
        after = self.ahead.mean_square_m2(known_information + self.ahead.information_gains[: self.candidate_count])
        after[[k for k in used if k < self.candidate_count]] = np.inf
        return int(np.argmin(after))

    def best_translation_set(self, translation_sets: NDArray[np.intp]) -> tuple[int, ...]:
        """The translation set that reduces the error most in addition to a few good rotation views."""
        known_information, rotations = self.ahead.known_information, list[int]()
        for _ in range(_COMPARISON_VIEWS):
            rotations.append(self.best(known_information, rotations))
            known_information = known_information + self.ahead.information_gains[rotations[-1]]
        after = self.ahead.mean_square_m2(
            known_information + self.ahead.information_gains[translation_sets].sum(axis=1)
        )
        return tuple(int(k) for k in translation_sets[int(np.argmin(after))])

    def exchanged(self, base: Array, chosen: list[int], translation_set: Sequence[int]) -> list[int]:
        """``chosen`` with each row replaced in turn by the best one in addition to the others."""
        chosen = list(chosen)
        for _ in range(_EXCHANGES):
            before = list(chosen)
            for k in range(len(chosen)):
                others = chosen[:k] + chosen[k + 1 :]
                chosen[k] = self.best(
                    base + self.ahead.information_gains[others].sum(axis=0), [*translation_set, *others]
                )
            if chosen == before:
                break
        return chosen

    def ordered(self, known_information: Array, chosen: list[int]) -> list[int]:
        """``chosen`` in the order in which each reduces the error most, so that an early stop loses least."""
        left, order = list(chosen), []
        while left:
            after = self.ahead.mean_square_m2(known_information + self.ahead.information_gains[left])
            order.append(left.pop(int(np.argmin(after))))
            known_information = known_information + self.ahead.information_gains[order[-1]]
        return order
