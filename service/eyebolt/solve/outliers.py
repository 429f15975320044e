"""Pairs that do not belong: a stale pose, a moved board, somebody else's picture.

Two stages. Gross ones would spoil the start, so small groups of pairs each propose a solution and the one that most
pairs agree with is taken. Then the ordinary estimate is tested pair by pair: the pair that surprises the others most
is left out when even the noise judged without it cannot explain it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, fdtri

from eyebolt.geometry import rigid
from eyebolt.geometry.rigid import Array
from eyebolt.pairs.board_pose import BoardPoses
from eyebolt.solve.joint import JointEstimate, Views, joint_estimate
from eyebolt.solve.leave_one_out import leave_one_out, unused_pairs
from eyebolt.solve.linear_model import linearise
from eyebolt.solve.problem import Problem
from eyebolt.solve.start import Start, starts_for

Mask = NDArray[np.bool_]

FEWEST = 3
# Chance that a clean set loses any pair at all, shared among its pairs.
_FALSE_ALARM = 2e-3
_MEDIAN = float(chdtri(6, 0.5))
_CONTRADICTED = 2.0
_GROUPS = 60
_POOR_START_M = 0.005


@dataclass(frozen=True)
class LeftOut:
    """A pair that was not used: ``row`` among the views, ``reason`` in words with how far off it is."""

    row: int
    reason: str


def agreed_start(problem: Problem, views: Views) -> tuple[Start, Mask]:
    """The closed form that most pairs agree with, and which rows (n,) bool agree with it."""
    P = views.poses.camera_T_board
    starts = starts_for(problem, views.A, P)
    spreads = [_distances(problem, views, s) for s in starts]
    best = int(np.argmin([np.median(s) for s in spreads]))
    start, distance = starts[best], spreads[best]
    # Groups are tried only where the start is poor or a pair stands out; a clean session needs none.
    median = float(np.median(distance))
    if len(P) < 5 or (distance.max() < 4 * median and median < _POOR_START_M):
        return start, np.ones(len(P), dtype=bool)
    for group in _groups(len(P)):
        for candidate in starts_for(problem, views.A[group], P[group]):
            tried = _distances(problem, views, candidate)
            if np.median(tried) < 0.5 * np.median(distance):
                start, distance = candidate, tried
    agreed = distance < 8 * np.median(distance)
    return start, agreed


def _groups(count: int) -> Iterator[NDArray[np.intp]]:
    """Always the same small groups, so that a session gives the same answer every time."""
    generator = np.random.Generator(np.random.PCG64(7))
    for _ in range(_GROUPS):
        yield generator.choice(count, size=4 if count > 5 else 3, replace=False)


def _distances(problem: Problem, views: Views, start: Start) -> Array:
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
    chosen = BoardPoses(
        np.where(swap[:, None, None], poses.other_branch, poses.camera_T_board),
        np.where(swap, poses.other_rss_px2, poses.rss_px2),
        np.where(swap[:, None, None], poses.camera_T_board, poses.other_branch),
        np.where(swap, poses.rss_px2, poses.other_rss_px2),
    )
    return Views(views.A, views.stack, chosen)


def estimate_without_strangers(problem: Problem, views: Views) -> tuple[JointEstimate, Mask, list[LeftOut]]:
    """The joint estimate on the pairs that belong: estimate, used rows (n,) bool, and the pairs left out."""
    start, used = agreed_start(problem, views)
    views = settle_branches(problem, views, start)
    joint = joint_estimate(problem, views.subset(np.flatnonzero(used)), start.X, start.Y, posterior=False)
    joint, used = _drop_strangers(problem, views, joint, used)
    # A pair may have looked wrong only because another one bent the estimate.
    for row in np.flatnonzero(~used):
        surprise = _surprise_of(problem, views, joint, int(row))
        if surprise < _limit(problem, joint, len(used)) and used.sum() >= FEWEST:
            trial = used.copy()
            trial[row] = True
            joint = _again(problem, views, joint, trial)
            used = trial
    joint, used = _drop_strangers(problem, views, joint, used)
    final = joint_estimate(problem, views.subset(np.flatnonzero(used)), joint.X, joint.Y, joint.noise.best)
    return final, used, [_describe(views, final, int(row)) for row in np.flatnonzero(~used)]


def _drop_strangers(problem: Problem, views: Views, joint: JointEstimate, used: Mask) -> tuple[JointEstimate, Mask]:
    used = used.copy()
    while used.sum() > FEWEST + 1:
        rows = np.flatnonzero(used)
        surprise = leave_one_out(joint).squared
        # The pair that bends the noise estimate most is among the most surprising ones. Where the noise is stated the
        # surprise is already, to first order, what it would be without the pair.
        suspected = 12.0 if problem.robot_noise is None else 0.5 * _chance_limit(joint, len(rows), stated=True)
        suspects = [k for k in np.argsort(-surprise)[:3] if surprise[k] > suspected]
        worst: tuple[float, int, JointEstimate] | None = None
        for k in suspects:
            trial = used.copy()
            trial[rows[k]] = False
            without = _again(problem, views, joint, trial)
            squared = _surprise_of(problem, views, without, int(rows[k]))
            ratio = squared / _limit(problem, without, int(used.sum()))
            if ratio > 1 and (worst is None or ratio > worst[0]):
                worst = (ratio, int(rows[k]), without)
        if worst is None:
            break
        used[worst[1]] = False
        joint = worst[2]
    return joint, used


def _again(problem: Problem, views: Views, joint: JointEstimate, used: Mask) -> JointEstimate:
    rows = np.flatnonzero(used)
    return joint_estimate(problem, views.subset(rows), joint.X, joint.Y, joint.noise.best, posterior=False)


def _surprise_of(problem: Problem, views: Views, joint: JointEstimate, row: int) -> float:
    """Normalised squared offset of a pair that ``joint`` did not use."""
    rows = np.array([row])
    one = views.subset(rows)
    model = linearise(problem, one.stack, one.A, joint.X, joint.Y, one.poses.camera_T_board)
    return float(unused_pairs(joint, model).squared[0])


def _limit(problem: Problem, joint: JointEstimate, count: int) -> float:
    """The normalised squared offset from the estimate ``joint`` above which one of ``count`` pairs is a stranger."""
    if problem.robot_noise is None:
        return _chance_limit(joint, count, stated=False)
    # When the pairs surprise each other all alike, it is the stated noise, board or lens that is wrong, and no pair.
    common = float(np.median(leave_one_out(joint).squared)) / _MEDIAN
    # Far beyond what is stated, the scale of the noise is as good as estimated from the pairs.
    return _chance_limit(joint, count, stated=common < _CONTRADICTED) * max(common, 1.0)


def _chance_limit(joint: JointEstimate, count: int, stated: bool) -> float:
    chance = _FALSE_ALARM / max(count, 1)
    if stated:
        return float(chdtri(6, chance))
    # Three lengths and three angles a pair, less the six that the transforms took of either.
    return 6 * float(fdtri(6, max(3 * len(joint.model.offset) - 6, 1), 1 - chance))


def _describe(views: Views, joint: JointEstimate, row: int) -> LeftOut:
    one = views.subset(np.array([row]))
    predicted = rigid.inverse(joint.X) @ one.A @ joint.Y
    offset = rigid.log(rigid.inverse(predicted) @ one.poses.camera_T_board)[0]
    shift_mm = float(np.linalg.norm(offset[:3])) * 1e3
    turn_deg = float(np.rad2deg(np.linalg.norm(offset[3:])))
    reason = f"pose and picture disagree with the other pairs by {shift_mm:.2f} mm and {turn_deg:.2f} deg"
    return LeftOut(row, reason)
