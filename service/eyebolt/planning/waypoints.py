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
from eyebolt.planning.candidates import MOST_TILT_RAD, Outline, apart, candidate_flanges, seen_whole, within_reach
from eyebolt.planning.information import Belief, Forecast, forecast

Kind = Literal["ruler", "turn", "spare", "check"]

RULER_M = 0.1
_RULER_SHARES = (1.0, 0.75, 0.5, 0.25)
_CANDIDATES = 600
_DOUBTS = 24
_DOUBT_SHARES = (1.0, 0.6, 0.3, 0.0)
# So many places at least must be left to choose from.
_ENOUGH_PLACES = 60
_EXCHANGES = 2
# Spare waypoints, for the case that the arm scatters more than assumed: a share of the others.
_LEAST_SPARE, _SPARE_SHARE = 2, 0.25


@dataclass(frozen=True)
class Guess:
    """How far a guess of camera and board may be off each, metres and radians."""

    off_m: float = 0.05
    off_rad: float = float(np.deg2rad(5.0))

    @property
    def off_deg(self) -> float:
        """The turn in degrees."""
        return float(np.rad2deg(self.off_rad))

    def times(self, share: float) -> Guess:
        """A better guess."""
        return Guess(self.off_m * share, self.off_rad * share)


@dataclass(frozen=True)
class PlannedWaypoint:
    """``p95_mm``: the error expected once the pair is kept (that of the whole plan for a check)."""

    kind: Kind
    base_T_flange: Array
    p95_mm: float


@dataclass(frozen=True)
class Plan:
    """``waypoints`` in order; ``met``: the tolerance is reached within ``most``; ``ruler_m``: length of its shifts.

    ``allowed``: how far off the guess may be for the whole board to stay in view at each of them.
    """

    waypoints: tuple[PlannedWaypoint, ...]
    met: bool
    ruler_m: float
    allowed: Guess


def plan_waypoints(
    belief: Belief,
    taken: Sequence[Pair],
    upright: Array | None,
    stated_mm: Callable[[int, float], float],
    tolerance_mm: float,
    fewest: int,
    most: int,
    guess: Guess | None = None,
    with_ruler: bool = True,
    reach_m: float | None = None,
) -> Plan | None:
    """The plan, or None where the board fits into the picture nowhere. The last is the first once more, as a check.

    ``stated_mm(pairs, p95)``: what will be stated with so many pairs where the pairs alone would give ``p95``.
    ``fewest`` and ``most`` count all pairs, those ``taken`` too. ``reach_m``: how far the flange may be from the base.
    """
    places = _places(belief, upright, guess, reach_m)
    if places is None:
        return None
    flanges, doubts, allowed = places
    flanges = flanges[apart(flanges, np.array([p.base_T_flange for p in belief.problem.pairs]))]
    if len(flanges) < most:
        return None
    quads, ruler_m = np.zeros((0, 4), dtype=np.intp), 0.0
    if with_ruler:
        quads, ruler_m = _rulers(belief, flanges, doubts, reach_m)
    shifted = _shifted(belief, flanges, ruler_m) if len(quads) else np.zeros((0, 4, 4))
    everything = np.concatenate([flanges, shifted])
    ahead = forecast(belief, taken, everything)
    search = _Search(ahead, len(flanges))
    ruler = search.best_ruler(quads) if len(quads) else ()
    base = ahead.known + ahead.gains[list(ruler)].sum(axis=0)
    chosen: list[int] = []
    while True:
        count = len(taken) + len(ruler) + len(chosen)
        known = base + ahead.gains[chosen].sum(axis=0)
        reached = stated_mm(count, ahead.p95_mm(known)) <= tolerance_mm
        if (reached and count >= fewest) or count >= most:
            break
        chosen.append(search.best(known, [*ruler, *chosen]))
        chosen = search.exchanged(base, chosen, ruler)
    spare: list[int] = []
    for _ in range(min(max(_LEAST_SPARE, round(_SPARE_SHARE * count)), most - count)):
        spare.append(search.best(known, [*ruler, *chosen, *spare]))
        known = known + ahead.gains[spare[-1]]
    order: list[tuple[Kind, int]] = [
        *(("ruler", place) for place in ruler),
        *(("turn", place) for place in search.ordered(base, chosen)),
        *(("spare", place) for place in spare),
    ]
    waypoints: list[PlannedWaypoint] = []
    known = ahead.known
    for number, (kind, place) in enumerate(order):
        known = known + ahead.gains[place]
        count = len(taken) + number + 1
        p95 = stated_mm(count, ahead.p95_mm(known))
        # In this order it may be enough a waypoint sooner.
        enough = waypoints and waypoints[-1].p95_mm <= tolerance_mm and count > fewest
        waypoints.append(PlannedWaypoint("spare" if enough and kind == "turn" else kind, everything[place], p95))
    if waypoints:
        waypoints.append(replace(waypoints[0], kind="check", p95_mm=waypoints[-1].p95_mm))
    return Plan(tuple(waypoints), reached, ruler_m if ruler else 0.0, allowed)


