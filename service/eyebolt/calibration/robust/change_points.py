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
    PLAUSIBLE_RESIDUAL_M,
    TRANSFORM_COLUMNS,
    InitialEstimate,
    JointEstimate,
    LinearModel,
    MovedPart,
    Observations,
    best_initial_estimate,
    chi2_sf,
    f_sf,
    fit_linear,
    reml_noise,
    variance_of,
)
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.problem import Problem
from eyebolt.geometry import Array, Mount, se3

# Chance that a clean set shows a change anywhere.
_FALSE_ALARM_RATE = 1e-3
# One pair alone on its side is a stranger, not a change.
_MIN_PAIRS_PER_SEGMENT = 2
# Two on one side and what a side needs to be solved on the other.
_MIN_PAIRS = 5
# The whole covariance of the offsets is needed; more pairs would only cost time.
_MAX_PAIRS = 150
# Every pair must be at least this probable once the change is granted; a few that are not may be strangers beside it.
_MIN_P_VALUE = 1e-4
_MAX_OUTLIER_FRACTION = 0.2
_MAX_ROUNDS = 2
# As probable as this a change is not worth a second look.
_INSIGNIFICANT_P = 0.1
# Farther than this nothing slips; then it was somebody on the controller. Common practice, no source.
_MAX_SLIP_M, _MAX_SLIP_RAD = 0.02, float(np.deg2rad(5.0))


@dataclass(frozen=True)
class StepChange:
    """``moved_part`` moved before row ``at`` of the pairs given, by ``change`` (6,) = (translation m, rotation rad).

    Perturbed on the right of Y (board) or X (camera). ``p_value``: that a clean set would look like this. ``outliers``: rows
    that stay odd with the change granted; then it is only a suspicion, to be tested again without them.
    """

    moved_part: MovedPart
    at: int
    change: Array
    p_value: float
    outliers: tuple[int, ...] = ()

    @property
    def translation_m(self) -> float:
        """How far it moved."""
        return float(np.linalg.norm(self.change[:3]))

    @property
    def rotation_rad(self) -> float:
        """How far it turned."""
        return float(np.linalg.norm(self.change[3:]))


@dataclass(frozen=True)
class ChangePoint:
    """A slip among all rows: the first row after it, and whether the rows used are those before it."""

    step_change: StepChange
    row: int
    kept_before: bool

    def excluded_rows(self, count: int) -> NDArray[np.bool_]:
        """Which of ``count`` rows lie on the side that is not used."""
        out: NDArray[np.bool_] = (np.arange(count) >= self.row) == self.kept_before
        return out


@dataclass(frozen=True)
class _Candidate:
    """The best change for given variances: how much it lowers the squares, and each pair's squares that are left."""

    moved_part: MovedPart
    at: int
    change: Array
    gain: float
    mahalanobis_sq: Array


def find_step_change(joint: JointEstimate, variances: Array, noise_known: bool) -> StepChange | None:
    """The one change that explains the pairs of ``joint``, in their order, far better than chance; None without.

    With rows in ``outliers`` it explains all but those.

    ``variances`` (6,) of the arm. With ``noise_known`` False only their ratio matters, and that is found anew.
    """
    model = joint.model
    n = len(model.offset)
    if not _MIN_PAIRS <= n <= _MAX_PAIRS:
        return None
    best = _best_change(model, joint.corner_sigma_px, variances)
    # Two variances were judged, each from its own half of the numbers.
    dof = 3 * n - model.observable_basis.shape[1] // 2 - 3
    # Where the noise is judged from the pairs, a change has swollen it: judge it again with the change granted, unless
    # it is nothing out of the way. However swollen, gain and rest stay in proportion.
    for _ in range(0 if noise_known or _p_value(model, best, dof) > _INSIGNIFICANT_P else _MAX_ROUNDS):
        extended = _with_change(model, best.moved_part, best.at)
        variances = variance_of(reml_noise(extended, joint.corner_sigma_px, joint.noise.best)[0])
        best = _best_change(model, joint.corner_sigma_px, variances)
    candidates = 2 * (n - 2 * _MIN_PAIRS_PER_SEGMENT + 1)
    p_value = _p_value(model, best, dof)
    p_values_of_pairs = f_sf(6, dof, best.mahalanobis_sq / 6)
    if noise_known:
        p_value, p_values_of_pairs = max(p_value, float(chi2_sf(6, best.gain))), chi2_sf(6, best.mahalanobis_sq)
    outliers = np.flatnonzero(p_values_of_pairs < _MIN_P_VALUE)
    # Many pairs that stay odd with the change granted: then it is strangers, and no common change.
    if candidates * p_value > _FALSE_ALARM_RATE or len(outliers) > _MAX_OUTLIER_FRACTION * n:
        return None
    return StepChange(best.moved_part, best.at, best.change, candidates * p_value, tuple(int(row) for row in outliers))


