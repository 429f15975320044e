"""The problem linearised at the level of board poses: each view becomes six numbers with their covariance.

The corners of a view with information H (for corner noise of 1 px) measure the pose of the board with covariance
s^2 inverse(H), s the corner noise in pixels; the error of the arm is added to it. With the predicted pose
P0 = inverse(X) A Y and the observed pose P,

    e_i = log(inverse(P0_i) P_i) = G_i z + M_i xi_i + K_i u + noise,

where z is the change of X and Y, xi_i the error of the arm at the flange and u the standardised nuisance parameters of
board and lens that all views share (see ``nuisance_prior``; prior N(0, I)). To first order nothing is lost against
using every corner; with the corners linearised anew at the estimate, the fixed point is the maximum-likelihood estimate
on the corners. What a view shows about u by itself, with its pose free, enters as information and gradient.

All of it is multiplied by inverse(M_i), that is, expressed in the coordinates of the flange: there the arm's part of
the covariance is diagonal and the same for all views. M_i is an adjoint, so its inverse costs nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property

import numpy as np
import scipy

from eyebolt.calibration.estimation.corner_noise import MIN_CORNER_SIGMA_PX, CornerNoise, estimate_corner_noise
from eyebolt.calibration.estimation.print_error import (
    PRINT_ERROR_ITERATIONS,
    CornerDisplacement,
    eliminate_displacement,
)
from eyebolt.calibration.estimation.statistics import mahalanobis_sq
from eyebolt.calibration.estimation.vertical_axis import observable_directions
from eyebolt.calibration.nuisance_prior import SCALE, NuisancePrior, ParameterGroup, raw_corner_jacobian
from eyebolt.calibration.problem import Problem
from eyebolt.geometry import COEFFICIENT_NAMES, MATRIX_NAMES, Array, CameraModel, Mount, RowSelection, se3
from eyebolt.observations import (
    BOW_PARAMETERS,
    CornerField,
    CornerLinearization,
    CornerObservations,
    PoseFits,
    linearize_corners,
)

# The fixed-point iteration for the corner noise converges by a factor of the order of unknowns over corners.
_CORNER_NOISE_ITERATIONS = 3
# Eigenvalue of a normal matrix, relative to the largest, below which a direction has no information: it is rounding.
_MIN_EIGENVALUE_RATIO = 1e-14
# A board that is flat to this is linearised as flat: the second order of 0.1 mm is 0.0001 mm.
_LARGE_BOW_M = 1e-4


class MovedPart(StrEnum):
    """What moved during a session, and with it the transform that changed."""

    CAMERA = "camera"
    """X changed."""
    BOARD = "board"
    """Y changed."""

    @property
    def columns(self) -> slice:
        """Columns of its transform among the twelve of X and Y."""
        return slice(0, 6) if self is MovedPart.CAMERA else slice(6, 12)

    @property
    def other(self) -> MovedPart:
        """The part that did not move."""
        return MovedPart.BOARD if self is MovedPart.CAMERA else MovedPart.CAMERA


@dataclass(frozen=True)
class Drift:
    """A slow change of X or Y over the session, as six standardised nuisance parameters: X exp(d s), or Y exp(d s).

    The profile s is -1 at ``first`` and 0 at ``last``: X and Y are the transforms at ``last``.
    """

    moved_part: MovedPart
    """What creeps."""
    first: float
    """Place of the first pair in the order of capture."""
    last: float
    """Place of the last pair in the order of capture."""
    sigma: Array
    """(6,), m and rad: prior standard deviations of the change d between them."""

    def profile(self, capture_order: Array) -> Array:
        """s (n,) at the places ``capture_order`` (n,)."""
        out: Array = (capture_order - self.last) / (self.last - self.first)
        return out

    def board_columns(self, camera_T_board: Array, capture_order: Array) -> Array:
        """(n, 6, 6): change of the board poses (n, 4, 4), board frame, per standardised parameter."""
        by_change: Array = (
            -se3.adjoint(se3.inverse(camera_T_board)) if self.moved_part is MovedPart.CAMERA else np.eye(6)
        )
        out: Array = by_change * self.profile(capture_order)[:, None, None] * self.sigma
        return out


@dataclass(frozen=True)
class BoardPoses:
    """The corners of n views linearised one view at a time: the best board pose of each, its covariance, and how it
    depends on the r standardised nuisance parameters of the problem's prior."""

    camera_T_board: Array
    """(n, 4, 4), metres: least-squares pose of each view."""
    unit_covariance: Array
    """(n, 6, 6): inverse(H), covariance of the pose for corner noise of 1 px."""
    nuisance_jacobian: Array
    """(n, 6, r): K, change of the pose per unit of each nuisance."""
    nuisance_information: Array
    """(n, r, r): information about the nuisances in each view alone, its pose being free, for corner noise of 1 px."""
    nuisance_gradient: Array
    """(n, r): gradient of the log likelihood for ``nuisance_information``."""

    def __getitem__(self, rows: RowSelection) -> BoardPoses:
        return BoardPoses(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))

    def with_columns(self, columns: Array) -> BoardPoses:
        """The same with the k ``columns`` (n, 6, k) as further nuisance parameters, which no image shows by itself."""
        added = (0, columns.shape[-1])
        return replace(
            self,
            nuisance_jacobian=np.concatenate([self.nuisance_jacobian, columns], axis=-1),
            nuisance_information=np.pad(self.nuisance_information, ((0, 0), added, added)),
            nuisance_gradient=np.pad(self.nuisance_gradient, ((0, 0), added)),
        )

    def scaled(self, factor: float) -> BoardPoses:
        """The same with the covariance of the poses multiplied by ``factor``."""
        return self if factor == 1.0 else replace(self, unit_covariance=factor * self.unit_covariance)

    def without_columns(self, count: int) -> BoardPoses:
        """The same without the last ``count`` nuisance parameters."""
        return replace(
            self,
            nuisance_jacobian=self.nuisance_jacobian[..., :-count],
            nuisance_information=self.nuisance_information[:, :-count, :-count],
            nuisance_gradient=self.nuisance_gradient[:, :-count],
        )


