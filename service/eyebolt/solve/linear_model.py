"""The problem linearised at the level of board poses: each view becomes six numbers with their covariance.

A view with corner information H (for corners of 1 px) measures the board's pose with covariance s^2 inverse(H); the
arm's error adds its own share. With P0 = inverse(X) A Y predicted and P the pose where the corners were linearised,

    e_i = log(inverse(P0_i) P_i exp(step_i)) = G_i z + M_i xi_i + K_i q + noise,

z = change of X and Y, xi = the arm's error at the flange, q = the nuisances that act on all views alike (relative
error of the board's scale and of the focal length). To first order nothing is lost against using every corner; since
the corners are linearised anew at each estimate, the fixed point is the maximum-likelihood estimate on the corners.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eyebolt.geometry import rigid
from eyebolt.geometry.rigid import Array
from eyebolt.pairs.board_pose import CornerFit, ViewStack, linearise_corners
from eyebolt.solve.problem import Problem
from eyebolt.solve.vertical import free_directions

NUISANCES = ("scale", "focal")


@dataclass(frozen=True)
class LinearModel:
    """n views about one estimate, ordered (translation, rotation) throughout.

    ``offset`` e (n, 6); ``by_transforms`` G (n, 6, 12), X then Y; ``free`` (12, p) the changes that can be told;
    ``by_arm`` M (n, 6, 6); ``by_nuisance`` K (n, 6, 2);
    ``spread`` inverse(H) (n, 6, 6) for corners of 1 px; ``nuisance_information`` (2, 2) and ``nuisance_gradient`` (2,):
    what the shape of the views alone says of q, for corners of 1 px; ``fit``: the corners behind it.
    """

    offset: Array
    by_transforms: Array
    free: Array
    by_arm: Array
    by_nuisance: Array
    spread: Array
    nuisance_information: Array
    nuisance_gradient: Array
    fit: CornerFit

    @property
    def design(self) -> Array:
        """(n, 6, p): how the offsets move with the changes that can be told."""
        return self.by_transforms @ self.free

    def covariance(self, corner_px: float, arm_variance: Array) -> Array:
        """C (n, 6, 6) for corner noise ``corner_px`` and the arm's variances (6,) or (n, 6) at the flange."""
        arm = self.by_arm * np.broadcast_to(arm_variance, (len(self.offset), 6))[:, None, :]
        return corner_px**2 * self.spread + arm @ np.swapaxes(self.by_arm, -1, -2)


def linearise(problem: Problem, stack: ViewStack, A: Array, X: Array, Y: Array, near: Array) -> LinearModel:
    """The linear model about X, Y, with the corners linearised at board poses ``near`` (n, 4, 4)."""
    fit = linearise_corners(problem.camera, stack, near)
    predicted = rigid.inverse(X) @ A @ Y
    offset = rigid.log(rigid.inverse(predicted) @ near @ rigid.exp(fit.step))
    n = len(A)
    by_transforms = np.zeros((n, 6, 12))
    by_transforms[:, :, :6] = -rigid.adjoint(rigid.inverse(predicted))
    by_transforms[:, :, 6:] = np.eye(6)
    if problem.mount == "fixed":
        by_arm = np.broadcast_to(rigid.adjoint(rigid.inverse(Y)), (n, 6, 6))
    else:
        by_arm = -rigid.adjoint(rigid.inverse(A @ Y))
    spread = np.linalg.inv(fit.information)
    by_nuisance, information, gradient = _nuisances(problem, stack, fit, spread)
    free = free_directions(problem, A, X, Y)
    return LinearModel(offset, by_transforms, free, by_arm, by_nuisance, spread, information, gradient, fit)


def _nuisances(problem: Problem, stack: ViewStack, fit: CornerFit, spread: Array) -> tuple[Array, Array, Array]:
    """K, and what the views' shape alone knows of scale and focal length."""
    n, k = stack.weights.shape
    weight = np.repeat(stack.weights, 2, axis=1)[..., None]
    # A board larger by s moves each corner by s times its own position; a shift of the corner is a shift of the pose
    # along the corner's position in the board's frame.
    by_scale = (fit.jacobian[..., :3] @ stack.points_m[..., None])[..., 0]
    principal = problem.camera.matrix[:2, 2]
    by_focal = stack.corners_px - fit.residual_px - principal
    columns = np.stack([by_scale, by_focal], axis=-1).reshape(n, 2 * k, 2)
    flat = fit.jacobian.reshape(n, 2 * k, 6)
    residual = fit.residual_px.reshape(n, 2 * k, 1)
    cross = np.swapaxes(flat * weight, 1, 2) @ columns
    by_pose = spread @ cross
    own = (columns - flat @ by_pose).reshape(-1, 2)
    weighted = own * weight.reshape(-1, 1)
    information = weighted.T @ own
    gradient = weighted.T @ residual.reshape(-1)
    return by_pose, information, gradient


@dataclass(frozen=True)
class LinearEstimate:
    """Generalised least squares: ``z`` (p,), ``normal`` (p, p) its information, ``left`` (n, 6) offsets left over."""

    z: Array
    normal: Array
    left: Array


def estimate(
    offset: Array, design: Array, weight: Array, extra_normal: Array | None = None, extra_right: Array | None = None
) -> LinearEstimate:
    """z minimising (e - D z)^T W (e - D z) for ``offset`` (n, 6), ``design`` (n, 6, p), ``weight`` (n, 6, 6).

    ``extra_normal`` (p, p) and ``extra_right`` (p,) add information from elsewhere. Directions without information
    (relative size under 1e-14) stay zero.
    """
    flat, weighted = design.reshape(-1, design.shape[-1]), (weight @ design).reshape(-1, design.shape[-1])
    normal = flat.T @ weighted
    right = weighted.T @ offset.reshape(-1)
    if extra_normal is not None and extra_right is not None:
        normal, right = normal + extra_normal, right + extra_right
    z = invert_information(normal) @ right
    return LinearEstimate(z, normal, offset - design @ z)


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
