"""Where the board is in the camera's frame, from one view alone, for many views at once.

The start is the planar solution from the view's homography (both tilt branches); the refinement is Gauss-Newton on
the corners. Views are padded to a common corner count; ``weights`` is 0 on padding and small on stray corners.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.geometry import Array, CameraModel, RowSelection, se3
from eyebolt.observations.pair import Pair

MIN_CORNERS = 6
# A tilt branch whose corners lie this many times farther off than the other's is not worth refining.
_MAX_BRANCH_ERROR_RATIO = 5.0
# The determinant of a pose's correlations: below it some direction of the pose is not seen at all.
_SINGULAR_DETERMINANT = 1e-19
_OUTLIER_SIGMAS = 4.5
_MAX_REWEIGHTINGS = 6
# What is true of less than this share of a view's corners is no stray's doing.
_MIN_INLIER_SHARE = 0.6
# Corners of a perfect picture scatter by less; what lies off by a few of those harms nothing.
_MIN_NOISE_PX = 0.03


@dataclass(frozen=True)
class CornerObservations:
    """n views padded to K corners: ``points_m`` (n, K, 3), ``corners_px`` (n, K, 2), ``weights`` (n, K)."""

    points_m: Array
    corners_px: Array
    weights: Array

    @staticmethod
    def of(pairs: Sequence[Pair], board_corners_m: Array) -> CornerObservations:
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
        return CornerObservations(points, corners, weights)

    def __getitem__(self, rows: RowSelection) -> CornerObservations:
        return CornerObservations(self.points_m[rows], self.corners_px[rows], self.weights[rows])


@dataclass(frozen=True)
class CornerLinearization:
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

    @property
    def predicted_decrease_px2(self) -> Array:
        """(n,): by how much the step lowers ``rss_px2`` if the corners are as linear as they look."""
        out: Array = np.einsum("ni,nij,nj->n", self.step, self.information, self.step)
        return out


def linearize_corners(camera: CameraModel, stack: CornerObservations, camera_T_board: Array) -> CornerLinearization:
    """Corner residuals and their derivative with respect to ``camera_T_board * exp(xi)``.

    A view with a point behind the camera gets an infinite ``rss_px2`` and a zero step.
    """
    points_in_camera = se3.apply(camera_T_board, stack.points_m)
    pixels, pixel_by_point = camera.project_with_jacobian(points_in_camera)
    visible = np.asarray(np.isfinite(pixels).all(axis=(-1, -2)))
    residual = (stack.corners_px - pixels) * (stack.weights > 0)[..., None]
    if not visible.all():
        residual[~visible] = 0.0
        pixel_by_point[~visible] = 0.0
    turned = pixel_by_point @ camera_T_board[:, None, :3, :3]
    jacobian = np.empty((*turned.shape[:-1], 6))
    jacobian[..., :3] = turned
    # d(R (p + w x p)) / dw = -R [p]x ; a row times -[p]x is the cross product p x row.
    (x, y, z), (a, b, c) = np.moveaxis(stack.points_m[:, :, None, :], -1, 0), np.moveaxis(turned, -1, 0)
    jacobian[..., 3], jacobian[..., 4], jacobian[..., 5] = y * c - z * b, z * a - x * c, x * b - y * a
    n, k = stack.weights.shape
    flat = jacobian.reshape(n, 2 * k, 6)
    weight = np.repeat(stack.weights, 2, axis=1)
    weighted = np.swapaxes(flat * weight[..., None], 1, 2)
    information = weighted @ flat
    gradient = weighted @ residual.reshape(n, 2 * k, 1)
    size = np.sqrt(np.maximum(np.diagonal(information, axis1=1, axis2=2), 1e-300))
    usable = visible & (np.linalg.det(information / size[:, :, None] / size[:, None, :]) > _SINGULAR_DETERMINANT)
    step = np.zeros((n, 6))
    step[usable] = np.linalg.solve(information[usable], gradient[usable])[..., 0]
    rss = np.where(usable, np.einsum("nk,nk->n", weight, residual.reshape(n, 2 * k) ** 2), np.inf)
    return CornerLinearization(camera_T_board, residual, jacobian, information, step, rss)


@dataclass(frozen=True)
class PoseFits:
    """Board poses of n views: the better tilt branch, the other one, and how much worse it fits.

    ``camera_T_board`` and ``other_branch`` (n, 4, 4); ``rss_px2``, ``other_rss_px2`` (n,): sums of squared corner
    residuals; infinite where a view has no usable pose (too few corners, corners on a line, behind the camera).
    """

    camera_T_board: Array
    rss_px2: Array
    other_branch: Array
    other_rss_px2: Array

    def __getitem__(self, rows: RowSelection) -> PoseFits:
        return PoseFits(
            self.camera_T_board[rows], self.rss_px2[rows], self.other_branch[rows], self.other_rss_px2[rows]
        )

    def with_branches_swapped(self, swap: NDArray[np.bool_]) -> PoseFits:
        """The same with the two branches of the views ``swap`` (n,) bool exchanged."""
        pick = swap[:, None, None]
        return PoseFits(
            np.where(pick, self.other_branch, self.camera_T_board),
            np.where(swap, self.other_rss_px2, self.rss_px2),
            np.where(pick, self.camera_T_board, self.other_branch),
            np.where(swap, self.rss_px2, self.other_rss_px2),
        )


def fit_board_poses(camera: CameraModel, stack: CornerObservations, iterations: int = 25) -> PoseFits:
    """Least-squares board pose of every view, starting from both planar tilt branches.

    A branch that the homography already shows to be far worse is left as it is.
    """
    starts, errors = _planar_initial_poses(camera, stack)
    first, first_rss = refine_board_poses(camera, stack, starts[:, 0], iterations)
    second, second_rss = starts[:, 1].copy(), np.full(len(starts), np.inf)
    close = np.flatnonzero((errors[:, 1] < _MAX_BRANCH_ERROR_RATIO * errors[:, 0] + 1e-9) | ~np.isfinite(first_rss))
    far = np.setdiff1d(np.arange(len(starts)), close)
    if close.size:
        second[close], second_rss[close] = refine_board_poses(camera, stack[close], second[close], iterations)
    if far.size:
        second_rss[far] = linearize_corners(camera, stack[far], second[far]).rss_px2
    fits = PoseFits(first, first_rss, second, second_rss)
    return fits.with_branches_swapped(second_rss < first_rss)


def refine_board_poses(
    camera: CameraModel, stack: CornerObservations, start: Array, iterations: int = 25
) -> tuple[Array, Array]:
    """Gauss-Newton with step halving; returns poses (n, 4, 4) and residual sums (n,), infinite where it failed."""
    poses, rss = start.copy(), np.full(len(start), np.inf)
    # Views that have settled are not looked at again.
    rows = np.arange(len(start))
    fit = linearize_corners(camera, stack, start)
    rss[:] = fit.rss_px2
    step, scale = fit.step, np.ones(len(start))
    predicted_decrease = fit.predicted_decrease_px2
    for _ in range(iterations):
        active = np.isfinite(rss[rows]) & (predicted_decrease > 1e-8 * rss[rows] + 1e-18) & (scale > 1e-3)
        rows, step, scale, predicted_decrease = rows[active], step[active], scale[active], predicted_decrease[active]
        if not rows.size:
            break
        fit = linearize_corners(camera, stack[rows], poses[rows] @ se3.exp(step * scale[:, None]))
        better = fit.rss_px2 <= rss[rows]
        poses[rows[better]], rss[rows[better]] = fit.camera_T_board[better], fit.rss_px2[better]
        step = np.where(better[:, None], fit.step, step)
        predicted_decrease = np.where(better, fit.predicted_decrease_px2, predicted_decrease)
        scale = np.where(better, 1.0, scale / 4)
    return poses, rss


def downweight_outlier_corners(
    camera: CameraModel, stack: CornerObservations, poses: PoseFits
) -> tuple[CornerObservations, PoseFits]:
    """Corners that lie too far off to be noise (a shadow's edge, a gripper over the board) lose their weight.

    Beyond ``_OUTLIER_SIGMAS`` times the corner noise, judged from the median of all, the weight falls as the fourth power of
    the distance; the poses are fitted anew until nothing more changes. Without strays nothing is touched.
    """
    for _ in range(_MAX_REWEIGHTINGS):
        residual = linearize_corners(camera, stack, poses.camera_T_board).residual_px
        distance = np.linalg.norm(residual, axis=-1)
        is_observed = stack.weights > 0
        # The median distance of two-dimensional normal noise is 1.177 sigma; the fitted pose took some of it.
        noise_share = max(1 - 3 * len(is_observed) / max(int(is_observed.sum()), 1), 0.1)
        scale = _OUTLIER_SIGMAS / 1.1774 / np.sqrt(noise_share)
        limit = np.full(
            (len(is_observed), 1), max(scale * float(np.median(distance[is_observed])), _OUTLIER_SIGMAS * _MIN_NOISE_PX)
        )
        # A few strays far off bend the pose of their view until most of its corners seem off; its own median, which
        # falls as they lose their weight, tells them from the rest.
        many_outliers = (distance < limit).sum(axis=1, where=is_observed) < _MIN_INLIER_SHARE * is_observed.sum(axis=1)
        limit[many_outliers, 0] = scale * np.nanmedian(
            np.where(is_observed[many_outliers], distance[many_outliers], np.nan), axis=1
        )
        weights = is_observed * np.minimum(1.0, (limit / np.maximum(distance, 1e-12)) ** 4)
        # A view that is off as a whole tells of something else than strays, and too few corners tell nothing.
        has_enough_inliers = (weights > 0.5).sum(axis=1) >= np.maximum(
            MIN_CORNERS, _MIN_INLIER_SHARE * is_observed.sum(axis=1)
        )
        weights = np.where(has_enough_inliers[:, None], weights, is_observed)
        if np.abs(weights - stack.weights).max(initial=0.0) < 0.01:
            break
        stack = CornerObservations(stack.points_m, stack.corners_px, weights)
        refined, rss = refine_board_poses(camera, stack, poses.camera_T_board)
        poses = PoseFits(refined, rss, poses.other_branch, poses.other_rss_px2)
    return stack, poses


def _planar_initial_poses(camera: CameraModel, stack: CornerObservations) -> tuple[Array, Array]:
    """Both tilt branches (n, 2, 4, 4) of every view and their corner errors (n, 2), in rays of z = 1.

    Twice a board far behind the camera, and infinite errors, where there is none.
    """
    n = len(stack.weights)
    # Per branch: rotation vector and shift of the board turned in its plane by ``spin`` and centred on ``centre``.
    twists = np.tile([0.0, 0.0, 0.0, 0.0, 0.0, -1.0], (n, 2, 1))
    errors = np.full((n, 2), np.inf)
    spins, centres = np.zeros((n, 1, 3)), np.zeros((n, 3))
    rays = camera.rays(stack.corners_px)[..., :2]
    for row in range(n):
        used = stack.weights[row] > 0
        points_in_camera = np.ascontiguousarray(rays[row, used])
        points = stack.points_m[row, used]
        if len(points_in_camera) < 4 or not np.isfinite(points_in_camera).all():
            continue
        centre = points.mean(axis=0)
        points = points - centre
        if _is_collinear(points):
            continue
        # A noiseless board tilted about one of its own axes can make the method take the root of a number just below
        # 0; numbered along other axes it does not.
        for spin_rad in (0.0, 0.5, 1.1):
            found = _tilt_branches(points, points_in_camera, spin_rad)
            if found:
                twists[row], errors[row] = zip(found[0], found[-1], strict=True)
                spins[row, 0, 2], centres[row] = spin_rad, centre
                break
    spun_T_board = se3.compose_parts(se3.exp_rotation(spins), np.zeros(3))
    spun_T_board[:, 0, :3, 3] = -(spun_T_board[:, 0, :3, :3] @ centres[..., None])[..., 0]
    return se3.compose_parts(se3.exp_rotation(twists[..., :3]), twists[..., 3:]) @ spun_T_board, errors


def _is_collinear(centred_m: Array) -> bool:
    (a, b), (_, c) = centred_m[:, :2].T @ centred_m[:, :2]
    # The smaller singular value of the flat points against the size of anything that could be a board.
    smaller = (a + c) / 2 - np.hypot((a - c) / 2, b)
    return bool(smaller < 1e-12 * max(a + c, 1e-12))


def _tilt_branches(centred_m: Array, rays: Array, spin_rad: float) -> list[tuple[Array, float]]:
    """The finite ones of the two poses that the homography between points (K, 3) and rays (K, 2) allows.

    Each as (rotation vector, shift) (6,) of the board turned in its plane by ``spin_rad``, with its error in rays, the
    better one first.
    """
    points = centred_m @ se3.exp_rotation([0.0, 0.0, spin_rad]).T if spin_rad else centred_m
    try:
        count, turns, shifts, errors = cv2.solvePnPGeneric(
            points, rays.reshape(-1, 1, 2), np.eye(3), None, flags=cv2.SOLVEPNP_IPPE
        )
    except cv2.error:
        return []
    found: list[tuple[Array, float]] = []
    for turn, shift, error in zip(turns[:count], shifts[:count], np.asarray(errors).ravel(), strict=False):
        twist = np.concatenate([np.asarray(turn).ravel(), np.asarray(shift).ravel()])
        if np.isfinite(twist).all():
            found.append((twist, float(error)))
    return found