def linearize_board_poses(
    problem: Problem, corners: CornerObservations, camera_T_board: Array, noise: CornerNoise | None = None
) -> BoardPoses:
    """The corners linearised at ``camera_T_board`` (n, 4, 4), each pose moved to the least-squares pose of its view.

    Every view must have a usable pose there (see ``fit_board_poses``). ``noise`` of the corners; None: all alike.
    """
    return linearize_views(problem.camera, problem.nuisance_prior, corners, camera_T_board, noise)


def linearize_views(
    camera: CameraModel,
    prior: NuisancePrior,
    corners: CornerObservations,
    camera_T_board: Array,
    noise: CornerNoise | None = None,
    displacement: CornerDisplacement | None = None,
    shape: Array | None = None,
) -> BoardPoses:
    """The same for a ``camera`` and the ``prior`` of its nuisance parameters.

    ``displacement``: errors of the printed corners; ``shape`` (r,): nuisance parameters of the board at which it is
    linearised. The result is about zero nuisances all the same.
    """
    return _linearized(camera, prior, corners, camera_T_board, displacement, shape).board_poses(noise)


@dataclass(frozen=True)
class LinearizedCorners:
    """The corners of n views linearised about poses of the board, with their derivatives by q raw parameters."""

    camera: CameraModel
    """The lens."""
    corners: CornerObservations
    """The corners."""
    fit: CornerLinearization
    """Residuals and derivatives by the poses."""
    names: tuple[str, ...]
    """(q): names of the raw parameters (see ``NuisancePrior``)."""
    derivatives: Array
    """(n, 2 K, q): derivatives by the raw parameters."""

    @staticmethod
    def about(
        camera: CameraModel,
        field: CornerField,
        corners: CornerObservations,
        camera_T_board: Array,
        names: Sequence[str],
    ) -> LinearizedCorners:
        """The ``corners`` on the ``field`` linearised at ``camera_T_board`` (n, 4, 4)."""
        fit = linearize_corners(camera, corners, camera_T_board)
        in_camera = se3.apply(camera_T_board, corners.points_m)
        derivatives = raw_corner_jacobian(names, field, camera, corners.points_m, in_camera, fit.jacobian[..., :3])
        n, k = corners.weights.shape
        return LinearizedCorners(camera, corners, fit, tuple(names), np.nan_to_num(derivatives).reshape(n, 2 * k, -1))

    def serves(
        self, camera: CameraModel, prior: NuisancePrior, corners: CornerObservations, camera_T_board: Array
    ) -> bool:
        """Whether these are the same ``corners`` and poses under the same lens, with every parameter of ``prior``."""
        return (
            corners is self.corners
            and camera_T_board is self.fit.camera_T_board
            and camera.projects_as(self.camera)
            and set(prior.names) <= set(self.names)
        )

    @cached_property
    def columns(self) -> Array:
        """(n, 2 K, 6 + q + 1): derivatives by the poses and by the raw parameters, and residuals."""
        n, k = self.corners.weights.shape
        by_pose, residual = self.fit.jacobian.reshape(n, 2 * k, 6), self.fit.residual_px.reshape(n, 2 * k, 1)
        return np.concatenate([by_pose, self.derivatives, residual], axis=-1)

    @cached_property
    def products(self) -> Array:
        """(n, 6 + q + 1, 6 + q + 1): products of the columns, all corners being alike."""
        out: Array = np.swapaxes(self.columns, 1, 2) @ (
            self.columns * np.repeat(self.corners.weights, 2, axis=1)[..., None]
        )
        return out


