"""Where the touched corners are according to the arm, and according to the camera: the differences and all behind them.

A touched corner is known twice: the arm says ``base_T_flange @ tip``, the camera ``base_T_camera @ camera_T_board @
corner`` (on the arm: ``base_T_flange`` of the picture before ``flange_T_camera``). All touches are taken together, for
they share most of what may be wrong: the error of X, of the board's pose in its one picture, of the arm at the picture,
of the tip; only the arm's error at the touch and that of setting the tip down are each touch's own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from eyebolt.calibration.estimation import FOCAL, SCALE, JointEstimate, see, variance_of
from eyebolt.calibration.problem import Problem
from eyebolt.geometry import Array, se3
from eyebolt.observations import (
    FEWEST_CORNERS,
    Pair,
    PlacedBoard,
    PointerTip,
    ViewStack,
    fit_board_poses,
    soften_strays,
)


@dataclass(frozen=True)
class TouchDifferences:
    """m touches: touched minus seen ``r`` (3m,) in base, its ``covariance`` (3m, 3m), and how r moves.

    ``by_X`` (3m, 6): with the error of X, sign turned; ``by_height`` (3m,): with a height missing in X;
    ``by_nuisance`` (3m, 2): with board scale and focal length being larger than stated. ``places`` (m, 3) in base.
    """

    r: Array
    covariance: Array
    by_X: Array
    by_height: Array
    by_nuisance: Array
    places: Array
    corners: tuple[int, ...]


@dataclass(frozen=True)
class SeenBoard:
    """A placed board, its pose (4, 4) in the camera, the share (6, 6) of 1 px in it and that (6, q) of nuisances."""

    board: PlacedBoard
    camera_T_board: Array
    spread: Array
    by_nuisance: Array


def seen_boards(problem: Problem, placed: Sequence[PlacedBoard]) -> list[SeenBoard]:
    """Those that were touched and whose one picture gives a pose."""
    boards = [
        b
        for b in placed
        if b.touches and len(b.ids) >= FEWEST_CORNERS and (problem.mount == "fixed" or b.base_T_flange is not None)
    ]
    if not boards:
        return []
    pairs = [Pair(b.index, _picture_pose(b), b.ids, b.corners_px) for b in boards]
    stack = ViewStack.of(pairs, problem.board_corners_m)
    fits = fit_board_poses(problem.camera, stack)
    rows = np.flatnonzero(np.isfinite(fits.rss_px2))
    if not rows.size:
        return []
    softened, refined = soften_strays(problem.camera, stack[rows], fits[rows])
    poses = see(problem, softened, refined.camera_T_board)
    return [
        SeenBoard(boards[row], poses.camera_T_board[k], poses.spread[k], poses.by_nuisance[k])
        for k, row in enumerate(rows)
    ]


def _picture_pose(board: PlacedBoard) -> Array:
    return np.eye(4) if board.base_T_flange is None else board.base_T_flange


def touch_differences(
    problem: Problem, joint: JointEstimate, X: Array, at_X: Array, tip: PointerTip, seen: Sequence[SeenBoard]
) -> TouchDifferences:
    """The differences at ``X`` (4, 4), whose vertical is ``at_X`` (3,); there must be a board in ``seen``."""
    arm = variance_of(joint.noise.best) * joint.widening
    parts, share = [], []
    for one in seen:
        touches = one.board.touches
        flanges = np.array([t.base_T_flange for t in touches])
        corners = problem.board_corners_m[[t.corner for t in touches]]
        base_T_frame = np.eye(4) if problem.mount == "fixed" else _picture_pose(one.board)
        in_camera = se3.apply(one.camera_T_board, corners)
        in_frame = se3.apply(X, in_camera)
        turn = base_T_frame[:3, :3] @ X[:3, :3]
        by_X = turn @ _moving(in_camera)
        by_pose = turn @ one.camera_T_board[:3, :3] @ _moving(corners)
        # A board larger by s has its corners elsewhere, and its pose was fitted as if it were not.
        scaled = np.zeros((*corners.shape, one.by_nuisance.shape[-1]))
        scaled[..., SCALE] = corners
        by_nuisance = turn @ one.camera_T_board[:3, :3] @ scaled - by_pose @ one.by_nuisance
        own = joint.widening * joint.corner_px**2 * _outer(by_pose, one.spread)
        if problem.mount == "arm":
            own = own + _outer(base_T_frame[:3, :3] @ _moving(in_frame), np.diag(arm))
        share.append(own)
        at_flange = np.broadcast_to(tip.at_flange_m, corners.shape)
        touched = (flanges[:, :3, :3] @ tip.at_flange_m) + flanges[:, :3, 3]
        by_touch = flanges[:, :3, :3] @ _moving(at_flange)
        up = np.broadcast_to(base_T_frame[:3, :3] @ at_X, corners.shape)
        parts.append(
            (
                touched - se3.apply(base_T_frame, in_frame),
                by_X,
                up,
                by_nuisance,
                touched,
                flanges[:, :3, :3],
                by_touch,
            )
        )
    r, by_X, up, by_nuisance, places, turns, by_touch = (np.concatenate(part) for part in zip(*parts, strict=True))
    flat_X, flat_turns = by_X.reshape(-1, 6), turns.reshape(-1, 3)
    lens, error = _lens(joint)
    flat_nuisance = by_nuisance.reshape(len(flat_X), -1)
    by_both = np.concatenate([flat_X, flat_nuisance[:, joint.model.carried]], axis=1)
    covariance = by_both @ error @ by_both.T + tip.sigma_m**2 * flat_turns @ flat_turns.T
    covariance += _blocks([tip.sigma_m**2 * np.eye(3) + (one * arm) @ one.T for one in by_touch]) + _blocks(share)
    numbers = tuple(t.corner for one in seen for t in one.board.touches)
    r = r.reshape(-1) - flat_nuisance[:, joint.model.carried] @ lens
    return TouchDifferences(r, covariance, flat_X, up.reshape(-1), flat_nuisance[:, [SCALE, FOCAL]], places, numbers)


def _lens(joint: JointEstimate) -> tuple[Array, Array]:
    """What the pairs make of the c lens parameters with a stated sigma (c,), and the covariance (6 + c, 6 + c) of X
    and them together."""
    free = joint.model.free
    p, count = free.shape[1], len(joint.model.carried)
    carried = np.zeros((6 + count, p + count))
    carried[:6, :p], carried[6:, p:] = free[:6], np.eye(count)
    covariance = carried @ joint.fits.covariance[0] @ carried.T * joint.widening
    # The mixture over noise choices is wider than the covariance at the most likely one.
    covariance[:6, :6] = joint.covariance[:6, :6]
    return joint.fits.z[0, p:], covariance


def _moving(points: Array) -> Array:
    """(m, 3, 6): how a change ``exp(xi)`` moves points (m, 3)."""
    return np.concatenate([np.broadcast_to(np.eye(3), (len(points), 3, 3)), -se3.skew(points)], axis=-1)


def _outer(by: Array, covariance: Array) -> Array:
    """(3m, 3m) of what one shared error (6, 6) does to points through ``by`` (m, 3, 6)."""
    flat = by.reshape(-1, by.shape[-1])
    out: Array = flat @ covariance @ flat.T
    return out


def _blocks(blocks: Sequence[Array]) -> Array:
    size = sum(len(block) for block in blocks)
    out, at = np.zeros((size, size)), 0
    for block in blocks:
        out[at : at + len(block), at : at + len(block)] = block
        at += len(block)
    return out
