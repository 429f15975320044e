"""Least-squares fit of a lens and of the board's pose in every view, from corners alone.

Gauss-Newton with Levenberg's damping on the normal equations. The six unknowns of a view's pose appear in no other
view, so they are eliminated (Schur complement; D. C. Brown, "A solution to the general problem of multiple station
analytical stereotriangulation", 1958). One system in the lens parameters remains, whose matrix is their Fisher
information with all poses unknown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from eyebolt.errors import InputFault
from eyebolt.geometry import Array, CameraModel, se3
from eyebolt.observations import CornerLinearization, CornerObservations, PoseFits, fit_board_poses, linearize_corners

# Focal lengths in image widths, of which the best is the start: fields of view of 90 to 10 degrees.
_FOCAL_STARTS = np.geomspace(0.5, 6.0, 10)
_MAX_ITERATIONS = 100
# Converged once a step would lower the sum of squares by less than this, in units of the noise variance: no parameter
# moves by more than a hundredth of its standard deviation any more.
_CONVERGED_DECREASE = 1e-4
_FIRST_DAMPING, _MAX_DAMPING = 1e-4, 1e8
# Eigenvalues of the information, scaled to a unit diagonal, that are only rounding; relative to the largest.
_SINGULAR_EIGENVALUE = 1e-13


@dataclass(frozen=True)
class LensView:
    """The corners of the board in one picture."""

    name: str
    """Name of the picture, for people."""
    ids: NDArray[np.int64]
    """(K,): corner numbers of the board."""
    corners_px: Array
    """(K, 2), pixels, pixel centres at integers."""


def stack_views(views: Sequence[LensView], board_corners_m: Array) -> CornerObservations:
    """The corners of ``views``, padded, on a board with corners ``board_corners_m`` (all corners, 3)."""
    width = max(len(view.ids) for view in views)
    points, corners = np.zeros((len(views), width, 3)), np.zeros((len(views), width, 2))
    weights = np.zeros((len(views), width))
    for row, view in enumerate(views):
        count = len(view.ids)
        points[row, :count], corners[row, :count] = board_corners_m[view.ids], view.corners_px
        # Padding repeats a real corner, so that it projects to something finite.
        points[row, count:], corners[row, count:] = board_corners_m[view.ids[0]], view.corners_px[0]
        weights[row, :count] = 1.0
    return CornerObservations(points, corners, weights)


@dataclass(frozen=True)
class ReducedEquations:
    """The normal equations of the lens parameters, the poses of all n views eliminated; for a corner noise of 1 px."""

    corners: CornerLinearization
    """Residuals and derivatives of the corners."""
    information: Array
    """(n, q, q): contribution of each view to the Fisher information of the q lens parameters."""
    gradient: Array
    """(n, q): its contribution to the right-hand side."""
    pose_by_lens: Array
    """(n, 6, q): change of the best pose of each view by the lens parameters."""


def reduced_equations(
    camera: CameraModel, names: tuple[str, ...], stack: CornerObservations, camera_T_board: Array
) -> ReducedEquations | None:
    """Linearised at ``camera`` and ``camera_T_board`` (n, 4, 4); None where a corner has no pixel."""
    corners = linearize_corners(camera, stack, camera_T_board)
    if not np.isfinite(corners.rss_px2).all():
        return None
    n, k = stack.weights.shape
    by_lens = camera.parameter_jacobian(names, se3.apply(camera_T_board, stack.points_m)).reshape(n, 2 * k, -1)
    by_pose = corners.jacobian.reshape(n, 2 * k, 6)
    weight = np.repeat(stack.weights, 2, axis=1)[..., None]
    residual = corners.residual_px.reshape(n, 2 * k, 1)
    weighted_by_pose = np.swapaxes(by_pose * weight, 1, 2)
    pose_by_lens = -np.linalg.solve(corners.information, weighted_by_pose @ by_lens)
    # From the derivative with the poses following the lens, the information is symmetric and keeps its digits.
    total = by_lens + by_pose @ pose_by_lens
    weighted_total = np.swapaxes(total * weight, 1, 2)
    return ReducedEquations(corners, weighted_total @ total, (weighted_total @ residual)[..., 0], pose_by_lens)


@dataclass(frozen=True)
class LensFit:
    """A lens and the poses of the board that fit the corners best."""

    camera: CameraModel
    """The lens."""
    names: tuple[str, ...]
    """(q): names of the parameters that were estimated."""
    stack: CornerObservations
    """The corners, with their weights."""
    view_weights: Array
    """(n,), 1 / px^2: weight of each view, the inverse of the noise variance of its corners."""
    equations: ReducedEquations
    """The normal equations at the estimate."""

    @property
    def camera_T_board(self) -> Array:
        """(n, 4, 4), metres."""
        return self.equations.corners.camera_T_board

    @cached_property
    def information(self) -> Array:
        """(q, q): Fisher information of the lens parameters, all poses unknown."""
        out: Array = np.einsum("n,nij->ij", self.view_weights, self.equations.information)
        return out

    @cached_property
    def covariance(self) -> Array:
        """(q, q): its inverse, the covariance of the estimate if all corner errors are independent."""
        return invert_information(self.information)

    @cached_property
    def degrees_of_freedom(self) -> Array:
        """(n,): of the residuals of each view; two per corner, less its pose and its share of the lens parameters."""
        share = self.view_weights * np.einsum("ij,nji->n", self.covariance, self.equations.information)
        out: Array = np.maximum(2 * self.stack.weights.sum(axis=1) - 6 - share, 1.0)
        return out

    @property
    def rms_px(self) -> float:
        """RMS distance between the corners and their predicted places, pixels; OpenCV's calibrateCamera states it."""
        return float(np.sqrt(self.equations.corners.rss_px2.sum() / self.stack.weights.sum()))