@dataclass(frozen=True)
class _LinearizedViews:
    """Linearised corners under a prior of r standardised parameters."""

    linearized: LinearizedCorners
    """The corners."""
    root: Array
    """(q, r): raw per standardised parameters."""
    displacement: CornerDisplacement | None = None
    """Errors of the printed corners."""
    shape: Array | None = None
    """(r,): nuisance parameters of the residuals; None: zero."""

    def board_poses(self, noise: CornerNoise | None) -> BoardPoses:
        """The board poses; ``noise`` of the corners, None: all alike."""
        linearized, root = self.linearized, self.root
        products = linearized.products
        if noise is not None:
            products = noise.weighted_products(linearized.corners, linearized.columns, products)
        information, cross_information = products[:, :6, :6], products[:, :6, 6:-1] @ root
        pose_gradient, gradient = products[:, :6, -1:], root.T @ products[:, 6:-1, -1:]
        unit_covariance = np.linalg.inv(information)
        step = (unit_covariance @ pose_gradient)[..., 0]
        pose_jacobian = unit_covariance @ cross_information
        # Schur complement: the information about the nuisances with the pose of each view eliminated.
        pose_transposed = np.swapaxes(pose_jacobian, 1, 2)
        nuisance_information = root.T @ products[:, 6:-1, 6:-1] @ root - pose_transposed @ cross_information
        nuisance_gradient = (gradient - pose_transposed @ pose_gradient)[..., 0]
        camera_T_board = linearized.fit.camera_T_board @ se3.exp(step)
        if self.displacement is not None:
            nuisance_information = nuisance_information + self.displacement.information
            nuisance_gradient = nuisance_gradient + self.displacement.gradient
        if self.shape is not None:
            camera_T_board = camera_T_board @ se3.exp(pose_jacobian @ self.shape)
            nuisance_gradient = nuisance_gradient + nuisance_information @ self.shape
        return BoardPoses(camera_T_board, unit_covariance, pose_jacobian, nuisance_information, nuisance_gradient)

    def corner_noise(self, board_poses: BoardPoses) -> CornerNoise:
        """The noise of the corners of each view, with their ``board_poses`` for equal noise.

        The nuisance parameters are estimated beside it from the images and their prior: a lens that is a little off
        must not count as noise. The fixed point is the maximum of the marginal likelihood of the noise.
        """
        corners, fit = self.linearized.corners, self.linearized.fit
        n, k = corners.weights.shape
        flat = fit.jacobian.reshape(n, 2 * k, 6)
        residual = fit.residual_px.reshape(n, 2 * k) - (flat @ fit.step[..., None])[..., 0]
        weights = np.repeat(corners.weights, 2, axis=1)

        def explained(u: Array) -> Array:
            """(n, 2 K): effect of nuisances u (r,) on the corners, the pose of each view following them."""
            followed = flat @ (board_poses.nuisance_jacobian @ u)[..., None]
            return np.where(weights > 0, self.linearized.derivatives @ (self.root @ u) - followed[..., 0], 0.0)

        if self.shape is not None:
            residual = residual + explained(self.shape)
        dof = 2 * corners.weights.sum(axis=1) - 6.0
        taken = 0.0 if self.displacement is None else self.displacement.dof
        total_dof = float(dof.sum()) - taken
        information = board_poses.nuisance_information.sum(axis=0)
        gradient = board_poses.nuisance_gradient.sum(axis=0)
        rss, identity = float((weights * residual**2).sum()), np.eye(len(gradient))
        if total_dof <= 0 or not len(gradient):
            return estimate_corner_noise(corners, fit, residual, dof)
        variance = max(rss / total_dof, MIN_CORNER_SIGMA_PX**2)
        for _ in range(_CORNER_NOISE_ITERATIONS):
            covariance = np.linalg.inv(information / variance + identity)
            u = covariance @ gradient / variance
            remaining = rss - 2 * float(u @ gradient) + float(u @ information @ u)
            used = len(u) - float(np.trace(covariance))
            variance = max(remaining / (total_dof - used), MIN_CORNER_SIGMA_PX**2)
        return estimate_corner_noise(
            corners, fit, residual - explained(u), dof * (1 - (used + taken) / float(dof.sum()))
        )


def _linearized(
    camera: CameraModel,
    prior: NuisancePrior,
    corners: CornerObservations,
    camera_T_board: Array,
    displacement: CornerDisplacement | None = None,
    shape: Array | None = None,
) -> _LinearizedViews:
    """The ``corners`` linearised at ``camera_T_board`` (n, 4, 4); ``displacement`` and ``shape``: see above."""
    if displacement is not None:
        corners = displacement.applied_to(corners)
    if shape is not None:
        corners = replace(corners, points_m=corners.points_m + prior.board_jacobian(corners.points_m) @ shape)
    linearized = LinearizedCorners.about(camera, prior.corner_field, corners, camera_T_board, prior.names)
    if displacement is None:
        return _LinearizedViews(linearized, prior.root, None, shape)
    # The displacement follows the standardised parameters.
    followed = displacement.followed(linearized.derivatives @ prior.root, linearized.fit)
    followed_corners = replace(linearized, names=(), derivatives=followed)
    return _LinearizedViews(followed_corners, np.eye(prior.root.shape[1]), displacement, shape)


