"""Arms whose flange rotates about the vertical only (four-axis arms): the unobservable height and what determines it.

With all rotations about one axis, camera and board can slide along it together without effect on any pair:
``A trans(along Y's vertical) = trans(along X's vertical) A``. That one direction is taken out of the estimate. The
height is stated (``Problem.height_m``), determined by touches (``uncertainty.touch_test``), or left at 0 and reported
as unobservable.
"""

from __future__ import annotations

import numpy as np

from eyebolt.calibration.problem import Problem
from eyebolt.geometry import Array, FlangeRotation, Mount, se3

_UP = np.array([0.0, 0.0, 1.0])
# Mean sine of the rotations between waypoints, 0.3 deg, below which they show no signed axis; noise stays well below.
_MIN_MEAN_SINE = 0.005


def vertical_directions(problem: Problem, A: Array) -> tuple[Array, Array]:
    """Unit vectors (3,) of the vertical: in the frame that X maps to, and in the frame that Y maps to."""
    if problem.mount is Mount.FIXED:
        return _UP, _unit((np.swapaxes(A[:, :3, :3], -1, -2) @ _UP).sum(axis=0))
    return _unit((A[:, :3, :3] @ _UP).sum(axis=0)), _UP


def _unit(vector: Array) -> Array:
    out: Array = vector / max(float(np.linalg.norm(vector)), 1e-12)
    return out


def observable_directions(problem: Problem, A: Array, X: Array, Y: Array) -> Array:
    """(12, p) basis of the observable changes of X and Y: all 12, or 11 for arms with a vertical axis only.

    The transform whose height is stated (or set to 0) is held along the vertical, so that the covariance of the other
    one includes the error along it.
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
    """X and Y slid along the vertical: to the stated height of the board or, without one, to height 0 of the camera."""
    vertical_X, vertical_Y = vertical_directions(problem, A)
    slide = (
        -float(vertical_X @ X[:3, 3]) if problem.height_m is None else problem.height_m - float(vertical_Y @ Y[:3, 3])
    )
    return slide_along_vertical(X, Y, slide, vertical_X, vertical_Y)


def slide_to_plausible(problem: Problem, A: Array, X: Array, Y: Array) -> tuple[Array, Array]:
    """X and Y slid to where the tilt noise of the arm, small as it is, acts over about its true lever.

    That is the stated height of the board, else the part on the flange (board or camera) at the height of the flange.
    """
    vertical_X, vertical_Y = vertical_directions(problem, A)
    if problem.height_m is not None:
        return slide_to_height(problem, A, X, Y)
    flange_part_height_m = vertical_Y @ Y[:3, 3] if problem.mount is Mount.FIXED else vertical_X @ X[:3, 3]
    return slide_along_vertical(X, Y, -float(flange_part_height_m), vertical_X, vertical_Y)


def slide_along_vertical(X: Array, Y: Array, slide: float, vertical_X: Array, vertical_Y: Array) -> tuple[Array, Array]:
    """X and Y translated together by ``slide`` metres along their verticals (3,)."""
    moved_X, moved_Y = X.copy(), Y.copy()
    moved_X[:3, 3] += slide * vertical_X
    moved_Y[:3, 3] += slide * vertical_Y
    return moved_X, moved_Y


def describe_missing_height(problem: Problem) -> str:
    """The unobservable height, for an operator, and what determines it."""
    if problem.mount is Mount.FIXED:
        return (
            "height of the camera above the base (along the arm's vertical): unobservable with an arm that rotates"
            " about the vertical only; touch corners of a board that lies in the cell, or state [goal] board_height_mm,"
            " the height of the board origin above the flange frame"
        )
    return (
        "height of the camera along the flange axis (the arm's vertical): unobservable with an arm that rotates"
        " about the vertical only; touch corners of the board, or state [goal] board_height_mm, the height of the"
        " board origin above the base"
    )


def one_axis_estimates(A: Array, P: Array, vertical_X: Array) -> list[tuple[Array, Array]]:
    """Closed forms for rotations about one axis: R_X (3, 3) and (t_X, t_Y) stacked (6,), metres.

    ``A``, ``P`` (n, 4, 4): transforms of the arm and board poses; ``vertical_X`` (3,): the axis in the frame that X
    maps to. The camera observes the same axis. Aligning the two leaves one angle, which enters the translations
    linearly through its cosine and sine. One closed form; two where the motions are half turns, which leave the sign of
    the axis open, or where nothing rotates in the images.
    """
    first, second = np.triu_indices(len(A), k=1)
    rotations_A = se3.log_rotation(A[first, :3, :3] @ np.swapaxes(A[second, :3, :3], -1, -2))
    rotations_P = se3.log_rotation(P[first, :3, :3] @ np.swapaxes(P[second, :3, :3], -1, -2))
    # Weighted by the sine of the angle: the axis of a half turn has no sign.
    signed = rotations_A @ vertical_X
    camera_axis = (
        np.sin(signed)[:, None] * rotations_P / np.maximum(np.linalg.norm(rotations_P, axis=1), 1e-12)[:, None]
    ).sum(axis=0)
    if np.linalg.norm(camera_axis) >= _MIN_MEAN_SINE * len(first):
        return [_one_axis_estimate(A, P, _rotation_between(_unit(camera_axis), vertical_X), vertical_X)]
    # The direction that all rotation vectors share, whatever their signs.
    line = np.linalg.eigh(rotations_P.T @ rotations_P)[1][:, -1]
    return [_one_axis_estimate(A, P, _rotation_between(sign * line, vertical_X), vertical_X) for sign in (1.0, -1.0)]


def _one_axis_estimate(A: Array, P: Array, alignment: Array, vertical_X: Array) -> tuple[Array, Array]:
    """The closed form for a rotation ``alignment`` (3, 3) that maps the axis in the camera frame to ``vertical_X``."""
    translations = P[:, :3, 3] @ alignment.T
    along = (translations @ vertical_X)[:, None] * vertical_X
    across = translations - along
    # R_Ai t_Y - t_X - across cos - (vertical x across) sin = along - t_Ai, unknowns (t_Y, t_X, cos, sin)
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
    """The shortest rotation (3, 3) from one unit vector to another."""
    axis = np.cross(source, target)
    size = float(np.linalg.norm(axis))
    if size < 1e-9:
        if source @ target > 0:
            return np.eye(3)
        side = np.cross(source, np.eye(3)[np.abs(source).argmin()])
        return se3.exp_rotation(np.pi * side / np.linalg.norm(side))
    return se3.exp_rotation(axis / size * np.arctan2(size, float(source @ target)))