def is_confirmed(step_change: StepChange | None, without: int, of: int) -> bool:
    """Whether a slip that was found once ``without`` of ``of`` rows were left out is more than one could pick so."""
    return (
        step_change is not None
        and not step_change.outliers
        and math.comb(of, without) * step_change.p_value <= _FALSE_ALARM_RATE
    )


def _p_value(model: LinearModel, best: _Candidate, dof: int) -> float:
    """That a clean set gains as much from a change at one given place."""
    scatter = float(best.mahalanobis_sq.sum()) / (model.offset.size - model.observable_basis.shape[1] - 6)
    return float(f_sf(6, dof, best.gain / 6 / scatter))


def _with_change(model: LinearModel, moved_part: MovedPart, at: int) -> LinearModel:
    """The model with the change carried along as six more nuisances of which nothing is known beforehand."""
    moved = np.where(
        (np.arange(len(model.offset)) >= at)[:, None, None],
        model.transform_jacobian[..., TRANSFORM_COLUMNS[moved_part]],
        0.0,
    )
    return replace(
        model,
        nuisance_jacobian=np.concatenate([model.nuisance_jacobian, moved], axis=-1),
        nuisance_information=np.pad(model.nuisance_information, (0, 6)),
        nuisance_gradient=np.pad(model.nuisance_gradient, (0, 6)),
        nuisance_sigma=np.concatenate([model.nuisance_sigma, np.full(6, np.inf)]),
    )


def _best_change(model: LinearModel, corner_sigma_px: float, variances: Array) -> _Candidate:
    fits = fit_linear(model, corner_sigma_px, variances[None])
    n = len(model.offset)
    weight, weighted = fits.weight[0], fits.weighted_design[0]
    weighted_residual = (weight @ fits.residual[0][..., None])[..., 0]
    candidates: list[tuple[float, MovedPart, int, Array]] = []
    for moved_part, columns in TRANSFORM_COLUMNS.items():
        by_change = model.transform_jacobian[..., columns]
        # Sums over the pairs from each place on, by running sums from the end.
        right = _reversed_cumsum(np.einsum("nij,ni->nj", by_change, weighted_residual))
        direct = _reversed_cumsum(np.einsum("nia,nij,njb->nab", by_change, weight, by_change))
        coupling = _reversed_cumsum(np.einsum("nia,nir->nar", by_change, weighted))
        information = direct - coupling @ fits.covariance[0] @ np.swapaxes(coupling, -1, -2)
        for at in range(_MIN_PAIRS_PER_SEGMENT, n - _MIN_PAIRS_PER_SEGMENT + 1):
            scale = 1 / np.sqrt(np.maximum(np.diagonal(information[at]), 1e-300))
            scaled = information[at] * scale[:, None] * scale
            change = scale * np.linalg.lstsq(scaled, scale * right[at], rcond=1e-9)[0]
            candidates.append((float(change @ right[at]), moved_part, at, change))
    gain, moved_part, at, change = max(candidates, key=lambda one: one[0])
    moved = np.where(
        (np.arange(n) >= at)[:, None], model.transform_jacobian[..., TRANSFORM_COLUMNS[moved_part]] @ change, 0.0
    )
    z = fits.covariance[0] @ np.einsum("nir,ni->r", weighted, model.offset - moved)
    residual = model.offset - moved - fits.design @ z
    return _Candidate(moved_part, at, change, gain, np.einsum("ni,nij,nj->n", residual, weight, residual))


def _reversed_cumsum(parts: Array) -> Array:
    out: Array = np.cumsum(parts[::-1], axis=0)[::-1]
    return out


def findings_on_change_points(
    mount: Mount, change_points: Sequence[ChangePoint], indices: Sequence[int]
) -> tuple[Finding, ...]:
    """What moved, when and how far; ``indices``: capture index of each row.

    A camera that moved after the pairs that were used makes the result one of a camera that is no longer there;
    everything else leaves it right.
    """
    return tuple(change_point_finding(mount, p.step_change, indices[p.row], p.kept_before) for p in change_points)


def change_point_finding(mount: Mount, step_change: StepChange, index: int, kept_before: bool) -> Finding:
    """What the slip before capture ``index`` is called, and what to do about it."""
    evidence = {
        "pair": float(index),
        "translation_mm": step_change.translation_m * 1e3,
        "rotation_deg": float(np.rad2deg(step_change.rotation_rad)),
        "p_value": step_change.p_value,
    }
    if step_change.translation_m > _MAX_SLIP_M or step_change.rotation_rad > _MAX_SLIP_RAD:
        return _changed_on_the_controller(mount, step_change, index, evidence)
    message = (
        f"the {step_change.moved_part} moved before pair {index}, by {evidence['translation_mm']:.2f} mm and {evidence['rotation_deg']:.2f} deg: the"
        f" pairs {'before' if kept_before else 'from there on'} were used, the others left out"
    )
    if step_change.moved_part == "camera" and kept_before:
        return Finding("camera-moved", "stop", message, evidence, "fasten the camera and take the pairs anew.")
    remedy = "fasten the board before the next session." if step_change.moved_part == "board" else "fasten the camera."
    return Finding(f"{step_change.moved_part}-moved", "warn", message, evidence, remedy)