def _places(
    belief: Belief, upright: Array | None, guess: Guess | None, reach_m: float | None
) -> tuple[Array, list[Belief], Guess] | None:
    """Flanges to choose from, the beliefs under which they hold, and how far off the guess may be."""
    if guess is None:
        flanges = candidate_flanges(belief, upright, _CANDIDATES, reach_m=reach_m)
        return (flanges, [], Guess(0.0, 0.0)) if len(flanges) else None
    flanges = np.zeros((0, 4, 4))
    for share in _DOUBT_SHARES:
        allowed = guess.times(share)
        doubts = doubts_of(belief, allowed) if share else []
        flanges = candidate_flanges(belief, upright, _CANDIDATES, MOST_TILT_RAD - allowed.off_rad, doubts, reach_m)
        if len(flanges) >= _ENOUGH_PLACES:
            break
    return (flanges, doubts, allowed) if len(flanges) else None


def doubts_of(belief: Belief, guess: Guess) -> list[Belief]:
    """Beliefs with camera and board off by as much as the guess may be, in directions all round."""
    directions = standard_normal(_DOUBTS, 12).reshape(-1, 4, 3)
    directions = directions / np.linalg.norm(directions, axis=-1, keepdims=True)
    directions[:, ::2] *= guess.off_m
    directions[:, 1::2] *= guess.off_rad
    moved = se3.exp(directions.reshape(-1, 2, 6))
    middle = Outline.of(belief.problem.board_corners_m).middle_m
    # A board is guessed by its middle; turned about its corner it would be off by more than the guess says.
    centred = se3.compose_parts(np.eye(3), middle)
    return [
        replace(belief, X=belief.X @ of_X, Y=belief.Y @ centred @ of_Y @ se3.inverse(centred)) for of_X, of_Y in moved
    ]


def _rulers(
    belief: Belief, flanges: Array, doubts: Sequence[Belief], reach_m: float | None
) -> tuple[NDArray[np.intp], float]:
    """Rows (q, 4) of flanges and their shifts (see ``_shifted``) that make a ruler in view, and how long it is."""
    count = len(flanges)
    for share in _RULER_SHARES:
        ruler_m = RULER_M * share
        shifted = _shifted(belief, flanges, ruler_m)
        good = seen_whole(belief, belief.view(shifted), doubts=doubts) & within_reach(shifted, reach_m)
        good = good.reshape(count, 3, 2)
        rows = np.flatnonzero(good.any(axis=-1).all(axis=-1))
        if len(rows):
            side = good[rows].argmax(axis=-1)
            shifts = count + rows[:, None] * 6 + np.arange(3) * 2 + side
            return np.concatenate([rows[:, None], shifts], axis=1), ruler_m
    return np.zeros((0, 4), dtype=np.intp), 0.0


def _shifted(belief: Belief, flanges: Array, ruler_m: float) -> Array:
    """(6 m, 4, 4): each flange shifted either way along the camera's x, y and z, without a turn."""
    views = np.repeat(belief.view(flanges), 6, axis=0)
    steps = np.repeat(np.eye(3), 2, axis=0) * np.array([1, -1] * 3)[:, None] * ruler_m
    views[:, :3, 3] += np.tile(steps, (len(flanges), 1))
    return belief.flange(views)


@dataclass(frozen=True)
class _Search:
    """Choosing among the first ``places`` candidates of a forecast."""

    ahead: Forecast
    places: int

    def best(self, known: Array, used: Sequence[int]) -> int:
        """The place that lowers the error most beside ``known``, none of those ``used``: nowhere is gone to twice."""
        after = self.ahead.square_m2(known + self.ahead.gains[: self.places])
        after[[k for k in used if k < self.places]] = np.inf
        return int(np.argmin(after))

    def best_ruler(self, quads: NDArray[np.intp]) -> tuple[int, ...]:
        """The ruler that tells most beside a few good turns."""
        known, turns = self.ahead.known, list[int]()
        for _ in range(6):
            turns.append(self.best(known, turns))
            known = known + self.ahead.gains[turns[-1]]
        after = self.ahead.square_m2(known + self.ahead.gains[quads].sum(axis=1))
        return tuple(int(k) for k in quads[int(np.argmin(after))])

    def exchanged(self, base: Array, chosen: list[int], ruler: Sequence[int]) -> list[int]:
        """Each in turn replaced by what is best beside the others."""
        chosen = list(chosen)
        for _ in range(_EXCHANGES):
            for k in range(len(chosen)):
                others = chosen[:k] + chosen[k + 1 :]
                chosen[k] = self.best(base + self.ahead.gains[others].sum(axis=0), [*ruler, *others])
        return chosen

    def ordered(self, known: Array, chosen: list[int]) -> list[int]:
        """The most telling first: whoever stops early has the most."""
        left, order = list(chosen), []
        while left:
            after = self.ahead.square_m2(known + self.ahead.gains[left])
            order.append(left.pop(int(np.argmin(after))))
            known = known + self.ahead.gains[order[-1]]
        return order