def adjust(
    camera: CameraModel,
    names: tuple[str, ...],
    stack: CornerObservations,
    camera_T_board: Array,
    view_weights: Array,
) -> LensFit | None:
    """The fit of the lens parameters ``names`` and of all poses, from ``camera`` and ``camera_T_board`` (n, 4, 4).

    ``view_weights`` (n,). None if a corner has no pixel at the start.
    """
    fit = _linearized(camera, names, stack, camera_T_board, view_weights)
    damping = _FIRST_DAMPING
    for _ in range(_MAX_ITERATIONS):
        if fit is None or damping > _MAX_DAMPING:
            break
        gradient = view_weights @ fit.equations.gradient
        cost, corners = _cost(fit), fit.equations.corners
        decrease = gradient @ fit.covariance @ gradient + view_weights @ corners.predicted_decrease_px2
        if decrease < _CONVERGED_DECREASE * max(cost / fit.degrees_of_freedom.sum(), 1e-12):
            break
        damped = fit.information + damping * np.diag(np.diagonal(fit.information))
        step = invert_information(damped) @ gradient
        pose_step = corners.step + fit.equations.pose_by_lens @ step
        try:
            changed = fit.camera.perturbed(dict(zip(names, step.tolist(), strict=True)))
        except InputFault:
            # A focal length below zero.
            damping *= 10
            continue
        trial = _linearized(changed, names, stack, fit.camera_T_board @ se3.exp(pose_step), view_weights)
        if trial is None or not _cost(trial) <= cost:
            damping *= 10
        else:
            fit, damping = trial, max(damping / 10, 1e-12)
    return fit


def initial_lens(size_px: tuple[int, int], stack: CornerObservations) -> tuple[CameraModel, PoseFits]:
    """An undistorted lens with the principal point in the centre of the image, and the poses of the views.

    The focal length is the best one of a geometric series: unlike closed forms, it cannot fail for parallel views.
    """
    width, height = size_px
    starts = []
    for factor in _FOCAL_STARTS:
        focal = float(factor * width)
        matrix = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1]])
        camera = CameraModel(width, height, matrix, np.zeros(0))
        fits = fit_board_poses(camera, stack)
        # A view without a pose counts as one that is wrong by the size of the image.
        rss = np.where(np.isfinite(fits.rss_px2), fits.rss_px2, stack.weights.sum(axis=1) * width**2)
        starts.append((float(rss.sum()), camera, fits))
    _, camera, fits = min(starts, key=lambda start: start[0])
    return camera, fits


def invert_information(information: Array) -> Array:
    """Inverse (..., q, q) of a symmetric matrix, scaled to a unit diagonal first since pixels and coefficients differ.

    Directions that are unobservable up to rounding get the variance that rounding would leave: large, and finite.
    """
    scale = 1 / np.sqrt(np.maximum(np.diagonal(information, axis1=-2, axis2=-1), 1e-300))
    values, vectors = np.linalg.eigh(information * scale[..., :, None] * scale[..., None, :])
    values = np.maximum(values, _SINGULAR_EIGENVALUE * values[..., -1:])
    inverse = (vectors / values[..., None, :]) @ np.swapaxes(vectors, -1, -2)
    out: Array = inverse * scale[..., :, None] * scale[..., None, :]
    return out


def _linearized(
    camera: CameraModel, names: tuple[str, ...], stack: CornerObservations, camera_T_board: Array, view_weights: Array
) -> LensFit | None:
    equations = reduced_equations(camera, names, stack, camera_T_board)
    return None if equations is None else LensFit(camera, names, stack, view_weights, equations)


def _cost(fit: LensFit) -> float:
    return float(fit.view_weights @ fit.equations.corners.rss_px2)
