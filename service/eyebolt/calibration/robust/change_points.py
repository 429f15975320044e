"""Something that moved half-way: the board in its holder or the camera on its stand, found from the pairs' order.

From one pair on, all later ones see the same change of Y (the board slipped) or of X (the camera was knocked). Such a
change is tested between every two pairs; together the later pairs show far less than each of them alone would. Only the
order of capture is used, no clock.

A gross change half-way in a short session: the pairs before or after it were left out, but agree among themselves.

Where ``slips`` has pairs enough it finds such changes itself, by their likelihood.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from eyebolt.calibration.estimation import (
    COLUMNS,
    GOOD_M,
    JointEstimate,
    LinearModel,
    Start,
    Views,
    What,
    best_start,
    chance_of_ratio,
    chance_of_squares,
    fit_linear,
    most_likely_noise,
    variance_of,
)
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.problem import Mount, Problem
from eyebolt.geometry import Array, se3

# Chance that a clean set shows a change anywhere.
_FALSE_ALARM = 1e-3
# One pair alone on its side is a stranger, not a change.
_FEWEST_ON_A_SIDE = 2
# Two on one side and what a side needs to be solved on the other.
_FEWEST_PAIRS = 5
# The whole covariance of the offsets is needed; more pairs would only cost time.
_MOST_PAIRS = 150
# Every pair must be at least this probable once the change is granted; a few that are not may be strangers beside it.
_ORDINARY = 1e-4
_MOST_ODD = 0.2
_ROUNDS = 2
# As probable as this a change is not worth a second look.
_NOTHING = 0.1
# Farther than this nothing slips; then it was somebody on the controller. Common practice, no source.
_MOST_SLIP_M, _MOST_SLIP_RAD = 0.02, float(np.deg2rad(5.0))


@dataclass(frozen=True)
class Slip:
    """``what`` moved before row ``at`` of the pairs given, by ``change`` (6,) = (translation m, rotation rad).

    Perturbed on the right of Y (board) or X (camera). ``chance``: that a clean set would look like this. ``odd``: rows
    that stay odd with the change granted; then it is only a suspicion, to be tested again without them.
    """

    what: What
    at: int
    change: Array
    chance: float
    odd: tuple[int, ...] = ()

    @property
    def shift_m(self) -> float:
        """How far it moved."""
        return float(np.linalg.norm(self.change[:3]))

    @property
    def turn_rad(self) -> float:
        """How far it turned."""
        return float(np.linalg.norm(self.change[3:]))


@dataclass(frozen=True)
class Parting:
    """A slip among all rows: the first row after it, and whether the rows used are those before it."""

    slip: Slip
    row: int
    kept_before: bool

    def other_part(self, count: int) -> NDArray[np.bool_]:
        """Which of ``count`` rows lie on the side that is not used."""
        out: NDArray[np.bool_] = (np.arange(count) >= self.row) == self.kept_before
        return out


@dataclass(frozen=True)
class _Change:
    """The best change for given variances: how much it lowers the squares, and each pair's squares that are left."""

    what: What
    at: int
    change: Array
    gain: float
    squared: Array


def find_slip(joint: JointEstimate, variances: Array, noise_known: bool) -> Slip | None:
    """The one change that explains the pairs of ``joint``, in their order, far better than chance; None without.

    With rows in ``odd`` it explains all but those.

    ``variances`` (6,) of the arm. With ``noise_known`` False only their ratio matters, and that is found anew.
    """
    model = joint.model
    n = len(model.offset)
    if not _FEWEST_PAIRS <= n <= _MOST_PAIRS:
        return None
    best = _best_change(model, joint.corner_px, variances)
    # Two variances were judged, each from its own half of the numbers.
    freedom = 3 * n - model.free.shape[1] // 2 - 3
    # Where the noise is judged from the pairs, a change has swollen it: judge it again with the change granted, unless
    # it is nothing out of the way. However swollen, gain and rest stay in proportion.
    for _ in range(0 if noise_known or _chance(model, best, freedom) > _NOTHING else _ROUNDS):
        granted = _with_change(model, best.what, best.at)
        variances = variance_of(most_likely_noise(granted, joint.corner_px, joint.noise.best)[0])
        best = _best_change(model, joint.corner_px, variances)
    tried = 2 * (n - 2 * _FEWEST_ON_A_SIDE + 1)
    chance = _chance(model, best, freedom)
    of_each = chance_of_ratio(6, freedom, best.squared / 6)
    if noise_known:
        chance, of_each = max(chance, float(chance_of_squares(6, best.gain))), chance_of_squares(6, best.squared)
    odd = np.flatnonzero(of_each < _ORDINARY)
    # Many pairs that stay odd with the change granted: then it is strangers, and no common change.
    if tried * chance > _FALSE_ALARM or len(odd) > _MOST_ODD * n:
        return None
    return Slip(best.what, best.at, best.change, tried * chance, tuple(int(row) for row in odd))


def borne_out(slip: Slip | None, without: int, of: int) -> bool:
    """Whether a slip that was found once ``without`` of ``of`` rows were left out is more than one could pick so."""
    return slip is not None and not slip.odd and math.comb(of, without) * slip.chance <= _FALSE_ALARM


def _chance(model: LinearModel, best: _Change, freedom: int) -> float:
    """That a clean set gains as much from a change at one given place."""
    scatter = float(best.squared.sum()) / (model.offset.size - model.free.shape[1] - 6)
    return float(chance_of_ratio(6, freedom, best.gain / 6 / scatter))