def _raw_names(camera: CameraModel, prior: NuisancePrior) -> list[str]:
    """The raw parameters of ``prior``, and of any other prior on the same pairs."""
    of_lens = (*MATRIX_NAMES, *COEFFICIENT_NAMES[: max(camera.distortion.size, 5)])
    return list(dict.fromkeys((SCALE, *BOW_PARAMETERS, *of_lens, *prior.names)))


@dataclass(frozen=True)
class Observations:
    """What the solver uses of n pairs."""

    A: Array
    """(n, 4, 4), metres: transforms of the arm in the shared equation."""
    corners: CornerObservations
    """Corners of the n views."""
    pose_fits: PoseFits
    """Board pose of each view alone, in both tilt branches."""
    board_poses: BoardPoses
    """Corners linearised at these poses, with the corner noise of each view."""
    corner_noise: CornerNoise
    """Noise of the corners of each view."""
    capture_order: Array
    """(n,), ascending: place of the pairs in the order of capture."""
    displacement: CornerDisplacement | None = None
    """Errors of the printed corners, if ``Problem.print_error`` states that there are any."""
    shape: Array | None = None
    """(r,): nuisance parameters of the board at which the corners are linearised; None: zero."""
    arm_shape: Array | None = None
    """(n, 6, 6): structure of the arm's noise (see ``LinearModel``)."""
    drift: Drift | None = None
    """A drift, whose parameters are the last six nuisance parameters."""
    repeats: Observations | None = None
    """Check pairs at the pose of one of the pairs: they show a drift, and determine nothing else."""
    pose_excess: float = 1.0
    """Variance of the board poses, as a multiple of that which the residuals of the corners imply."""
    at_pose_fits: LinearizedCorners | None = None
    """The corners of all rows linearised at the pose fits, before errors of the print; None for a part of the rows."""

    @staticmethod
    def of(
        problem: Problem,
        A: Array,
        corners: CornerObservations,
        pose_fits: PoseFits,
        capture_order: Array | None = None,
        at_pose_fits: LinearizedCorners | None = None,
    ) -> Observations:
        """The observations with the corners linearised at ``pose_fits``, which must all be usable.

        ``at_pose_fits``: the linearised corners, where they are known.
        """
        camera, prior, poses = problem.camera, problem.nuisance_prior, pose_fits.camera_T_board
        if at_pose_fits is None or not at_pose_fits.serves(camera, prior, corners, poses):
            names = _raw_names(camera, prior)
            at_pose_fits = LinearizedCorners.about(camera, prior.corner_field, corners, poses, names)
        linearized = _LinearizedViews(at_pose_fits, prior.root_of(at_pose_fits.names))
        board_poses = linearized.board_poses(None)
        noise = linearized.corner_noise(board_poses)
        shape = _large_bow(prior, problem.board_corners_m, board_poses, noise.sigma_px)
        if shape is not None:
            linearized = _linearized(camera, prior, corners, poses, None, shape)
            board_poses = linearized.board_poses(None)
            noise = linearized.corner_noise(board_poses)
        displacement = None
        if problem.print_error is not None:
            stated, derivatives = linearized.linearized, linearized.linearized.derivatives @ linearized.root
            for _ in range(PRINT_ERROR_ITERATIONS):
                displacement = eliminate_displacement(
                    problem.print_error, prior.corner_field, stated.corners, stated.fit, derivatives, noise
                )
                linearized = _linearized(camera, prior, corners, poses, displacement, shape)
                board_poses = linearized.board_poses(None)
                noise = linearized.corner_noise(board_poses)
        if not noise.is_uniform:
            board_poses = linearized.board_poses(noise)
        capture_order = np.arange(float(len(A))) if capture_order is None else capture_order
        return Observations(
            A, corners, pose_fits, board_poses, noise, capture_order, displacement, shape, at_pose_fits=at_pose_fits
        )

    def seen_with(self, problem: Problem, corners: CornerObservations, pose_fits: PoseFits) -> Observations:
        """The same pairs with other ``corners`` or ``pose_fits``, or under another board and lens in ``problem``."""
        out = Observations.of(problem, self.A, corners, pose_fits, self.capture_order, self.at_pose_fits)
        repeats = self.repeats
        if repeats is not None:
            repeats = repeats.seen_with(problem, repeats.corners, repeats.pose_fits)
        out = replace(out, arm_shape=self.arm_shape, repeats=repeats)
        return out if self.drift is None else out.with_drift(self.drift)

    def subset(self, rows: RowSelection) -> Observations:
        """The observations of the pairs ``rows``."""
        if np.array_equal(np.arange(len(self.A))[rows], np.arange(len(self.A))):
            return self
        return Observations(
            self.A[rows],
            self.corners[rows],
            self.pose_fits[rows],
            self.board_poses[rows],
            self.corner_noise[rows],
            self.capture_order[rows],
            None if self.displacement is None else self.displacement[rows],
            self.shape,
            None if self.arm_shape is None else self.arm_shape[rows],
            self.drift,
            self.repeats,
            self.pose_excess,
        )

    def with_pose_excess(self, factor: float) -> Observations:
        """The same with ``factor`` as the ``pose_excess``."""
        return replace(self, board_poses=self.board_poses.scaled(factor / self.pose_excess), pose_excess=factor)

    def with_drift(self, drift: Drift) -> Observations:
        """The same with the parameters of ``drift`` as further nuisance parameters."""
        columns = drift.board_columns(self.board_poses.camera_T_board, self.capture_order)
        return replace(self, board_poses=self.board_poses.with_columns(columns), drift=drift)

    def without_drift(self) -> Observations:
        """The same without the parameters of a drift."""
        if self.drift is None:
            return self
        return replace(self, board_poses=self.board_poses.without_columns(6), drift=None)

    def board_poses_under(self, problem: Problem) -> BoardPoses:
        """The corners linearised at the pose fits under the prior in ``problem``, all corners being alike."""
        camera, prior, poses = problem.camera, problem.nuisance_prior, self.pose_fits.camera_T_board
        known = self.at_pose_fits
        if known is None or not known.serves(camera, prior, self.corners, poses):
            return linearize_views(camera, prior, self.corners, poses)
        return _LinearizedViews(known, prior.root_of(known.names)).board_poses(None)

    def linearized_at(self, problem: Problem, camera_T_board: Array) -> BoardPoses:
        """The corners linearised at other board poses (n, 4, 4), with their noise and the columns of the drift."""
        linearized = _linearized(
            problem.camera, problem.nuisance_prior, self.corners, camera_T_board, self.displacement, self.shape
        )
        out = linearized.board_poses(self.corner_noise).scaled(self.pose_excess)
        if self.drift is None:
            return out
        return out.with_columns(self.drift.board_columns(out.camera_T_board, self.capture_order))

    def residual_px(self, problem: Problem, camera_T_board: Array, pose_jacobian: Array, nuisances: Array) -> Array:
        """(n, K, 2): residuals of the corners with these ``nuisances`` (r,), to first order; 0 on padding.

        ``camera_T_board`` (n, 4, 4): poses without nuisances, which follow them by ``pose_jacobian`` (n, 6, r).
        """
        linearized = _linearized(
            problem.camera, problem.nuisance_prior, self.corners, camera_T_board, self.displacement, self.shape
        )
        fit = linearized.linearized.fit
        change = linearized.root @ (nuisances if self.shape is None else nuisances - self.shape)
        followed = (fit.jacobian @ (pose_jacobian @ nuisances)[:, None, :, None])[..., 0]
        explained = (linearized.linearized.derivatives @ change).reshape(fit.residual_px.shape) - followed
        return np.asarray((fit.residual_px - explained) * (self.corners.weights > 0)[..., None])

    @cached_property
    def corner_sigma_px(self) -> float:
        """Corner noise of the session, pixels per coordinate."""
        return self.corner_noise.sigma_px


