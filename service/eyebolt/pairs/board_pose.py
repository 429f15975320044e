"""Where the board is in the camera's frame, from one view alone, for many views at once.

The start is the planar solution from the view's homography (both tilt branches); the refinement is Gauss-Newton on
the corners. Views are padded to a common corner count; ``weights`` is 0 on padding.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from eyebolt.geometry import rigid
from eyebolt.geometry.camera import CameraModel
from eyebolt.geometry.rigid import Array, Rows
from eyebolt.pairs.pair import Pair

FEWEST_CORNERS = 6


@dataclass(frozen=True)
class ViewStack:
    """n views padded to K corners: ``points_m`` (n, K, 3), ``corners_px`` (n, K, 2), ``weights`` (n, K)."""

    points_m: Array
    corners_px: Array
    weights: Array

    @staticmethod
    def of(pairs: Sequence[Pair], board_corners_m: Array) -> ViewStack:
        """Pads the views of ``pairs`` on the board ``board_corners_m`` (all corners, 3)."""
        width = max((len(p.ids) for p in pairs), default=0)
        points = np.zeros((len(pairs), width, 3))
        corners = np.zeros((len(pairs), width, 2))
        weights = np.zeros((len(pairs), width))
        for row, pair in enumerate(pairs):
            count = len(pair.ids)
            points[row, :count] = board_corners_m[pair.ids]
            # Padding repeats a real corner, so that it projects to something finite.
            points[row, count:] = board_corners_m[pair.ids[0]]
            corners[row, :count] = pair.corners_px
            weights[row, :count] = 1.0
        return ViewStack(points, corners, weights)

    def __getitem__(self, rows: Rows) -> ViewStack:
        return ViewStack(self.points_m[rows], self.corners_px[rows], self.weights[rows])


@dataclass(frozen=True)
class CornerFit:
    """The corners linearised about poses ``camera_T_board`` (n, 4, 4), perturbed on the right.

    ``residual_px`` (n, K, 2) observed minus predicted, 0 on padding; ``jacobian`` (n, K, 2, 6) pixels per twist;
    ``information`` (n, 6, 6) for corners of 1 px; ``step`` (n, 6) the Gauss-Newton step; ``rss_px2`` (n,) weighted.
    """

    camera_T_board: Array
    residual_px: Array
    jacobian: Array
    information: Array
    step: Array
    rss_px2: Array


def linearise_corners(camera: CameraModel, stack: ViewStack, camera_T_board: Array) -> CornerFit:
    """Corner residuals and their derivative with respect to ``camera_T_board * exp(xi)``.

    A view with a point behind the camera gets an infinite ``rss_px2`` and a zero step.
    """
    seen = rigid.apply(camera_T_board, stack.points_m)
    pixels, by_point = camera.project_with_jacobian(seen)
    visible = np.asarray(np.isfinite(pixels).all(axis=(-1, -2)))
    residual = np.where(visible[:, None, None], stack.corners_px - pixels, 0.0) * (stack.weights > 0)[..., None]
    by_point = np.where(visible[:, None, None, None], by_point, 0.0)
    turned = by_point @ camera_T_board[:, None, :3, :3]
    jacobian = np.empty((*turned.shape[:-1], 6))
    jacobian[..., :3] = turned
    # d(R (p + w x p)) / dw = -R [p]x ; a row times -[p]x is the cross product p x row.
    (x, y, z), (a, b, c) = np.moveaxis(stack.points_m[:, :, None, :], -1, 0), np.moveaxis(turned, -1, 0)
    jacobian[..., 3], jacobian[..., 4], jacobian[..., 5] = y * c - z * b, z * a - x * c, x * b - y * a
    n, k = stack.weights.shape
    flat = jacobian.reshape(n, 2 * k, 6)
    weight = np.repeat(stack.weights, 2, axis=1)
    weighted = flat * weight[..., None]
    information = np.swapaxes(flat, 1, 2) @ weighted
    gradient = (np.swapaxes(weighted, 1, 2) @ residual.reshape(n, 2 * k, 1))[..., 0]
    step = np.zeros((n, 6))
    usable = visible & (np.linalg.matrix_rank(information, hermitian=True) == 6)
    if usable.any():
        step[usable] = np.linalg.solve(information[usable], gradient[usable][..., None])[..., 0]
    rss = np.where(usable, np.einsum("nk,nk->n", weight, residual.reshape(n, 2 * k) ** 2), np.inf)
    return CornerFit(camera_T_board, residual, jacobian, information, step, rss)


@dataclass(frozen=True)
class BoardPoses:
    """Board poses of n views: the better tilt branch, the other one, and how much worse it fits.

    ``camera_T_board`` and ``other_branch`` (n, 4, 4); ``rss_px2``, ``other_rss_px2`` (n,): sums of squared corner
    residuals; infinite where a view has no usable pose (too few corners, corners on a line, behind the camera).
    """

    camera_T_board: Array
    rss_px2: Array
    other_branch: Array
    other_rss_px2: Array


def fit_board_poses(camera: CameraModel, stack: ViewStack, iterations: int = 25) -> BoardPoses:
    """Least-squares board pose of every view, starting from both planar tilt branches."""
    starts = [_planar_starts(camera, stack, row) for row in range(len(stack.weights))]
    fits = []
    for branch in (0, 1):
        poses = np.array([s[branch] for s in starts]).reshape(-1, 4, 4)
        fits.append(refine_board_poses(camera, stack, poses, iterations))
    (first, first_rss), (second, second_rss) = fits
    swap = second_rss < first_rss
    return BoardPoses(
        np.where(swap[:, None, None], second, first),
        np.where(swap, second_rss, first_rss),
        np.where(swap[:, None, None], first, second),
        np.where(swap, first_rss, second_rss),
    )


def refine_board_poses(
    camera: CameraModel, stack: ViewStack, start: Array, iterations: int = 25
) -> tuple[Array, Array]:
    """Gauss-Newton with step halving; returns poses (n, 4, 4) and residual sums (n,), infinite where it failed."""
    fit = linearise_corners(camera, stack, start)
    best, best_rss = start, fit.rss_px2
    scale = np.ones(len(start))
    for _ in range(iterations):
        trial = linearise_corners(camera, stack, best @ rigid.exp(fit.step * scale[:, None]))
        better = trial.rss_px2 <= best_rss
        with np.errstate(invalid="ignore"):
            gain = np.nan_to_num(best_rss - trial.rss_px2, nan=0.0)
        best = np.where(better[:, None, None], trial.camera_T_board, best)
        # At the bottom rounding may make a step look worse by as little: that is settled too.
        settled = np.abs(gain) <= 1e-10 * best_rss + 1e-18
        best_rss = np.where(better, trial.rss_px2, best_rss)
        fit = CornerFit(
            best,
            fit.residual_px,
            fit.jacobian,
            np.where(better[:, None, None], trial.information, fit.information),
            np.where(better[:, None], trial.step, fit.step),
            best_rss,
        )
        scale = np.where(better, 1.0, scale / 4)
        if (settled | (scale < 1e-3)).all():
            break
    return best, best_rss


def _planar_starts(camera: CameraModel, stack: ViewStack, row: int) -> tuple[Array, Array]:
    """Both tilt branches (4, 4) of one view; twice a board far behind the camera when there is none."""
    nowhere = rigid.compose_parts(np.eye(3), [0.0, 0.0, -1.0])
    used = stack.weights[row] > 0
    points = stack.points_m[row, used]
    if used.sum() < 4 or np.linalg.matrix_rank(points[:, :2] - points[:, :2].mean(0), tol=1e-9) < 2:
        return nowhere, nowhere
    rays = np.ascontiguousarray(camera.rays(stack.corners_px[row, used])[:, :2])
    if not np.isfinite(rays).all():
        return nowhere, nowhere
    # A noiseless board tilted about one of its own axes can make the method take the root of a number just below 0;
    # numbered along other axes it does not.
    for spin_rad in (0.0, 0.5, 1.1):
        found = _tilt_branches(points, rays, spin_rad)
        if found:
            return found[0], found[-1]
    return nowhere, nowhere


def _tilt_branches(points_m: Array, rays: Array, spin_rad: float) -> list[Array]:
    """The finite ones of the two poses (4, 4) that the homography between points (K, 3) and rays (K, 2) allows."""
    # The method wants the board centred on its own origin.
    spun_T_board = rigid.compose_parts(rigid.exp_rotation([0.0, 0.0, spin_rad]), np.zeros(3)) @ rigid.compose_parts(
        np.eye(3), -points_m.mean(axis=0)
    )
    try:
        count, turns, shifts, _ = cv2.solvePnPGeneric(
            rigid.apply(spun_T_board, points_m), rays.reshape(-1, 1, 2), np.eye(3), None, flags=cv2.SOLVEPNP_IPPE
        )
    except cv2.error:
        return []
    found: list[Array] = []
    for turn, shift in zip(turns[:count], shifts[:count], strict=True):
        pose = rigid.compose_parts(rigid.exp_rotation(np.asarray(turn).ravel()), np.asarray(shift).ravel())
        if np.isfinite(pose).all():
            found.append(pose @ spun_T_board)
    return found
