"""The joint estimate: both transforms, with every arm pose allowed to err by its noise, on the corners themselves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri

from eyebolt.geometry import rigid
from eyebolt.geometry.rigid import Array, Rows
from eyebolt.pairs.board_pose import BoardPoses, ViewStack
from eyebolt.solve.linear_model import LinearModel, estimate, invert_information, linearise
from eyebolt.solve.noise import (
    NoiseKnowledge,
    RestrictedLikelihood,
    most_likely_noise,
    noise_posterior,
    stated_noise,
    variance_of,
)
from eyebolt.solve.problem import Problem, RobotNoise

# Corners are never known better than this; it keeps noiseless data (tests, drawings) solvable.
_LEAST_CORNER_PX = 0.003
_MOST_STEPS = 30
_BY_CHANCE = 1e-5


@dataclass(frozen=True)
class Views:
    """What the solver takes from the pairs: chain ``A`` (n, 4, 4), padded corners, board pose of each view alone."""

    A: Array
    stack: ViewStack
    poses: BoardPoses

    def subset(self, rows: Rows) -> Views:
        """The same for the views at ``rows``."""
        poses = BoardPoses(
            self.poses.camera_T_board[rows],
            self.poses.rss_px2[rows],
            self.poses.other_branch[rows],
            self.poses.other_rss_px2[rows],
        )
        return Views(self.A[rows], self.stack[rows], poses)

    @property
    def corner_px(self) -> float:
        """Corner noise, pixels per coordinate, from what each view's own best pose leaves over."""
        freedom = 2 * self.stack.weights.sum() - 6 * len(self.A)
        if freedom <= 0:
            return 0.1
        return max(float(np.sqrt(self.poses.rss_px2.sum() / freedom)), _LEAST_CORNER_PX)


@dataclass(frozen=True)
class JointEstimate:
    """The estimate and everything that its error statement needs.

    ``X``, ``Y`` (4, 4) metres; ``model`` linearised there; ``corner_px``; ``noise`` of the arm; the posterior of the
    change z = (X, Y) as a mixture over noise choices: ``weights`` (m,), ``means`` (m, 12), ``covariances`` (m, 12, 12),
    relative to X and Y; ``normal`` (12, 12) information at the most likely noise; ``converged``; ``widening``: how many
    times the stated variance the pairs show (1 where it holds or was estimated), already in ``covariances``.
    """

    X: Array
    Y: Array
    model: LinearModel
    corner_px: float
    noise: NoiseKnowledge
    weights: Array
    means: Array
    covariances: Array
    normal: Array
    converged: bool
    widening: float

    @property
    def covariance(self) -> Array:
        """(12, 12) of the whole mixture, order X then Y, each (translation, rotation)."""
        centred = self.means - self.weights @ self.means
        within = np.einsum("m,mij->ij", self.weights, self.covariances)
        out: Array = within + np.einsum("m,mi,mj->ij", self.weights, centred, centred)
        return out

    @property
    def view_covariance(self) -> Array:
        """C (n, 6, 6) of the views' offsets at the most likely noise."""
        return self.model.covariance(self.corner_px, variance_of(self.noise.best))


def joint_estimate(
    problem: Problem, views: Views, X: Array, Y: Array, noise_start: RobotNoise | None = None, posterior: bool = True
) -> JointEstimate:
    """Iterates from X, Y to the maximum-likelihood estimate; ``posterior`` False skips the integration over noise.

    Noise is taken as ``problem.robot_noise`` states it, or estimated along the way.
    """
    corner_px = views.corner_px
    near = views.poses.camera_T_board
    noise = problem.robot_noise or noise_start
    converged = False
    for _ in range(_MOST_STEPS):
        model = linearise(problem, views.stack, views.A, X, Y, near)
        if problem.robot_noise is None:
            noise = most_likely_noise(RestrictedLikelihood(model, model.design, corner_px), noise)
        variance = variance_of(noise or RobotNoise(0.0, 0.0))
        weight = np.linalg.inv(model.covariance(corner_px, variance))
        step = estimate(model.offset, model.design, weight)
        z = model.free @ step.z
        # A long step from a poor start would leave the range where the linear model means anything.
        z = z * min(1.0, 0.5 / max(np.abs(z[[3, 4, 5, 9, 10, 11]]).max(), 1e-12))
        X, Y = X @ rigid.exp(z[:6]), Y @ rigid.exp(z[6:])
        arm_error = variance * np.einsum("nji,njk,nk->ni", model.by_arm, weight, step.left)
        displaced = np.einsum("nij,nj->ni", model.by_arm, arm_error)
        near = rigid.inverse(X) @ views.A @ Y @ rigid.exp(displaced)
        # Converged when the step is lost in the error of the estimate itself.
        if float(step.z @ step.normal @ step.z) < 1e-10 or np.abs(z).max() < 1e-14:
            converged = True
            break
    model = linearise(problem, views.stack, views.A, X, Y, near)
    return _with_posterior(problem, model, corner_px, X, Y, noise, converged, posterior)


def _with_posterior(
    problem: Problem,
    model: LinearModel,
    corner_px: float,
    X: Array,
    Y: Array,
    noise: RobotNoise | None,
    converged: bool,
    posterior: bool,
) -> JointEstimate:
    best = noise or RobotNoise(0.0, 0.0)
    knowledge = stated_noise(best)
    if problem.robot_noise is None:
        likelihood = RestrictedLikelihood(model, model.design, corner_px)
        best = most_likely_noise(likelihood, noise)
        knowledge = noise_posterior(likelihood, best) if posterior else stated_noise(best)
    widening = _misfit(model, corner_px, best) if knowledge.stated and problem.robot_noise is not None else 1.0
    means, covariances = [], []
    for choice in knowledge.choices:
        weight = np.linalg.inv(model.covariance(corner_px, variance_of(RobotNoise(*choice))))
        fitted = estimate(model.offset, model.design, weight)
        means.append(model.free @ fitted.z)
        covariances.append(model.free @ invert_information(fitted.normal) @ model.free.T * widening)
    weight = np.linalg.inv(model.covariance(corner_px, variance_of(best)))
    normal = model.free @ estimate(model.offset, model.design, weight).normal @ model.free.T
    # The point estimate is the mean over what the noise may be, so move there.
    mean = knowledge.weights @ np.array(means)
    return JointEstimate(
        X @ rigid.exp(mean[:6]),
        Y @ rigid.exp(mean[6:]),
        model,
        corner_px,
        knowledge,
        knowledge.weights,
        np.array(means) - mean,
        np.array(covariances),
        normal,
        converged,
        widening,
    )


def _misfit(model: LinearModel, corner_px: float, stated: RobotNoise) -> float:
    """How many times the stated noise's variance the pairs show: 1 unless chance could hardly explain it.

    The statement keeps its say in the estimate; the stated error is widened (R. T. Birge, Phys. Rev. 40, 1932).
    """
    weight = np.linalg.inv(model.covariance(corner_px, variance_of(stated)))
    left = estimate(model.offset, model.design, weight).left
    squared = float((left * (weight @ left[..., None])[..., 0]).sum())
    freedom = left.size - model.free.shape[1]
    return squared / freedom if freedom > 0 and squared > chdtri(freedom, _BY_CHANCE) else 1.0