def _large_bow(
    prior: NuisancePrior, board_corners_m: Array, board_poses: BoardPoses, corner_sigma_px: float
) -> Array | None:
    """(r,): the nuisance parameters with the bow as the images show it and nothing else; None if it is small."""
    variance = corner_sigma_px**2
    information = board_poses.nuisance_information.sum(axis=0) / variance
    gradient = board_poses.nuisance_gradient.sum(axis=0) / variance
    found = np.linalg.solve(information + np.eye(len(gradient)), gradient)
    shape = np.where(prior.columns_of(ParameterGroup.BOW), found, 0.0)
    height = (prior.board_jacobian(board_corners_m) @ shape)[:, 2]
    return shape if np.abs(height).max() > _LARGE_BOW_M else None


@dataclass(frozen=True)
class LinearModel:
    """n views linearised about one estimate of X and Y, in flange coordinates, each six (translation, rotation)."""

    offset: Array
    """(n, 6), m and rad: predicted to observed board pose."""
    transform_jacobian: Array
    """(n, 6, 12): derivative of the offset by a change of X (first six columns) and of Y."""
    observable_basis: Array
    """(12, p): basis of the observable changes of X and Y; p = 12, or 11 for arms with a vertical axis only."""
    nuisance_jacobian: Array
    """(n, 6, r): derivative of the offset by the standardised nuisance parameters."""
    camera_unit_covariance: Array
    """(n, 6, 6): covariance of the offset by corner noise of 1 px."""
    to_board: Array
    """(n, 6, 6): M, from flange to board coordinates."""
    nuisance_information: Array
    """(r, r): sum of ``BoardPoses.nuisance_information``."""
    nuisance_gradient: Array
    """(r,): sum of ``BoardPoses.nuisance_gradient``."""
    arm_shape: Array | None = None
    """(n, 6, 6): covariance of the pose errors relative to the variances of the arm; None: the identity."""

    @property
    def observable_jacobian(self) -> Array:
        """(n, 6, p): derivative of the offsets by the observable changes of X and Y."""
        out: Array = self.transform_jacobian @ self.observable_basis
        return out

    @cached_property
    def design(self) -> Array:
        """(n, 6, p + r): derivative of the offsets by the observable changes, then by the nuisance parameters."""
        return np.concatenate([self.observable_jacobian, self.nuisance_jacobian], axis=-1)

    @property
    def state_basis(self) -> Array:
        """(12 + r, p + r): from the unknowns of a fit to X, Y and the nuisance parameters."""
        p, r = self.observable_basis.shape[1], self.nuisance_jacobian.shape[-1]
        out = np.zeros((12 + r, p + r))
        out[:12, :p], out[12:, p:] = self.observable_basis, np.eye(r)
        return out

    def nuisances_from_images(self, corner_sigma_px: float) -> tuple[Array, Array]:
        """Mean (r,) and covariance (r, r) of the nuisance parameters by their prior and the images alone.

        With them an estimate from the offsets alone is the joint one: offsets less ``nuisance_jacobian @ mean``, and
        ``nuisance_jacobian @ covariance @ nuisance_jacobian.T`` added to their covariance.
        """
        variance = corner_sigma_px**2
        covariance = np.linalg.inv(self.nuisance_information / variance + np.eye(len(self.nuisance_gradient)))
        return covariance @ self.nuisance_gradient / variance, covariance

    def with_columns(self, columns: Array) -> LinearModel:
        """The model with the k ``columns`` (n, 6, k) as further nuisance parameters, which no image shows by itself."""
        added = (0, columns.shape[-1])
        return replace(
            self,
            nuisance_jacobian=np.concatenate([self.nuisance_jacobian, columns], axis=-1),
            nuisance_information=np.pad(self.nuisance_information, added),
            nuisance_gradient=np.pad(self.nuisance_gradient, added),
        )

    def joined(self, other: LinearModel) -> LinearModel:
        """The rows of both; ``other`` has the same unknowns, and its images show nothing about them by themselves."""
        rows = {name: np.concatenate([getattr(self, name), getattr(other, name)]) for name in _FIELDS_BY_ROW}
        shape = self.arm_shape
        if shape is not None:
            # The structure is known for the own rows; the others have its mean.
            mean = np.broadcast_to(shape.mean(axis=0), (len(other.offset), 6, 6))
            shape = np.concatenate([shape, mean if other.arm_shape is None else other.arm_shape])
        return replace(self, arm_shape=shape, **rows)

    def of_rows(self, rows: RowSelection) -> LinearModel:
        """The offsets of ``rows``; what the images show about the nuisance parameters remains that of all."""
        shape = None if self.arm_shape is None else self.arm_shape[rows]
        return replace(self, arm_shape=shape, **{name: getattr(self, name)[rows] for name in _FIELDS_BY_ROW})

    def without_columns(self, count: int) -> LinearModel:
        """The model without the last ``count`` nuisance parameters."""
        return replace(
            self,
            nuisance_jacobian=self.nuisance_jacobian[..., :-count],
            nuisance_information=self.nuisance_information[:-count, :-count],
            nuisance_gradient=self.nuisance_gradient[:-count],
        )

    def covariance(self, corner_sigma_px: float, variances: Array) -> Array:
        """C (m, n, 6, 6) of the offsets, for m choices of the arm's ``variances`` (m, 6) at the flange."""
        out: Array = corner_sigma_px**2 * self.camera_unit_covariance + arm_covariance(variances, self.arm_shape)
        return out