def _changed_on_the_controller(
    mount: Mount, step_change: StepChange, index: int, evidence: dict[str, float]
) -> Finding:
    """The same data as a slip, but farther than holders give way. Which part has the right poses, no pair tells."""
    # What is on the flange's side of the pose: the board if the camera is fixed, else the camera.
    tool = (step_change.moved_part == "board") == (mount is Mount.FIXED)
    name, other = ("tool", "world or user frame") if tool else ("frame", "tool")
    message = (
        f"from pair {index} on the poses are those of another {'tool' if tool else 'user frame'}, or the {step_change.moved_part}"
        f" was moved: by {evidence['translation_mm']:.0f} mm and {evidence['rotation_deg']:.1f} deg (the {other} did not change)"
    )
    remedy = (
        f"on the controller select {'the flange (tool 0)' if tool else 'the base frame'} for the whole session, in the"
        " robot program, and take the pairs anew."
    )
    return Finding(f"{name}-changed", "stop", message, evidence, remedy)


# Changes this close are one and the same: three pairs alone leave the transforms that uncertain.
_SAME_CHANGE_M, _SAME_CHANGE_RAD = 0.015, float(np.deg2rad(1.0))
# The other transform explains the pairs left out this many times worse.
_IMPROVEMENT_RATIO = 8.0
_MAX_PAIRS_WITHOUT_MAJORITY = 7


def find_change_among_excluded(
    problem: Problem,
    observations: Observations,
    start: InitialEstimate,
    used: NDArray[np.bool_],
    indices: Sequence[int],
) -> Finding | None:
    """Whether the pairs that were not ``used`` (n,) all lie on one side and share one change of X or of Y.

    ``start``: the transforms of those that were.
    """
    out = np.flatnonzero(~used)
    first = bool(out.size) and out[0] == 0
    if len(out) < _MIN_PAIRS_PER_SEGMENT or out[-1] - out[0] >= len(out) or not (first or out[-1] == len(used) - 1):
        return None
    A, P = observations.A[out], observations.poses.camera_T_board[out]
    changes: dict[MovedPart, Array] = {
        "camera": se3.inverse(start.X) @ A @ start.Y @ se3.inverse(P),
        "board": se3.inverse(start.Y) @ se3.inverse(A) @ start.X @ P,
    }
    differences = {moved_part: _max_difference(change) for moved_part, change in changes.items()}
    moved_part: MovedPart = "camera" if differences["camera"][0] < differences["board"][0] else "board"
    other: MovedPart = "board" if moved_part == "camera" else "camera"
    translation_m, rotation_rad = differences[moved_part]
    if (
        translation_m > _SAME_CHANGE_M
        or rotation_rad > _SAME_CHANGE_RAD
        or differences[other][0] < _IMPROVEMENT_RATIO * translation_m
    ):
        return None
    change = se3.log(changes[moved_part])
    row = int(out[-1]) + 1 if first else int(out[0])
    median_change = np.median(change, axis=0) * (-1.0 if first else 1.0)
    return change_point_finding(
        problem.mount, StepChange(moved_part, row, median_change, 0.0), indices[row], kept_before=not first
    )


def find_gross_change(problem: Problem, observations: Observations, indices: Sequence[int]) -> Finding | None:
    """The same where no majority was found: every place is tried. For few pairs; with more there is a majority."""
    n = len(observations.A)
    if n > _MAX_PAIRS_WITHOUT_MAJORITY:
        return None
    found: list[tuple[float, Finding]] = []
    for row in range(_MIN_PAIRS_PER_SEGMENT, n - _MIN_PAIRS_PER_SEGMENT + 1):
        used = np.arange(n) < row if row > n / 2 else np.arange(n) >= row
        if used.sum() <= _MIN_PAIRS_PER_SEGMENT:
            continue
        start, coarse_residual_m = best_initial_estimate(problem, observations.subset(np.flatnonzero(used)))
        change = (
            find_change_among_excluded(problem, observations, start, used, indices)
            if coarse_residual_m < PLAUSIBLE_RESIDUAL_M
            else None
        )
        if change is not None:
            found.append((coarse_residual_m, change))
    return min(found, key=lambda one: one[0])[1] if found else None


def _max_difference(changes: Array) -> tuple[float, float]:
    """How far the changes (n, 4, 4) are from the first of them: metres and radians, the worst."""
    twists = se3.log(se3.inverse(changes[0]) @ changes[1:])
    return float(np.linalg.norm(twists[:, :3], axis=1).max()), float(np.linalg.norm(twists[:, 3:], axis=1).max())
