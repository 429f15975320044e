"""The problem linearised at the level of board poses: each view becomes six numbers with their covariance.

A view with corner information H (for corners of 1 px) measures the board's pose with covariance s^2 inverse(H); the
arm's error adds its own share. With P0 = inverse(X) A Y predicted and P seen,

    e_i = log(inverse(P0_i) P_i) = G_i z + M_i xi_i + K_i q + noise,

z = change of X and Y, xi = the arm's error at the flange, q = nuisances that act on all views alike (relative error of
the board's scale and of the focal length, errors of single lens parameters). To first order nothing is lost against
using every corner; once the corners are linearised anew at the estimate, its fixed point is the maximum-likelihood
estimate on the corners.

Everything is carried in the arm's own coordinates (multiplied by inverse(M_i)): there the arm's share of the
covariance is diagonal and the same for all views.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from eyebolt.calibration.estimation.vertical_axis import observable_directions
from eyebolt.calibration.problem import Problem
from eyebolt.geometry import Array, Mount, RowSelection, se3
from eyebolt.observations import CornerObservations, linearize_corners

SCALE, FOCAL = 0, 1
FIRST_LENS_PARAMETER = 2
MovedPart = Literal["camera", "board"]
TRANSFORM_COLUMNS: dict[MovedPart, slice] = {"camera": slice(0, 6), "board": slice(6, 12)}
"""Where a change of X (camera) and of Y (board) stands among the twelve of the transforms."""
# Of a parameter's sigma, for its derivative.
_DERIVATIVE_STEP = 0.01


@dataclass(frozen=True)
class BoardPoses:
    """What the corners of n views say, each by itself: board poses, how sharp they are, how they lean on nuisances.

    ``camera_T_board`` (n, 4, 4); ``unit_covariance`` inverse(H) (n, 6, 6) for corners of 1 px; ``nuisance_jacobian`` K (n, 6, q);
    ``nuisance_information`` (n, q, q) and ``nuisance_gradient`` (n, q): what the shape of each view alone says of q,
    for corners of 1 px; ``residual_px`` (n, K, 2). Nuisances: board scale, focal length, then the lens parameters
    whose ``sigma`` the camera states.
    """

    camera_T_board: Array
    unit_covariance: Array
    nuisance_jacobian: Array
    nuisance_information: Array
    nuisance_gradient: Array
    residual_px: Array

    def __getitem__(self, rows: RowSelection) -> BoardPoses:
        return BoardPoses(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))


def linearize_board_poses(problem: Problem, stack: CornerObservations, camera_T_board: Array) -> BoardPoses:
    """The corners linearised at board poses ``camera_T_board`` (n, 4, 4), each view brought to its own least squares.

    Every view must allow a pose there.
    """
    fit = linearize_corners(problem.camera, stack, camera_T_board)
    unit_covariance = np.linalg.inv(fit.information)
    n, k = stack.weights.shape
    # A board larger by s moves each corner by s times its own position; a shift of the corner is a shift of the pose
    # along the corner's position in the board's frame.
    scale_jacobian = (fit.jacobian[..., :3] @ stack.points_m[..., None])[..., 0]
    pixels = stack.corners_px - fit.residual_px
    boards = se3.apply(camera_T_board, stack.points_m)
    columns = [scale_jacobian, pixels - problem.camera.matrix[:2, 2]]
    columns += [
        np.nan_to_num((problem.camera.perturbed({name: step}).project(boards) - pixels) / step)
        for name, step in ((name, _DERIVATIVE_STEP * sigma) for name, sigma in problem.camera.sigma.items())
    ]
    corner_jacobian = np.stack(columns, axis=-1).reshape(n, 2 * k, -1)
    weighted = corner_jacobian * np.repeat(stack.weights, 2, axis=1)[..., None]
    flat = fit.jacobian.reshape(n, 2 * k, 6)
    weighted_transposed = np.swapaxes(weighted, 1, 2)
    cross_information = np.swapaxes(flat, 1, 2) @ weighted
    pose_jacobian = unit_covariance @ cross_information
    # What is left of the nuisances once each view has taken the pose that suits it best.
    pose_transposed = np.swapaxes(pose_jacobian, 1, 2)
    gradient = weighted_transposed @ fit.residual_px.reshape(n, 2 * k, 1) - pose_transposed @ (
        fit.information @ fit.step[..., None]
    )
    return BoardPoses(
        camera_T_board @ se3.exp(fit.step),
        unit_covariance,
        pose_jacobian,
        weighted_transposed @ corner_jacobian - pose_transposed @ cross_information,
        gradient[..., 0],
        fit.residual_px,
    )


@dataclass(frozen=True)
class LinearModel:
    """n views about one estimate, in the arm's coordinates, ordered (translation, rotation) throughout.

    ``offset`` (n, 6); ``transform_jacobian`` (n, 6, 12), X then Y; ``observable_basis`` (12, p) the changes that can be told;
    ``nuisance_jacobian`` (n, 6, q); ``camera_unit_covariance`` (n, 6, 6) covariance for corners of 1 px; ``to_board`` M (n, 6, 6)
    takes the arm's coordinates to the board's; ``nuisance_information`` (q, q) and ``nuisance_gradient`` (q,) of all
    views together, for corners of 1 px; ``nuisance_sigma`` (q,): infinite where nothing is stated.
    """

    offset: Array
    transform_jacobian: Array
    observable_basis: Array
    nuisance_jacobian: Array
    camera_unit_covariance: Array
    to_board: Array
    nuisance_information: Array
    nuisance_gradient: Array
    nuisance_sigma: Array

    @property
    def prior_nuisances(self) -> tuple[int, ...]:
        """The nuisances that every estimate carries along: those with a stated sigma."""
        return tuple(range(FIRST_LENS_PARAMETER, len(self.nuisance_sigma)))

    def design(self, nuisances: tuple[int, ...]) -> Array:
        """(n, 6, p + number of nuisances): how the offsets move with the free changes and the nuisances."""
        by_free = self.transform_jacobian @ self.observable_basis
        return np.concatenate([by_free, self.nuisance_jacobian[..., nuisances]], axis=-1) if nuisances else by_free

    def covariance(self, corner_sigma_px: float, variances: Array) -> Array:
        """C (m, n, 6, 6) of the offsets for corner noise ``corner_sigma_px`` and arm variances (m, 6) at the flange."""
        out: Array = corner_sigma_px**2 * self.camera_unit_covariance + variances[:, None, :, None] * np.eye(6)
        return out


def linearize(problem: Problem, linearized: BoardPoses, A: Array, X: Array, Y: Array) -> LinearModel:
    """The linear model of the poses seen about X, Y."""
    chain_T_board = A @ Y
    predicted = se3.inverse(X) @ chain_T_board
    # inverse(M) = Ad(Y) if the camera is fixed, -Ad(A Y) if it is on the arm; the rest follows from P0 = X^-1 A Y.
    transform_jacobian = np.empty((len(A), 6, 12))
    if problem.mount is Mount.FIXED:
        to_arm = np.broadcast_to(se3.adjoint(Y), (len(A), 6, 6))
        to_board = np.broadcast_to(se3.adjoint(se3.inverse(Y)), (len(A), 6, 6))
        transform_jacobian[..., :6] = -se3.adjoint(se3.inverse(A) @ X)
    else:
        to_arm = -se3.adjoint(chain_T_board)
        to_board = -se3.adjoint(se3.inverse(chain_T_board))
        transform_jacobian[..., :6] = se3.adjoint(X)
    transform_jacobian[..., 6:] = to_arm
    offset = se3.log(se3.inverse(predicted) @ linearized.camera_T_board)
    return LinearModel(
        (to_arm @ offset[..., None])[..., 0],
        transform_jacobian,
        observable_directions(problem, A, X, Y),
        to_arm @ linearized.nuisance_jacobian,
        to_arm @ linearized.unit_covariance @ np.swapaxes(to_arm, -1, -2),
        to_board,
        linearized.nuisance_information.sum(axis=0),
        linearized.nuisance_gradient.sum(axis=0),
        np.array([np.inf, np.inf, *problem.camera.sigma.values()]),
    )


@dataclass(frozen=True)
class LinearFits:
    """Generalised least squares under m choices of the arm's variances.

    Unknowns z: the free changes of X and Y, then the nuisances carried. ``z`` (m, r), ``covariance`` and ``normal``
    (m, r, r), its information; ``residual`` (m, n, 6) offsets left over; ``weight`` (m, n, 6, 6); ``design`` (n, 6, r);
    ``weighted_design`` (m, n, 6, r); ``log_likelihood`` (m,): restricted, up to a constant.
    """

    z: Array
    covariance: Array
    normal: Array
    residual: Array
    weight: Array
    design: Array
    weighted_design: Array
    log_likelihood: Array


def fit_linear(
    model: LinearModel, corner_sigma_px: float, variances: Array, nuisances: tuple[int, ...] | None = None
) -> LinearFits:
    """The fits of ``model`` for corner noise ``corner_sigma_px`` and arm variances (m, 6) at the flange.

    ``nuisances``: which to carry along; by default those with a stated sigma. Directions without information
    (relative size under 1e-14) stay zero.
    """
    carried = model.prior_nuisances if nuisances is None else nuisances
    design = model.design(carried)
    n, _, unknowns = design.shape
    C = model.covariance(corner_sigma_px, variances)
    weight = np.linalg.inv(C)
    # The offsets ride along as one more column: one product gives the normal equations, their right side and squares.
    augmented = np.concatenate([design, model.offset[..., None]], axis=-1)
    weighted_augmented = weight @ augmented
    products = augmented.reshape(6 * n, -1).T @ weighted_augmented.reshape(-1, 6 * n, unknowns + 1)
    normal, right = products[:, :unknowns, :unknowns], products[:, :unknowns, unknowns]
    if carried:
        prior_block = slice(unknowns - len(carried), None)
        prior = np.diag(1 / model.nuisance_sigma[list(carried)] ** 2)
        normal[:, prior_block, prior_block] += (
            model.nuisance_information[np.ix_(carried, carried)] / corner_sigma_px**2 + prior
        )
        right[:, prior_block] += model.nuisance_gradient[list(carried)] / corner_sigma_px**2
    covariance, log_determinant = invert_with_log_determinant(normal)
    z = (covariance @ right[..., None])[..., 0]
    residual = model.offset - (z @ design.reshape(6 * n, unknowns).T).reshape(-1, n, 6)
    squares = products[:, unknowns, unknowns] - (z * right).sum(axis=-1)
    log_likelihood = -0.5 * (np.linalg.slogdet(C)[1].sum(axis=-1) + log_determinant + squares)
    return LinearFits(
        z, covariance, normal, residual, weight, design, weighted_augmented[..., :unknowns], log_likelihood
    )


def invert_information(normal: Array) -> Array:
    """Covariance (..., p, p) of information; scaled first, since metres and radians differ by orders."""
    return invert_with_log_determinant(normal)[0]


def invert_with_log_determinant(normal: Array) -> tuple[Array, Array]:
    """Covariance (..., p, p), and log determinant (...) of the information, over the directions that have any."""
    scale = 1 / np.sqrt(np.maximum(np.diagonal(normal, axis1=-2, axis2=-1), 1e-300))
    scales = scale[..., :, None] * scale[..., None, :]
    values, vectors = np.linalg.eigh(normal * scales)
    has_information = values > 1e-14 * np.maximum(values[..., -1:], 1e-300)
    inverse = (
        vectors * np.where(has_information, 1 / np.where(has_information, values, 1.0), 0.0)[..., None, :]
    ) @ np.swapaxes(vectors, -1, -2)
    log_determinant = np.log(np.where(has_information, values, 1.0)).sum(axis=-1) - 2 * np.log(scale).sum(axis=-1)
    return inverse * scales, log_determinant