# Fields of LinearModel with a row for each view, apart from ``arm_shape``, which may be None.
_FIELDS_BY_ROW = ("offset", "transform_jacobian", "nuisance_jacobian", "camera_unit_covariance", "to_board")


def arm_covariance(variances: Array, arm_shape: Array | None) -> Array:
    """(m, n or 1, 6, 6) of the pose errors at the flange, for m choices of the ``variances`` (m, 6) and the
    ``arm_shape`` (n, 6, 6) of n pairs."""
    if arm_shape is None:
        return variances[:, None, :, None] * np.eye(6)
    sigma = np.sqrt(variances)
    out: Array = sigma[:, None, :, None] * arm_shape * sigma[:, None, None, :]
    return out


def motion_columns(model: LinearModel, moved_part: MovedPart, profile: Array) -> Array:
    """(n, 6, 6): derivative of the offsets by a change of X or Y times ``profile`` (n,): a slip, a knock or a drift."""
    out: Array = model.transform_jacobian[..., moved_part.columns] * profile[:, None, None]
    return out


def step_profile(count: int, at: int) -> Array:
    """(count,): 0 before row ``at``, 1 from there on."""
    return (np.arange(count) >= at).astype(float)


def ramp_profile(capture_order: Array) -> Array:
    """(n,): from 0 at the first of the places ``capture_order`` (n,) to 1 at the last."""
    out: Array = (capture_order - capture_order[0]) / (capture_order[-1] - capture_order[0])
    return out


