"""Arms that turn only about the vertical: what they cannot know, and how a known height closes it.

With every turn about one axis, camera and board may slide along it together without any pair noticing:
``A trans(along Y's vertical) = trans(along X's vertical) A``. That one number is taken out of the estimate and either
given (``height_m``, the height of the board's origin: above the flange if the camera is fixed, above the base if it is
on the arm), found by touch (``touches``), or left open, with 0 in its place.
"""

from __future__ import annotations

import numpy as np

from eyebolt.calibration.problem import Problem
from eyebolt.geometry import Array, FlangeRotation, Mount, se3

_UP = np.array([0.0, 0.0, 1.0])


def vertical_directions(problem: Problem, A: Array) -> tuple[Array, Array]:
    """Unit vectors (3,): the vertical in the frame that X goes to, and in the frame that Y goes to."""
    if problem.mount is Mount.FIXED:
        return _UP, _unit((np.swapaxes(A[:, :3, :3], -1, -2) @ _UP).sum(axis=0))
    return _unit((A[:, :3, :3] @ _UP).sum(axis=0)), _UP


def _unit(vector: Array) -> Array:
    out: Array = vector / max(float(np.linalg.norm(vector)), 1e-12)
    return out


def observable_directions(problem: Problem, A: Array, X: Array, Y: Array) -> Array:
    """(12, p) basis of the changes of X and Y that the pairs can tell: all 12, or 11 for vertical arms.

    Of the one that is missing, the transform whose height is given (or set to 0) stands still, so that the covariance
    of the other one says what it should.
    """
    if problem.flange_rotation is FlangeRotation.FREE:
        return np.eye(12)
    vertical_X, vertical_Y = vertical_directions(problem, A)
    fixed_direction = np.zeros(12)
    if problem.height_m is None:
        fixed_direction[:3] = X[:3, :3].T @ vertical_X
    else:
        fixed_direction[6:9] = Y[:3, :3].T @ vertical_Y
    out: Array = np.linalg.qr(fixed_direction[:, None], mode="complete")[0][:, 1:]
    return out


def slide_to_height(problem: Problem, A: Array, X: Array, Y: Array) -> tuple[Array, Array]:
    """X and Y slid along the vertical: to the stated height of the board, or to a height of 0 for X's own frame."""
    vertical_X, vertical_Y = vertical_directions(problem, A)
    slide = (
        -float(vertical_X @ X[:3, 3]) if problem.height_m is None else problem.height_m - float(vertical_Y @ Y[:3, 3])
    )
    return slide_along_vertical(X, Y, slide, vertical_X, vertical_Y)


def slide_to_plausible(problem: Problem, A: Array, X: Array, Y: Array) -> tuple[Array, Array]:
    """X and Y slid to where the arm's scatter in tilt, small as it is, gets about its true lever.

    That is the stated height, or else what is bolted to the arm at the height of the flange.
    """
    vertical_X, vertical_Y = vertical_directions(problem, A)
    if problem.height_m is not None:
        return slide_to_height(problem, A, X, Y)
    arm_mounted_height_m = vertical_Y @ Y[:3, 3] if problem.mount is Mount.FIXED else vertical_X @ X[:3, 3]
    return slide_along_vertical(X, Y, -float(arm_mounted_height_m), vertical_X, vertical_Y)


def slide_along_vertical(X: Array, Y: Array, slide: float, vertical_X: Array, vertical_Y: Array) -> tuple[Array, Array]:
    """X and Y moved together by ``slide`` metres along their verticals (3,)."""
    moved_X, moved_Y = X.copy(), Y.copy()
    moved_X[:3, 3] += slide * vertical_X
    moved_Y[:3, 3] += slide * vertical_Y
    return moved_X, moved_Y


def describe_missing_height(problem: Problem) -> str:
    """The missing number in plain words, and how to come by it."""
    if problem.mount is Mount.FIXED:
        return (
            "height of the camera above the base (along the arm's vertical): an arm that turns about the vertical only"
            " cannot show it; touch corners of a board that lies in the cell, or state [goal] board_height_mm, the height of"
            " the board's origin above the flange frame"
        )
    return (
        "height of the camera along the flange's axis (the arm's vertical): an arm that turns about the vertical only"
        " cannot show it; touch corners of the board, or state [goal] board_height_mm, the height of the board's origin above"
        " the base"
    )


def one_axis_estimate(A: Array, P: Array, vertical_X: Array) -> tuple[Array, Array]:
    """R_X and t_X, t_Y stacked (6,) for chain poses that turn about one axis, ``vertical_X`` (3,) in the frame X goes to.

    The camera sees the same axis; laying one on the other leaves one angle, which enters the shifts linearly through
    its cosine and sine.
    """
    first, second = np.triu_indices(len(A), k=1)
    rotations_A = se3.log_rotation(A[first, :3, :3] @ np.swapaxes(A[second, :3, :3], -1, -2))
    rotations_P = se3.log_rotation(P[first, :3, :3] @ np.swapaxes(P[second, :3, :3], -1, -2))
    # Half turns have no sign; weigh by the sine.
    signed = rotations_A @ vertical_X
    camera_axis = (
        np.sin(signed)[:, None] * rotations_P / np.maximum(np.linalg.norm(rotations_P, axis=1), 1e-12)[:, None]
    ).sum(axis=0)
    alignment = _rotation_between(_unit(camera_axis), vertical_X)
    translations = P[:, :3, 3] @ alignment.T
    along = (translations @ vertical_X)[:, None] * vertical_X
    across = translations - along
    design = np.concatenate(
        [
            A[:, :3, :3],
            np.broadcast_to(-np.eye(3), (len(A), 3, 3)),
            -across[..., None],
            -np.cross(vertical_X, across)[..., None],
        ],
        axis=-1,
    ).reshape(-1, 8)
    found = np.linalg.lstsq(design, (along - A[:, :3, 3]).reshape(-1), rcond=1e-10)[0]
    rotation = se3.exp_rotation(vertical_X * np.arctan2(found[7], found[6]))
    return rotation @ alignment, np.concatenate([found[3:6], found[:3]])


def _rotation_between(source: Array, target: Array) -> Array:
    """The shortest rotation (3, 3) that lays one unit vector on another."""
    axis = np.cross(source, target)
    size = float(np.linalg.norm(axis))
    if size < 1e-9:
        if source @ target > 0:
            return np.eye(3)
        side = np.cross(source, np.eye(3)[np.abs(source).argmin()])
        return se3.exp_rotation(np.pi * side / np.linalg.norm(side))
    return se3.exp_rotation(axis / size * np.arctan2(size, float(source @ target)))
