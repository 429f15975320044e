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

from eyebolt.calibration.estimation import BOARD_SCALE, FOCAL_LENGTH, JointEstimate, linearize_board_poses, variance_of
from eyebolt.calibration.problem import Problem
from eyebolt.geometry import Array, Mount, se3
from eyebolt.observations import (
    MIN_CORNERS,
    CornerObservations,
    Pair,
    PlacedBoard,
    PointerTip,
    downweight_outlier_corners,
    fit_board_poses,
)


@dataclass(frozen=True)
class TouchResiduals:
    """m touches: touched minus seen ``residual_m`` (3m,) in base, its ``covariance`` (3m, 3m), and how r moves.

    ``jacobian_X`` (3m, 6): with the error of X, sign turned; ``height_jacobian`` (3m,): with a height missing in X;
    ``nuisance_jacobian`` (3m, 2): with board scale and focal length being larger than stated. ``points_m`` (m, 3) in base.
    """

    residual_m: Array
    covariance: Array
    jacobian_X: Array
    height_jacobian: Array
    nuisance_jacobian: Array
    points_m: Array
    corners: tuple[int, ...]


@dataclass(frozen=True)
class PlacedBoardPose:
    """A placed board, its pose (4, 4) in the camera, the share (6, 6) of 1 px in it and that (6, q) of nuisances."""

    board: PlacedBoard
    camera_T_board: Array
    unit_covariance: Array
    nuisance_jacobian: Array


def placed_board_poses(problem: Problem, placed: Sequence[PlacedBoard]) -> list[PlacedBoardPose]:
    """Those that were touched and whose one picture gives a pose."""
    boards = [
        b
        for b in placed
        if b.touches and len(b.ids) >= MIN_CORNERS and (problem.mount is Mount.FIXED or b.base_T_flange is not None)
    ]
    if not boards:
        return []
    pairs = [Pair(b.index, _image_pose(b), b.ids, b.corners_px) for b in boards]
    stack = CornerObservations.from_pairs(pairs, problem.board_corners_m)
    fits = fit_board_poses(problem.camera, stack)
    rows = np.flatnonzero(np.isfinite(fits.rss_px2))
    if not rows.size:
        return []
    down_weighted, refined = downweight_outlier_corners(problem.camera, stack[rows], fits[rows])
    poses = linearize_board_poses(problem, down_weighted, refined.camera_T_board)
    return [
        PlacedBoardPose(boards[row], poses.camera_T_board[k], poses.unit_covariance[k], poses.nuisance_jacobian[k])
        for k, row in enumerate(rows)
    ]


def _image_pose(board: PlacedBoard) -> Array:
    return np.eye(4) if board.base_T_flange is None else board.base_T_flange


def touch_residuals(
    problem: Problem,
    joint: JointEstimate,
    X: Array,
    vertical_X: Array,
    tip: PointerTip,
    board_poses: Sequence[PlacedBoardPose],
) -> TouchResiduals:
    """The differences at ``X`` (4, 4), whose vertical is ``vertical_X`` (3,); there must be a board in ``board_poses``."""
    arm = variance_of(joint.noise.best) * joint.variance_inflation
    parts, share = [], []
    for one in board_poses:
        touches = one.board.touches
        flanges = np.array([t.base_T_flange for t in touches])
        corners = problem.board_corners_m[[t.corner for t in touches]]
        base_T_frame = np.eye(4) if problem.mount is Mount.FIXED else _image_pose(one.board)
        in_camera = se3.apply(one.camera_T_board, corners)
        in_frame = se3.apply(X, in_camera)
        rotation = base_T_frame[:3, :3] @ X[:3, :3]
        jacobian_X = rotation @ _point_jacobian(in_camera)
        pose_jacobian = rotation @ one.camera_T_board[:3, :3] @ _point_jacobian(corners)
        # A board larger by s has its corners elsewhere, and its pose was fitted as if it were not.
        scale_jacobian = np.zeros((*corners.shape, one.nuisance_jacobian.shape[-1]))
        scale_jacobian[..., BOARD_SCALE] = corners
        nuisance_jacobian = (
            rotation @ one.camera_T_board[:3, :3] @ scale_jacobian - pose_jacobian @ one.nuisance_jacobian
        )
        own = joint.variance_inflation * joint.corner_sigma_px**2 * _propagate(pose_jacobian, one.unit_covariance)
        if problem.mount is Mount.ARM:
            own = own + _propagate(base_T_frame[:3, :3] @ _point_jacobian(in_frame), np.diag(arm))
        share.append(own)
        at_flange = np.broadcast_to(tip.position_m, corners.shape)
        touched = (flanges[:, :3, :3] @ tip.position_m) + flanges[:, :3, 3]
        touch_jacobian = flanges[:, :3, :3] @ _point_jacobian(at_flange)
        up = np.broadcast_to(base_T_frame[:3, :3] @ vertical_X, corners.shape)
        parts.append(
            (
                touched - se3.apply(base_T_frame, in_frame),
                jacobian_X,
                up,
                nuisance_jacobian,
                touched,
                flanges[:, :3, :3],
                touch_jacobian,
            )
        )
    residual_m, jacobian_X, up, nuisance_jacobian, points_m, rotations, touch_jacobian = (
        np.concatenate(part) for part in zip(*parts, strict=True)
    )
    flat_X, flat_rotations = jacobian_X.reshape(-1, 6), rotations.reshape(-1, 3)
    lens, error = _lens(joint)
    flat_nuisance = nuisance_jacobian.reshape(len(flat_X), -1)
    by_both = np.concatenate([flat_X, flat_nuisance[:, joint.model.prior_nuisances]], axis=1)
    covariance = by_both @ error @ by_both.T + tip.sigma_m**2 * flat_rotations @ flat_rotations.T
    covariance += _block_diagonal(
        [tip.sigma_m**2 * np.eye(3) + (one * arm) @ one.T for one in touch_jacobian]
    ) + _block_diagonal(share)
    numbers = tuple(t.corner for one in board_poses for t in one.board.touches)
    residual_m = residual_m.reshape(-1) - flat_nuisance[:, joint.model.prior_nuisances] @ lens
    return TouchResiduals(
        residual_m, covariance, flat_X, up.reshape(-1), flat_nuisance[:, [BOARD_SCALE, FOCAL_LENGTH]], points_m, numbers
    )


def _lens(joint: JointEstimate) -> tuple[Array, Array]:
    """What the pairs make of the c lens parameters with a stated sigma (c,), and the covariance (6 + c, 6 + c) of X
    and them together."""
    return joint.fits.z[0, joint.model.observable_basis.shape[1] :], joint.covariance_with_nuisances()


def _point_jacobian(points: Array) -> Array:
    """(m, 3, 6): how a change ``exp(xi)`` moves points (m, 3)."""
    return np.concatenate([np.broadcast_to(np.eye(3), (len(points), 3, 3)), -se3.skew(points)], axis=-1)


def _propagate(by: Array, covariance: Array) -> Array:
    """(3m, 3m) of what one shared error (6, 6) does to points through ``by`` (m, 3, 6)."""
    flat = by.reshape(-1, by.shape[-1])
    out: Array = flat @ covariance @ flat.T
    return out


def _block_diagonal(blocks: Sequence[Array]) -> Array:
    size = sum(len(block) for block in blocks)
    out, at = np.zeros((size, size)), 0
    for block in blocks:
        out[at : at + len(block), at : at + len(block)] = block
        at += len(block)
    return out
