"""Residuals of touched corners, with their joint covariance.

The position of a touched corner is known twice: by the arm, ``base_T_flange @ tip``, and by the camera,
``base_T_camera @ camera_T_board @ corner`` (camera on the arm: ``base_T_flange @ flange_T_camera`` in place of
``base_T_camera``, with the flange pose of the image). The residual is the difference.

The residuals are correlated, since touches share most of their errors: those of X, of board and lens, of the board's
pose in its one image, of the arm at that image, and of the tip's position in the flange frame. Only the arm's error at
the touch and that of setting the tip onto the corner are independent. So all touches form one vector with one
covariance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from eyebolt.calibration.estimation import JointEstimate, linearize_board_poses, variance_of
from eyebolt.calibration.problem import Problem
from eyebolt.geometry import Array, Mount, se3
from eyebolt.observations import (
    MIN_CORNERS,
    CornerField,
    CornerObservations,
    Pair,
    PlacedBoard,
    PointerTip,
    downweight_outlier_corners,
    fit_board_poses,
)


@dataclass(frozen=True)
class TouchResiduals:
    """The residuals of m touches, and their derivatives."""

    residual_m: Array
    """(3m,) m, base frame: touched minus predicted position."""
    covariance: Array
    """(3m, 3m), m^2: covariance of ``residual_m``."""
    jacobian_X: Array
    """(3m, 6): derivative of the predicted positions by X, perturbed on the right."""
    height_jacobian: Array
    """(3m,): derivative of the predicted positions by the height of X."""
    nuisance_jacobian: Array
    """(3m, r): derivative of the predicted positions by the standardised nuisance parameters."""
    points_m: Array
    """(m, 3) m, base frame: touched positions."""
    corners: tuple[int, ...]
    """(m): number of the corner of each touch."""


@dataclass(frozen=True)
class PlacedBoardPose:
    """A placed board with its pose in the camera."""

    board: PlacedBoard
    """The board, with the touches on it."""
    camera_T_board: Array
    """(4, 4) m: pose of the board in its image."""
    unit_covariance: Array
    """(6, 6): covariance of the pose for a corner noise of 1 px."""
    nuisance_jacobian: Array
    """(6, r): derivative of the fitted pose by the standardised nuisance parameters."""


@dataclass(frozen=True)
class _BoardTouches:
    """The m touches of one placed board; base frame, metres."""

    residual: Array
    """(m, 3): touched minus predicted."""
    jacobian_X: Array
    """(m, 3, 6): derivative of the prediction by X."""
    up: Array
    """(m, 3): the vertical."""
    nuisance_jacobian: Array
    """(m, 3, r): derivative of the prediction by the standardised nuisance parameters."""
    points: Array
    """(m, 3): touched positions."""
    rotations: Array
    """(m, 3, 3): rotations of the flange at each touch."""
    touch_jacobian: Array
    """(m, 3, 6): derivative of the touched position by the arm's error at the touch."""
    shared_covariance: Array
    """(3m, 3m): covariance by the board's pose in its image and the arm's error there."""


def placed_board_poses(problem: Problem, placed: Sequence[PlacedBoard]) -> list[PlacedBoardPose]:
    """The poses of the boards that were touched and whose image determines a pose."""
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
    down_weighted, refined = downweight_outlier_corners(
        problem.camera, stack[rows], fits[rows], CornerField.of(problem.board_corners_m)
    )
    poses = linearize_board_poses(problem, down_weighted, refined.camera_T_board)
    return [
        PlacedBoardPose(boards[row], poses.camera_T_board[k], poses.unit_covariance[k], poses.nuisance_jacobian[k])
        for k, row in enumerate(rows)
    ]


def _image_pose(board: PlacedBoard) -> Array:
    """base_T_flange (4, 4) at the image; not used with a fixed camera."""
    return np.eye(4) if board.base_T_flange is None else board.base_T_flange