def _with_change(model: LinearModel, what: What, at: int) -> LinearModel:
    """The model with the change carried along as six more nuisances of which nothing is known beforehand."""
    moved = np.where((np.arange(len(model.offset)) >= at)[:, None, None], model.by_transforms[..., COLUMNS[what]], 0.0)
    return replace(
        model,
        by_nuisance=np.concatenate([model.by_nuisance, moved], axis=-1),
        nuisance_information=np.pad(model.nuisance_information, (0, 6)),
        nuisance_gradient=np.pad(model.nuisance_gradient, (0, 6)),
        nuisance_sigma=np.concatenate([model.nuisance_sigma, np.full(6, np.inf)]),
    )


def _best_change(model: LinearModel, corner_px: float, variances: Array) -> _Change:
    fits = fit_linear(model, corner_px, variances[None])
    n = len(model.offset)
    weight, weighted = fits.weight[0], fits.weighted_design[0]
    pull = (weight @ fits.left[0][..., None])[..., 0]
    tried: list[tuple[float, What, int, Array]] = []
    for what, columns in COLUMNS.items():
        by_change = model.by_transforms[..., columns]
        # Sums over the pairs from each place on, by running sums from the end.
        right = _from_the_end(np.einsum("nij,ni->nj", by_change, pull))
        own = _from_the_end(np.einsum("nia,nij,njb->nab", by_change, weight, by_change))
        cross = _from_the_end(np.einsum("nia,nir->nar", by_change, weighted))
        information = own - cross @ fits.covariance[0] @ np.swapaxes(cross, -1, -2)
        for at in range(_FEWEST_ON_A_SIDE, n - _FEWEST_ON_A_SIDE + 1):
            scale = 1 / np.sqrt(np.maximum(np.diagonal(information[at]), 1e-300))
            scaled = information[at] * scale[:, None] * scale
            change = scale * np.linalg.lstsq(scaled, scale * right[at], rcond=1e-9)[0]
            tried.append((float(change @ right[at]), what, at, change))
    gain, what, at, change = max(tried, key=lambda one: one[0])
    moved = np.where((np.arange(n) >= at)[:, None], model.by_transforms[..., COLUMNS[what]] @ change, 0.0)
    z = fits.covariance[0] @ np.einsum("nir,ni->r", weighted, model.offset - moved)
    left = model.offset - moved - fits.design @ z
    return _Change(what, at, change, gain, np.einsum("ni,nij,nj->n", left, weight, left))


def _from_the_end(parts: Array) -> Array:
    out: Array = np.cumsum(parts[::-1], axis=0)[::-1]
    return out


def findings_on_slips(mount: Mount, partings: Sequence[Parting], indices: Sequence[int]) -> tuple[Finding, ...]:
    """What moved, when and how far; ``indices``: capture index of each row.

    A camera that moved after the pairs that were used makes the result one of a camera that is no longer there;
    everything else leaves it right.
    """
    return tuple(finding_on_slip(mount, p.slip, indices[p.row], p.kept_before) for p in partings)


def finding_on_slip(mount: Mount, slip: Slip, index: int, kept_before: bool) -> Finding:
    """What the slip before capture ``index`` is called, and what to do about it."""
    evidence = {
        "pair": float(index),
        "mm": slip.shift_m * 1e3,
        "deg": float(np.rad2deg(slip.turn_rad)),
        "chance": slip.chance,
    }
    if slip.shift_m > _MOST_SLIP_M or slip.turn_rad > _MOST_SLIP_RAD:
        return _changed_on_the_controller(mount, slip, index, evidence)
    says = (
        f"the {slip.what} moved before pair {index}, by {evidence['mm']:.2f} mm and {evidence['deg']:.2f} deg: the"
        f" pairs {'before' if kept_before else 'from there on'} were used, the others left out"
    )
    if slip.what == "camera" and kept_before:
        return Finding("camera-moved", "stop", says, evidence, "fasten the camera and take the pairs anew.")
    remedy = "fasten the board before the next session." if slip.what == "board" else "fasten the camera."
    return Finding(f"{slip.what}-moved", "warn", says, evidence, remedy)


def _changed_on_the_controller(mount: Mount, slip: Slip, index: int, evidence: dict[str, float]) -> Finding:
    """The same data as a slip, but farther than holders give way. Which part has the right poses, no pair tells."""
    # What is on the flange's side of the pose: the board if the camera is fixed, else the camera.
    tool = (slip.what == "board") == (mount == "fixed")
    name, other = ("tool", "world or user frame") if tool else ("frame", "tool")
    says = (
        f"from pair {index} on the poses are those of another {'tool' if tool else 'user frame'}, or the {slip.what}"
        f" was moved: by {evidence['mm']:.0f} mm and {evidence['deg']:.1f} deg (the {other} did not change)"
    )
    remedy = (
        f"on the controller select {'the flange (tool 0)' if tool else 'the base frame'} for the whole session, in the"
        " robot program, and take the pairs anew."
    )
    return Finding(f"{name}-changed", "stop", says, evidence, remedy)


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
        "camera": se3.inverse(start.X) @ A @ start.Y @ se3.inverse(P),
        "board": se3.inverse(start.Y) @ se3.inverse(A) @ start.X @ P,
    }
    apart = {what: _apart(change) for what, change in changes.items()}
    what: What = "camera" if apart["camera"][0] < apart["board"][0] else "board"
    other: What = "board" if what == "camera" else "camera"
    shift_m, turn_rad = apart[what]
    if shift_m > _ALIKE_M or turn_rad > _ALIKE_RAD or apart[other][0] < _BETTER * shift_m:
        return None
    change = se3.log(changes[what])
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
    twists = se3.log(se3.inverse(changes[0]) @ changes[1:])
    return float(np.linalg.norm(twists[:, :3], axis=1).max()), float(np.linalg.norm(twists[:, 3:], axis=1).max())
