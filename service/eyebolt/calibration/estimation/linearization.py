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

from eyebolt.calibration.estimation.vertical_axis import free_directions
from eyebolt.calibration.problem import Problem
from eyebolt.geometry import Array, Rows, se3
from eyebolt.observations import ViewStack, linearise_corners

SCALE, FOCAL = 0, 1
FIRST_LENS = 2
What = Literal["camera", "board"]
COLUMNS: dict[What, slice] = {"camera": slice(0, 6), "board": slice(6, 12)}
"""Where a change of X (camera) and of Y (board) stands among the twelve of the transforms."""
# Of a parameter's sigma, for its derivative.
_LENS_STEP = 0.01


@dataclass(frozen=True)
class SeenPoses:
    """What the corners of n views say, each by itself: board poses, how sharp they are, how they lean on nuisances.

    ``camera_T_board`` (n, 4, 4); ``spread`` inverse(H) (n, 6, 6) for corners of 1 px; ``by_nuisance`` K (n, 6, q);
    ``nuisance_information`` (n, q, q) and ``nuisance_gradient`` (n, q): what the shape of each view alone says of q,
    for corners of 1 px; ``residual_px`` (n, K, 2). Nuisances: board scale, focal length, then the lens parameters
    whose ``sigma`` the camera states.
    """

    camera_T_board: Array
    spread: Array
    by_nuisance: Array
    nuisance_information: Array
    nuisance_gradient: Array
    residual_px: Array

    def __getitem__(self, rows: Rows) -> SeenPoses:
        return SeenPoses(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))


def see(problem: Problem, stack: ViewStack, near: Array) -> SeenPoses:
    """The corners linearised at board poses ``near`` (n, 4, 4), each view brought to its own least squares.

    Every view must allow a pose there.
    """
    fit = linearise_corners(problem.camera, stack, near)
    spread = np.linalg.inv(fit.information)
    n, k = stack.weights.shape
    # A board larger by s moves each corner by s times its own position; a shift of the corner is a shift of the pose
    # along the corner's position in the board's frame.
    by_scale = (fit.jacobian[..., :3] @ stack.points_m[..., None])[..., 0]
    pixels = stack.corners_px - fit.residual_px
    boards = se3.apply(near, stack.points_m)
    columns = [by_scale, pixels - problem.camera.matrix[:2, 2]]
    columns += [
        np.nan_to_num((problem.camera.changed({name: step}).project(boards) - pixels) / step)
        for name, step in ((name, _LENS_STEP * sigma) for name, sigma in problem.camera.sigma.items())
    ]
    by_corner = np.stack(columns, axis=-1).reshape(n, 2 * k, -1)
    weighted = by_corner * np.repeat(stack.weights, 2, axis=1)[..., None]
    flat = fit.jacobian.reshape(n, 2 * k, 6)
    crosswise = np.swapaxes(weighted, 1, 2)
    together = np.swapaxes(flat, 1, 2) @ weighted
    by_pose = spread @ together
    # What is left of the nuisances once each view has taken the pose that suits it best.
    taken = np.swapaxes(by_pose, 1, 2)
    gradient = crosswise @ fit.residual_px.reshape(n, 2 * k, 1) - taken @ (fit.information @ fit.step[..., None])
    return SeenPoses(
        near @ se3.exp(fit.step),
        spread,
        by_pose,
        crosswise @ by_corner - taken @ together,
        gradient[..., 0],
        fit.residual_px,
    )


@dataclass(frozen=True)
class LinearModel:
    """n views about one estimate, in the arm's coordinates, ordered (translation, rotation) throughout.

    ``offset`` (n, 6); ``by_transforms`` (n, 6, 12), X then Y; ``free`` (12, p) the changes that can be told;
    ``by_nuisance`` (n, 6, q); ``camera_share`` (n, 6, 6) covariance for corners of 1 px; ``to_board`` M (n, 6, 6)
    takes the arm's coordinates to the board's; ``nuisance_information`` (q, q) and ``nuisance_gradient`` (q,) of all
    views together, for corners of 1 px; ``nuisance_sigma`` (q,): infinite where nothing is stated.
    """

    offset: Array
    by_transforms: Array
    free: Array
    by_nuisance: Array
    camera_share: Array
    to_board: Array
    nuisance_information: Array
    nuisance_gradient: Array
    nuisance_sigma: Array

    @property
    def carried(self) -> tuple[int, ...]:
        """The nuisances that every estimate carries along: those with a stated sigma."""
        return tuple(range(FIRST_LENS, len(self.nuisance_sigma)))

    def design(self, nuisances: tuple[int, ...]) -> Array:
        """(n, 6, p + number of nuisances): how the offsets move with the free changes and the nuisances."""
        by_free = self.by_transforms @ self.free
        return np.concatenate([by_free, self.by_nuisance[..., nuisances]], axis=-1) if nuisances else by_free

    def covariance(self, corner_px: float, variances: Array) -> Array:
        """C (m, n, 6, 6) of the offsets for corner noise ``corner_px`` and arm variances (m, 6) at the flange."""
        out: Array = corner_px**2 * self.camera_share + variances[:, None, :, None] * np.eye(6)
        return out


