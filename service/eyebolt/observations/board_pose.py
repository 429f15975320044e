"""The pose of the board in the camera frame, from the corners of one view, for many views at once.

The start is the planar solution from the homography of the view, which has two tilt branches (T. Collins, A. Bartoli,
"Infinitesimal plane-based pose estimation", IJCV 109, 2014); the refinement is Gauss-Newton on the corners. Views are
padded to a common number of corners; ``weights`` is 0 on padding and small on outlier corners.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.geometry import Array, CameraModel, RowSelection, se3
from eyebolt.observations.board_bow import CornerField
from eyebolt.observations.pair import Pair

MIN_CORNERS = 6
"""Corners that a view needs for a pose: two more than its homography."""
# A tilt branch with corner errors this many times those of the other one cannot become the better one.
_MAX_BRANCH_ERROR_RATIO = 5.0
# Determinant of the correlation matrix of a pose below which some direction of the pose is unobservable.
_SINGULAR_DETERMINANT = 1e-19
# In normal noise one corner in 25 000 lies further off (Rayleigh distribution).
_OUTLIER_SIGMAS = 4.5
_MAX_REWEIGHTINGS = 6
# If fewer corners of a view than this share are inliers, the view as a whole is wrong: outliers are not the cause.
_MIN_INLIER_SHARE = 0.6
# The corner noise of a perfect image is less; a deviation by a few of these does no harm.
_MIN_NOISE_PX = 0.03
# Corner noise of a good image, against which the prior of the bow counts in a single view. Common practice, no source.
_USUAL_NOISE_PX = 0.1


@dataclass(frozen=True)
class CornerObservations:
    """The corners of n views, padded to K corners each."""

    points_m: Array
    """(n, K, 3), metres, board frame."""
    corners_px: Array
    """(n, K, 2), pixels."""
    weights: Array
    """(n, K): 1, less for outlier corners, 0 on padding."""

    @staticmethod
    def from_pairs(pairs: Sequence[Pair], board_corners_m: Array) -> CornerObservations:
        """The views of ``pairs``, padded, on a board with corners ``board_corners_m`` (all corners, 3)."""
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

    @staticmethod
    def from_view(ids: NDArray[np.int64], corners_px: Array, board_corners_m: Array) -> CornerObservations:
        """One view (n = 1): corners ``ids`` (K,) of the board observed at ``corners_px`` (K, 2)."""
        observed = np.asarray(corners_px, dtype=float)[None]
        return CornerObservations(board_corners_m[ids][None], observed, np.ones((1, len(ids))))

    def __getitem__(self, rows: RowSelection) -> CornerObservations:
        return CornerObservations(self.points_m[rows], self.corners_px[rows], self.weights[rows])


@dataclass(frozen=True)
class CornerLinearization:
    """The corners of n views linearised about poses of the board, perturbed on the right."""

    camera_T_board: Array
    """(n, 4, 4): the poses."""
    residual_px: Array
    """(n, K, 2), pixels: observed minus predicted; 0 on padding."""
    jacobian: Array
    """(n, K, 2, 6), pixels per twist (translation m, rotation rad)."""
    information: Array
    """(n, 6, 6): Fisher information of the poses for a corner noise of 1 px."""
    step: Array
    """(n, 6): the Gauss-Newton step."""
    rss_px2: Array
    """(n,), square pixels: weighted residual sum of squares."""

    @property
    def predicted_decrease_px2(self) -> Array:
        """(n,): decrease of ``rss_px2`` by the step as the linear model predicts it."""
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
    pixel_by_translation = pixel_by_point @ camera_T_board[:, None, :3, :3]
    jacobian = np.empty((*pixel_by_translation.shape[:-1], 6))
    jacobian[..., :3] = pixel_by_translation
    # d(R (p + w x p)) / dw = -R [p]x ; a row times -[p]x is the cross product p x row.
    (x, y, z), (a, b, c) = np.moveaxis(stack.points_m[:, :, None, :], -1, 0), np.moveaxis(pixel_by_translation, -1, 0)
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
    """Board poses of n views: the better tilt branch, the other one, and the residuals of both.

    Residual sums are infinite where a view has no usable pose (too few corners, collinear corners, behind the camera).
    """

    camera_T_board: Array
    """(n, 4, 4): the branch that fits better."""
    rss_px2: Array
    """(n,), square pixels: residual sum of squares of that branch."""
    other_branch: Array
    """(n, 4, 4): the other branch."""
    other_rss_px2: Array
    """(n,), square pixels: residual sum of squares of the other branch."""

    def __getitem__(self, rows: RowSelection) -> PoseFits:
        return PoseFits(
            self.camera_T_board[rows], self.rss_px2[rows], self.other_branch[rows], self.other_rss_px2[rows]
        )

    def with_branches_swapped(self, swap: NDArray[np.bool_]) -> PoseFits:
        """The fits with the two branches exchanged in the views ``swap`` (n,)."""
        pick = swap[:, None, None]
        return PoseFits(
            np.where(pick, self.other_branch, self.camera_T_board),
            np.where(swap, self.other_rss_px2, self.rss_px2),
            np.where(pick, self.camera_T_board, self.other_branch),
            np.where(swap, self.rss_px2, self.other_rss_px2),
        )


def fit_board_poses(camera: CameraModel, stack: CornerObservations, iterations: int = 25) -> PoseFits:
    """Least-squares board pose of every view, refined from both planar tilt branches.

    A branch whose corner errors after the planar solution are five times those of the other is not refined.
    """
    starts, errors = _planar_initial_poses(camera, stack)
    first, first_rss = refine_board_poses(camera, stack, starts[:, 0], iterations)
    second, second_rss = starts[:, 1].copy(), np.full(len(starts), np.inf)
    close = np.flatnonzero((errors[:, 1] < _MAX_BRANCH_ERROR_RATIO * errors[:, 0] + 1e-9) | ~np.isfinite(first_rss))
    far = np.setdiff1d(np.arange(len(starts)), close)
    if close.size:
        second[close], second_rss[close] = refine_board_poses(camera, stack[close], second[close], iterations)
    if far.size:
        second_rss[far] = _rss_px2(camera, stack[far], second[far])
    fits = PoseFits(first, first_rss, second, second_rss)
    return fits.with_branches_swapped(second_rss < first_rss)


def _rss_px2(camera: CameraModel, stack: CornerObservations, camera_T_board: Array) -> Array:
    """(n,): weighted residual sums of squares at the poses, infinite with a point behind the camera."""
    residual = stack.corners_px - camera.project(se3.apply(camera_T_board, stack.points_m))
    squares = (stack.weights[..., None] * residual**2).sum(axis=(1, 2))
    return np.where(np.isfinite(squares), squares, np.inf)


def refine_board_poses(
    camera: CameraModel, stack: CornerObservations, start: Array, iterations: int = 25
) -> tuple[Array, Array]:
    """Gauss-Newton with step halving; returns poses (n, 4, 4) and residual sums (n,), infinite where it failed."""
    poses, rss = start.copy(), np.full(len(start), np.inf)
    # Views that have converged are left out of the further iterations.
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
    camera: CameraModel, stack: CornerObservations, poses: PoseFits, field: CornerField
) -> tuple[CornerObservations, PoseFits]:
    """Reduces the weight of corners too far off to be noise (edge of a shadow, gripper over the board), and refits.

    Iteratively reweighted least squares. The corner noise is estimated from the median residual of all corners; beyond
    4.5 sigma the weight falls with the fourth power of the distance. Weights and poses are unchanged without outliers.
    A bow of the board that all views share is estimated beside the poses, and is no residual; ``field``: its corners.
    """
    for _ in range(_MAX_REWEIGHTINGS):
        linearized = linearize_corners(camera, stack, poses.camera_T_board)
        # The bow must not follow outliers: a bow that is left in the residuals costs a few corners, for one round.
        weights = _weights_by_distance(linearized.residual_px, stack.weights > 0)
        weights = _weights_by_distance(_residual_beyond_bow(linearized, stack, weights, field), stack.weights > 0)
        if np.abs(weights - stack.weights).max(initial=0.0) < 0.01:
            break
        stack = CornerObservations(stack.points_m, stack.corners_px, weights)
        refined, rss = refine_board_poses(camera, stack, poses.camera_T_board)
        poses = PoseFits(refined, rss, poses.other_branch, poses.other_rss_px2)
    return stack, poses


def _weights_by_distance(residual_px: Array, is_observed: NDArray[np.bool_]) -> Array:
    """Weights (n, K) of corners with the residuals (n, K, 2), see ``downweight_outlier_corners``."""
    distance = np.linalg.norm(residual_px, axis=-1)
    # The median distance of two-dimensional normal noise is 1.177 sigma; the fitted pose took some of it.
    noise_share = max(1 - 3 * len(is_observed) / max(int(is_observed.sum()), 1), 0.1)
    scale = _OUTLIER_SIGMAS / 1.1774 / np.sqrt(noise_share)
    limit = np.full(
        (len(is_observed), 1), max(scale * float(np.median(distance[is_observed])), _OUTLIER_SIGMAS * _MIN_NOISE_PX)
    )
    # A few outliers far off pull the pose of their view until most of its corners exceed the limit. The median of
    # that view alone, which falls as the outliers lose their weight, separates them from the inliers.
    many_outliers = (distance < limit).sum(axis=1, where=is_observed) < _MIN_INLIER_SHARE * is_observed.sum(axis=1)
    limit[many_outliers, 0] = scale * np.nanmedian(
        np.where(is_observed[many_outliers], distance[many_outliers], np.nan), axis=1
    )
    weights = is_observed * np.minimum(1.0, (limit / np.maximum(distance, 1e-12)) ** 4)
    # A view with few inliers is wrong as a whole, and too few corners would not determine its pose.
    has_enough_inliers = (weights > 0.5).sum(axis=1) >= np.maximum(
        MIN_CORNERS, _MIN_INLIER_SHARE * is_observed.sum(axis=1)
    )
    out: Array = np.where(has_enough_inliers[:, None], weights, is_observed)
    return out


def _residual_beyond_bow(
    linearized: CornerLinearization, stack: CornerObservations, weights: Array, field: CornerField
) -> Array:
    """Residuals (n, K, 2), pixels, about the best poses and the best bow of the board that the n views share.

    The bow is estimated with ``weights`` (n, K) and its prior, the poses follow it with the weights of ``stack``.
    """
    n, k = weights.shape
    by_pose, residual = linearized.jacobian.reshape(n, 2 * k, 6), linearized.residual_px.reshape(n, 2 * k, 1)
    heights = field.sigma_m * field.basis(stack.points_m)
    by_bow = (linearized.jacobian[..., 2, None] * heights[:, :, None, :]).reshape(n, 2 * k, 3)
    weighted_pose = np.swapaxes(by_pose * np.repeat(stack.weights, 2, axis=1)[..., None], 1, 2)
    by_bow = by_bow - by_pose @ np.linalg.solve(linearized.information, weighted_pose @ by_bow)
    weighted_bow = np.swapaxes(by_bow * np.repeat(weights, 2, axis=1)[..., None], 1, 2)
    information, gradient = (weighted_bow @ by_bow).sum(axis=0), (weighted_bow @ residual).sum(axis=0)
    bow = np.linalg.solve(information + _USUAL_NOISE_PX**2 * np.eye(3), gradient)
    out: Array = linearized.residual_px - (by_bow @ bow).reshape(n, k, 2) * (weights > 0)[..., None]
    return out


@dataclass(frozen=True)
class BoardPose:
    """The pose of the board in one view."""

    camera_T_board: Array
    """(4, 4), metres."""
    unit_covariance: Array
    """(6, 6): covariance for a corner noise of 1 px, perturbed on the right, (translation m, rotation rad)."""
    points_m: Array
    """(K, 3), metres, board frame: the corners it is fitted to, on a flat board."""


def fit_board_pose(
    camera: CameraModel, ids: NDArray[np.int64], corners_px: Array, board_corners_m: Array
) -> tuple[BoardPose, float] | None:
    """The pose from one view, and its residual sum of squares in square pixels; None if the corners determine none.

    Corners ``ids`` (K,) of the board ``board_corners_m`` (all corners, 3) are observed at ``corners_px`` (K, 2). The
    pose is that of a flat board; what a bow of the board explains of the residuals, within its prior, is left out.
    """
    if len(ids) < MIN_CORNERS:
        return None
    stack = CornerObservations.from_view(ids, corners_px, board_corners_m)
    fits = fit_board_poses(camera, stack)
    if not np.isfinite(fits.rss_px2[0]):
        return None
    linearized = linearize_corners(camera, stack, fits.camera_T_board)
    residual_px = _residual_beyond_bow(linearized, stack, stack.weights, CornerField.of(board_corners_m))
    unit_covariance = np.linalg.inv(linearized.information[0])
    return BoardPose(fits.camera_T_board[0], unit_covariance, stack.points_m[0]), float((residual_px**2).sum())


def _planar_initial_poses(camera: CameraModel, stack: CornerObservations) -> tuple[Array, Array]:
    """Both tilt branches (n, 2, 4, 4) of every view and their corner errors (n, 2), in rays of z = 1.

    A view without a planar solution gets twice a pose behind the camera, with infinite errors.
    """
    n = len(stack.weights)
    # Per branch: rotation vector and translation of the board rotated in its plane by ``spin`` about ``centre``.
    twists = np.tile([0.0, 0.0, 0.0, 0.0, 0.0, -1.0], (n, 2, 1))
    errors = np.full((n, 2), np.inf)
    spins = np.zeros((n, 1, 3))
    rays = camera.rays(stack.corners_px)[..., :2]
    used = stack.weights > 0
    count = used.sum(axis=1)
    centres = np.einsum("nk,nkd->nd", used, stack.points_m) / np.maximum(count, 1)[:, None]
    # The planar solution of a board with a bow is that of its plane.
    centred = (stack.points_m - centres[:, None]) * [1.0, 1.0, 0.0]
    has_rays = (np.isfinite(rays).all(axis=-1) | ~used).all(axis=1)
    for row in np.flatnonzero((count >= 4) & has_rays & ~_is_collinear(centred * used[..., None])):
        points, points_in_camera = centred[row, used[row]], rays[row, used[row]]
        # For a noiseless board tilted about one of its own axes the method may take the root of a number just below
        # 0 by rounding; with the board rotated in its plane it does not.
        for spin_rad in (0.0, 0.5, 1.1):
            found = _tilt_branches(points, points_in_camera, spin_rad)
            if found:
                twists[row], errors[row] = zip(found[0], found[-1], strict=True)
                spins[row, 0, 2] = spin_rad
                break
    spun_T_board = se3.compose_parts(se3.exp_rotation(spins), np.zeros(3))
    spun_T_board[:, 0, :3, 3] = -(spun_T_board[:, 0, :3, :3] @ centres[..., None])[..., 0]
    return se3.compose_parts(se3.exp_rotation(twists[..., :3]), twists[..., 3:]) @ spun_T_board, errors


def _is_collinear(centred_m: Array) -> NDArray[np.bool_]:
    """(n,): whether the points (n, K, 3) about their centres lie on a line."""
    (a, b), (_, c) = np.moveaxis(np.swapaxes(centred_m, 1, 2) @ centred_m, 0, -1)[:2, :2]
    # Smaller eigenvalue of the scatter matrix, relative to its trace.
    smaller = (a + c) / 2 - np.hypot((a - c) / 2, b)
    out: NDArray[np.bool_] = smaller < 1e-12 * np.maximum(a + c, 1e-12)
    return out


def _tilt_branches(centred_m: Array, rays: Array, spin_rad: float) -> list[tuple[Array, float]]:
    """The finite ones of the two poses that the homography between points (K, 3) and rays (K, 2) allows.

    Each as (rotation vector, translation) (6,) of the board rotated in its plane by ``spin_rad``, with its error in
    rays, the better one first.
    """
    points = centred_m @ se3.exp_rotation([0.0, 0.0, spin_rad]).T if spin_rad else centred_m
    try:
        count, rotations, translations, errors = cv2.solvePnPGeneric(
            points, rays.reshape(-1, 1, 2), np.eye(3), None, flags=cv2.SOLVEPNP_IPPE
        )
    except cv2.error:
        return []
    found: list[tuple[Array, float]] = []
    solutions = zip(rotations[:count], translations[:count], np.asarray(errors).ravel(), strict=False)
    for rotation, translation, error in solutions:
        twist = np.concatenate([np.asarray(rotation).ravel(), np.asarray(translation).ravel()])
        if np.isfinite(twist).all():
            found.append((twist, float(error)))
    return found