def linearize(
    problem: Problem, board_poses: BoardPoses, A: Array, X: Array, Y: Array, arm_shape: Array | None = None
) -> LinearModel:
    """The linear model of n views about X, Y (4, 4), for transforms of the arm ``A`` (n, 4, 4).

    ``arm_shape`` (n, 6, 6): structure of the arm's noise; None: two variances.
    """
    chain_T_board = A @ Y
    predicted = se3.inverse(X) @ chain_T_board
    # inverse(M) = Ad(Y) if the camera is fixed, -Ad(A Y) if it is on the arm; G follows from P0 = inverse(X) A Y.
    transform_jacobian = np.empty((len(A), 6, 12))
    if problem.mount is Mount.FIXED:
        to_flange = np.broadcast_to(se3.adjoint(Y), (len(A), 6, 6))
        to_board = np.broadcast_to(se3.adjoint(se3.inverse(Y)), (len(A), 6, 6))
        transform_jacobian[..., :6] = -se3.adjoint(se3.inverse(A) @ X)
    else:
        to_flange = -se3.adjoint(chain_T_board)
        to_board = -se3.adjoint(se3.inverse(chain_T_board))
        transform_jacobian[..., :6] = se3.adjoint(X)
    transform_jacobian[..., 6:] = to_flange
    offset = se3.log(se3.inverse(predicted) @ board_poses.camera_T_board)
    return LinearModel(
        (to_flange @ offset[..., None])[..., 0],
        transform_jacobian,
        observable_directions(problem, A, X, Y),
        to_flange @ board_poses.nuisance_jacobian,
        to_flange @ board_poses.unit_covariance @ np.swapaxes(to_flange, -1, -2),
        to_board,
        board_poses.nuisance_information.sum(axis=0),
        board_poses.nuisance_gradient.sum(axis=0),
        arm_shape,
    )


@dataclass(frozen=True)
class LinearFits:
    """Generalised least squares of one linear model under m choices of the arm's variances.

    The k unknowns are the p observable changes of X and Y, then the nuisance parameters.
    """

    z: Array
    """(m, k): estimates."""
    covariance: Array
    """(m, k, k): covariance of the estimates."""
    normal: Array
    """(m, k, k): normal matrix, the information, that of the prior and of the images by themselves included."""
    residual: Array
    """(m, n, 6), m and rad: residuals of the offsets."""
    weight: Array
    """(m, n, 6, 6): inverse covariance of the offsets."""
    design: Array
    """(n, 6, k): design matrix."""
    weighted_design: Array
    """(m, n, 6, k): weight times design."""
    log_likelihood: Array
    """(m,): restricted log likelihood, up to a constant."""

    def chi2_of_last(self, count: int) -> Array:
        """(m,): chi-squared of the last ``count`` unknowns being zero."""
        return mahalanobis_sq(self.z[:, -count:], self.covariance[:, -count:, -count:])


def fit_linear(model: LinearModel, corner_sigma_px: float, variances: Array) -> LinearFits:
    """The fits of ``model`` for corner noise ``corner_sigma_px`` and the arm's ``variances`` (m, 6) at the flange.

    Unknowns without information stay zero.
    """
    design = model.design
    n, _, unknowns = design.shape
    C = model.covariance(corner_sigma_px, variances)
    weight, log_determinants = invert_pose_covariance(C)
    # With the offsets as one more column, one product yields the normal matrix, the right-hand side and the squares.
    augmented = np.concatenate([design, model.offset[..., None]], axis=-1)
    weighted_augmented = weight @ augmented
    products = augmented.reshape(6 * n, -1).T @ weighted_augmented.reshape(-1, 6 * n, unknowns + 1)
    normal, right = products[:, :unknowns, :unknowns], products[:, :unknowns, unknowns]
    nuisances = slice(model.observable_basis.shape[1], unknowns)
    normal[:, nuisances, nuisances] += model.nuisance_information / corner_sigma_px**2 + np.eye(
        len(model.nuisance_gradient)
    )
    right[:, nuisances] += model.nuisance_gradient / corner_sigma_px**2
    covariance, log_determinant = _invert_with_log_determinant(normal)
    z = (covariance @ right[..., None])[..., 0]
    residual = model.offset - (z @ design.reshape(6 * n, unknowns).T).reshape(-1, n, 6)
    squares = products[:, unknowns, unknowns] - (z * right).sum(axis=-1)
    log_likelihood = -0.5 * (log_determinants.sum(axis=-1) + log_determinant + squares)
    return LinearFits(
        z, covariance, normal, residual, weight, design, weighted_augmented[..., :unknowns], log_likelihood
    )