def touch_residuals(
    problem: Problem,
    joint: JointEstimate,
    X: Array,
    vertical_X: Array,
    tip: PointerTip,
    board_poses: Sequence[PlacedBoardPose],
) -> TouchResiduals:
    """The residuals at ``X`` (4, 4), whose vertical is ``vertical_X`` (3,); ``board_poses`` must not be empty."""
    arm_variance = variance_of(joint.noise.best)
    boards = [_touches_of(problem, joint, X, vertical_X, tip, one, arm_variance) for one in board_poses]
    flat_X = np.concatenate([b.jacobian_X for b in boards]).reshape(-1, 6)
    flat_rotations = np.concatenate([b.rotations for b in boards]).reshape(-1, 3)
    flat_nuisance = np.concatenate([b.nuisance_jacobian for b in boards]).reshape(len(flat_X), -1)
    # X and the nuisance parameters were estimated together, and their errors are correlated.
    by_estimate = np.concatenate([flat_X, flat_nuisance], axis=1)
    estimated = np.r_[0:6, 12 : 12 + flat_nuisance.shape[1]]
    tip_variance = tip.sigma_m**2
    covariance = (
        by_estimate @ joint.covariance[np.ix_(estimated, estimated)] @ by_estimate.T
        + tip_variance * flat_rotations @ flat_rotations.T
    )
    covariance += _block_diagonal(
        [
            tip_variance * np.eye(3) + (jacobian * arm_variance) @ jacobian.T
            for b in boards
            for jacobian in b.touch_jacobian
        ]
    ) + _block_diagonal([b.shared_covariance for b in boards])
    return TouchResiduals(
        residual_m=np.concatenate([b.residual for b in boards]).reshape(-1) - flat_nuisance @ joint.nuisances,
        covariance=covariance,
        jacobian_X=flat_X,
        height_jacobian=np.concatenate([b.up for b in boards]).reshape(-1),
        nuisance_jacobian=flat_nuisance,
        points_m=np.concatenate([b.points for b in boards]),
        corners=tuple(t.corner for one in board_poses for t in one.board.touches),
    )


def _touches_of(
    problem: Problem,
    joint: JointEstimate,
    X: Array,
    vertical_X: Array,
    tip: PointerTip,
    pose: PlacedBoardPose,
    arm_variance: Array,
) -> _BoardTouches:
    """The touches of one board; ``arm_variance`` (6,): of a flange pose."""
    touches = pose.board.touches
    flanges = np.array([t.base_T_flange for t in touches])
    corners = problem.board_corners_m[[t.corner for t in touches]]
    # X goes to the base if the camera is fixed, else to the flange as it was at the image.
    base_T_parent = np.eye(4) if problem.mount is Mount.FIXED else _image_pose(pose.board)
    in_camera = se3.apply(pose.camera_T_board, corners)
    in_parent = se3.apply(X, in_camera)
    rotation = base_T_parent[:3, :3] @ X[:3, :3]
    pose_jacobian = rotation @ pose.camera_T_board[:3, :3] @ _point_jacobian(corners)
    # A larger board has its corners elsewhere, and its fitted pose changes as well.
    board_jacobian = problem.nuisance_prior.board_jacobian(corners)
    shared_covariance = joint.corner_sigma_px**2 * _propagate(pose_jacobian, pose.unit_covariance)
    if problem.mount is Mount.ARM:
        shared_covariance = shared_covariance + _propagate(
            base_T_parent[:3, :3] @ _point_jacobian(in_parent), np.diag(arm_variance)
        )
    touched = (flanges[:, :3, :3] @ tip.position_m) + flanges[:, :3, 3]
    return _BoardTouches(
        residual=touched - se3.apply(base_T_parent, in_parent),
        jacobian_X=rotation @ _point_jacobian(in_camera),
        up=np.broadcast_to(base_T_parent[:3, :3] @ vertical_X, corners.shape),
        nuisance_jacobian=(
            rotation @ pose.camera_T_board[:3, :3] @ board_jacobian - pose_jacobian @ pose.nuisance_jacobian
        ),
        points=touched,
        rotations=flanges[:, :3, :3],
        touch_jacobian=flanges[:, :3, :3] @ _point_jacobian(np.broadcast_to(tip.position_m, corners.shape)),
        shared_covariance=shared_covariance,
    )


def _point_jacobian(points: Array) -> Array:
    """(m, 3, 6): derivative of ``exp(xi)`` applied to points (m, 3), [I, -skew(p)]."""
    return np.concatenate([np.broadcast_to(np.eye(3), (len(points), 3, 3)), -se3.skew(points)], axis=-1)


def _propagate(jacobian: Array, covariance: Array) -> Array:
    """(3m, 3m): covariance of m points by one error (6,) that they share; ``jacobian`` (m, 3, 6)."""
    flat = jacobian.reshape(-1, jacobian.shape[-1])
    out: Array = flat @ covariance @ flat.T
    return out


def _block_diagonal(blocks: Sequence[Array]) -> Array:
    size = sum(len(block) for block in blocks)
    out, at = np.zeros((size, size)), 0
    for block in blocks:
        out[at : at + len(block), at : at + len(block)] = block
        at += len(block)
    return out