def linearise(problem: Problem, seen: SeenPoses, A: Array, X: Array, Y: Array) -> LinearModel:
    """The linear model of the poses seen about X, Y."""
    behind = A @ Y
    predicted = se3.inverse(X) @ behind
    # inverse(M) = Ad(Y) if the camera is fixed, -Ad(A Y) if it is on the arm; the rest follows from P0 = X^-1 A Y.
    by_transforms = np.empty((len(A), 6, 12))
    if problem.mount == "fixed":
        to_arm = np.broadcast_to(se3.adjoint(Y), (len(A), 6, 6))
        to_board = np.broadcast_to(se3.adjoint(se3.inverse(Y)), (len(A), 6, 6))
        by_transforms[..., :6] = -se3.adjoint(se3.inverse(A) @ X)
    else:
        to_arm = -se3.adjoint(behind)
        to_board = -se3.adjoint(se3.inverse(behind))
        by_transforms[..., :6] = se3.adjoint(X)
    by_transforms[..., 6:] = to_arm
    offset = se3.log(se3.inverse(predicted) @ seen.camera_T_board)
    return LinearModel(
        (to_arm @ offset[..., None])[..., 0],
        by_transforms,
        free_directions(problem, A, X, Y),
        to_arm @ seen.by_nuisance,
        to_arm @ seen.spread @ np.swapaxes(to_arm, -1, -2),
        to_board,
        seen.nuisance_information.sum(axis=0),
        seen.nuisance_gradient.sum(axis=0),
        np.array([np.inf, np.inf, *problem.camera.sigma.values()]),
    )


@dataclass(frozen=True)
class LinearFits:
    """Generalised least squares under m choices of the arm's variances.

    Unknowns z: the free changes of X and Y, then the nuisances carried. ``z`` (m, r), ``covariance`` and ``normal``
    (m, r, r), its information; ``left`` (m, n, 6) offsets left over; ``weight`` (m, n, 6, 6); ``design`` (n, 6, r);
    ``weighted_design`` (m, n, 6, r); ``log_likelihood`` (m,): restricted, up to a constant.
    """

    z: Array
    covariance: Array
    normal: Array
    left: Array
    weight: Array
    design: Array
    weighted_design: Array
    log_likelihood: Array


def fit_linear(
    model: LinearModel, corner_px: float, variances: Array, nuisances: tuple[int, ...] | None = None
) -> LinearFits:
    """The fits of ``model`` for corner noise ``corner_px`` and arm variances (m, 6) at the flange.

    ``nuisances``: which to carry along; by default those with a stated sigma. Directions without information
    (relative size under 1e-14) stay zero.
    """
    carried = model.carried if nuisances is None else nuisances
    design = model.design(carried)
    n, _, unknowns = design.shape
    C = model.covariance(corner_px, variances)
    weight = np.linalg.inv(C)
    # The offsets ride along as one more column: one product gives the normal equations, their right side and squares.
    both = np.concatenate([design, model.offset[..., None]], axis=-1)
    weighted_both = weight @ both
    products = both.reshape(6 * n, -1).T @ weighted_both.reshape(-1, 6 * n, unknowns + 1)
    normal, right = products[:, :unknowns, :unknowns], products[:, :unknowns, unknowns]
    if carried:
        own = slice(unknowns - len(carried), None)
        prior = np.diag(1 / model.nuisance_sigma[list(carried)] ** 2)
        normal[:, own, own] += model.nuisance_information[np.ix_(carried, carried)] / corner_px**2 + prior
        right[:, own] += model.nuisance_gradient[list(carried)] / corner_px**2
    covariance, log_size = invert_with_log_size(normal)
    z = (covariance @ right[..., None])[..., 0]
    left = model.offset - (z @ design.reshape(6 * n, unknowns).T).reshape(-1, n, 6)
    squares = products[:, unknowns, unknowns] - (z * right).sum(axis=-1)
    log_likelihood = -0.5 * (np.linalg.slogdet(C)[1].sum(axis=-1) + log_size + squares)
    return LinearFits(z, covariance, normal, left, weight, design, weighted_both[..., :unknowns], log_likelihood)


def invert_information(normal: Array) -> Array:
    """Covariance (..., p, p) of information; scaled first, since metres and radians differ by orders."""
    return invert_with_log_size(normal)[0]


def invert_with_log_size(normal: Array) -> tuple[Array, Array]:
    """Covariance (..., p, p), and log determinant (...) of the information, over the directions that have any."""
    scale = 1 / np.sqrt(np.maximum(np.diagonal(normal, axis1=-2, axis2=-1), 1e-300))
    scales = scale[..., :, None] * scale[..., None, :]
    values, vectors = np.linalg.eigh(normal * scales)
    kept = values > 1e-14 * np.maximum(values[..., -1:], 1e-300)
    inverse = (vectors * np.where(kept, 1 / np.where(kept, values, 1.0), 0.0)[..., None, :]) @ np.swapaxes(
        vectors, -1, -2
    )
    log_size = np.log(np.where(kept, values, 1.0)).sum(axis=-1) - 2 * np.log(scale).sum(axis=-1)
    return inverse * scales, log_size