def invert_pose_covariance(covariance: Array) -> tuple[Array, Array]:
    """Inverse (..., 6, 6) and log determinant (...) of positive definite covariances of poses (..., 6, 6).

    By blocks of translation and rotation, in closed form for all matrices at once: several times faster than LAPACK one
    by one, and each block has one unit, so that the difference of metres and radians does no harm.
    """
    between, rotation = covariance[..., :3, 3:], covariance[..., 3:, 3:]
    inverse_rotation, rotation_determinant = _invert_3x3(rotation)
    gain = between @ inverse_rotation
    inverse_translation, determinant = _invert_3x3(covariance[..., :3, :3] - gain @ np.swapaxes(between, -1, -2))
    inverse_between = inverse_translation @ gain
    out = np.empty(covariance.shape)
    out[..., :3, :3] = inverse_translation
    out[..., :3, 3:] = -inverse_between
    out[..., 3:, :3] = -np.swapaxes(inverse_between, -1, -2)
    out[..., 3:, 3:] = inverse_rotation + np.swapaxes(gain, -1, -2) @ inverse_between
    return out, np.log(determinant) + np.log(rotation_determinant)


def _invert_3x3(symmetric: Array) -> tuple[Array, Array]:
    """Inverse (..., 3, 3) and determinant (...) of symmetric matrices (..., 3, 3), by cofactors."""
    a, b, c = symmetric[..., 0, 0], symmetric[..., 0, 1], symmetric[..., 0, 2]
    d, e, f = symmetric[..., 1, 1], symmetric[..., 1, 2], symmetric[..., 2, 2]
    out = np.empty(symmetric.shape)
    out[..., 0, 0], out[..., 1, 1], out[..., 2, 2] = d * f - e * e, a * f - c * c, a * d - b * b
    out[..., 0, 1] = out[..., 1, 0] = c * e - b * f
    out[..., 0, 2] = out[..., 2, 0] = b * e - c * d
    out[..., 1, 2] = out[..., 2, 1] = b * c - a * e
    determinant = a * out[..., 0, 0] + b * out[..., 0, 1] + c * out[..., 0, 2]
    out /= determinant[..., None, None]
    return out, determinant


def invert_information(normal: Array) -> Array:
    """Covariance (..., p, p) of an information matrix, 0 in directions without information."""
    return _invert_with_log_determinant(normal)[0]


def _invert_with_log_determinant(normal: Array) -> tuple[Array, Array]:
    """Pseudo-inverse (..., p, p) and log determinant (...) of the information, over directions with information.

    Scaled to a unit diagonal first: in metres and radians the eigenvalues differ by orders of magnitude.
    """
    diagonal = np.diagonal(normal, axis1=-2, axis2=-1)
    # An unknown without information has no scale of its own.
    scale = 1 / np.sqrt(np.where(diagonal > 0, diagonal, 1.0))
    scales = scale[..., :, None] * scale[..., None, :]
    scaled = normal * scales
    inverse, log_determinant = _invert_regular(scaled) or _invert_by_eigenvalues(scaled)
    return inverse * scales, log_determinant - 2 * np.log(scale).sum(axis=-1)


def _invert_regular(symmetric: Array) -> tuple[Array, Array] | None:
    """Inverse and log determinant of positive definite matrices; None if one of them may have a direction without
    information. Four times faster than by eigenvalues."""
    try:
        roots, inverse = np.linalg.cholesky(symmetric), np.linalg.inv(symmetric)
    except np.linalg.LinAlgError:
        return None
    # The product of the norms bounds the ratio of the largest and the least eigenvalue.
    bound = np.abs(symmetric).sum(axis=-1).max(axis=-1) * np.abs(inverse).sum(axis=-1).max(axis=-1)
    if not (bound < 1 / _MIN_EIGENVALUE_RATIO).all():
        return None
    return inverse, 2 * np.log(np.diagonal(roots, axis1=-2, axis2=-1)).sum(axis=-1)


def _invert_by_eigenvalues(symmetric: Array) -> tuple[Array, Array]:
    """Pseudo-inverse and log determinant over the directions with information."""
    values, vectors = _eigh(symmetric)
    has_information = values > _MIN_EIGENVALUE_RATIO * np.maximum(values[..., -1:], 1e-300)
    inverse = (
        vectors * np.where(has_information, 1 / np.where(has_information, values, 1.0), 0.0)[..., None, :]
    ) @ np.swapaxes(vectors, -1, -2)
    return inverse, np.log(np.where(has_information, values, 1.0)).sum(axis=-1)


def _eigh(symmetric: Array) -> tuple[Array, Array]:
    """Eigenvalues (..., p) and eigenvectors (..., p, p) of symmetric matrices.

    NumPy's divide-and-conquer driver, used from 26 unknowns on, now and then fails on a finite, well-conditioned matrix
    whose nuisance parameters are stated as exact (a cluster of equal eigenvalues); the QR driver does not.
    """
    try:
        values, vectors = np.linalg.eigh(symmetric)
    except np.linalg.LinAlgError:
        if not np.isfinite(symmetric).all():
            raise
        found = [scipy.linalg.eigh(one, driver="ev") for one in symmetric.reshape(-1, *symmetric.shape[-2:])]
        values = np.array([one[0] for one in found]).reshape(symmetric.shape[:-1])
        vectors = np.array([one[1] for one in found]).reshape(symmetric.shape)
    return values, vectors
