"""The joint estimate: both transforms, with every arm pose allowed to err by its noise, on the corners themselves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eyebolt.calibration.estimation.linearization import (
    FOCAL,
    SCALE,
    BoardPoses,
    LinearFits,
    LinearModel,
    fit_linear,
    linearize,
    linearize_board_poses,
)
from eyebolt.calibration.estimation.robot_noise import (
    NoisePosterior,
    noise_posterior,
    reml_noise,
    stated_noise,
    variance_of,
)
from eyebolt.calibration.estimation.statistics import chi2_isf
from eyebolt.calibration.problem import Problem, RobotNoise
from eyebolt.geometry import Array, CameraModel, RowSelection, se3
from eyebolt.observations import CornerObservations, PoseFits

# Corners are never known better than this; it keeps noiseless data (tests, drawings) solvable.
_MIN_CORNER_SIGMA_PX = 0.003
_MAX_ITERATIONS = 30
_SIGNIFICANCE = 1e-5


@dataclass(frozen=True)
class Observations:
    """What the solver takes from the pairs: chain ``A`` (n, 4, 4), padded corners, board pose of each view alone.

    ``linearized``: the corners linearised at those poses.
    """

    A: Array
    stack: CornerObservations
    poses: PoseFits
    linearized: BoardPoses

    @staticmethod
    def of(problem: Problem, A: Array, stack: CornerObservations, poses: PoseFits) -> Observations:
        """The views with their corners linearised; every pose must be usable."""
        return Observations(A, stack, poses, linearize_board_poses(problem, stack, poses.camera_T_board))

    def subset(self, rows: RowSelection) -> Observations:
        """The same for the views at ``rows``."""
        return Observations(self.A[rows], self.stack[rows], self.poses[rows], self.linearized[rows])

    @property
    def corner_sigma_px(self) -> float:
        """Corner noise, pixels per coordinate, from what each view's own best pose leaves over."""
        dof = 2 * self.stack.weights.sum() - 6 * len(self.A)
        if dof <= 0:
            return 0.1
        return max(float(np.sqrt(self.poses.rss_px2.sum() / dof)), _MIN_CORNER_SIGMA_PX)


@dataclass(frozen=True)
class JointEstimate:
    """The estimate and everything that its error statement needs.

    ``X``, ``Y`` (4, 4) metres; ``model`` linearised there but for a last short step; ``linearized``: the corners behind it;
    ``corner_sigma_px``; ``noise`` of the arm; the posterior of the change z = (X, Y) as a mixture over noise choices:
    ``weights`` (m,), ``means`` (m, 12), ``covariances`` (m, 12, 12), relative to X and Y; ``fits``: at the most likely
    noise; ``converged``; ``variance_inflation``: how many times the stated variance the pairs show (1 where it holds or was
    estimated), already in ``covariances``.
    """

    X: Array
    Y: Array
    model: LinearModel
    linearized: BoardPoses
    corner_sigma_px: float
    noise: NoisePosterior
    weights: Array
    means: Array
    covariances: Array
    fits: LinearFits
    converged: bool
    variance_inflation: float

    @property
    def covariance(self) -> Array:
        """(12, 12) of the whole mixture, order X then Y, each (translation, rotation)."""
        centred = self.means - self.weights @ self.means
        within = np.einsum("m,mij->ij", self.weights, self.covariances)
        out: Array = within + np.einsum("m,mi,mj->ij", self.weights, centred, centred)
        return out

    @property
    def normal(self) -> Array:
        """(12, 12) information about X and Y at the most likely noise, whatever else is carried along."""
        observable_basis, normal = self.model.observable_basis, self.fits.normal[0]
        p = observable_basis.shape[1]
        own, cross, other = normal[:p, :p], normal[:p, p:], normal[p:, p:]
        # What is carried along has a stated sigma, so it always has information.
        out: Array = observable_basis @ (own - cross @ np.linalg.solve(other, cross.T)) @ observable_basis.T
        return out

    def with_scale_and_focal_free(self, camera: CameraModel) -> LinearFits:
        """The fit at the most likely noise with board scale and focal length free beside the transforms.

        These two are the first unknowns after the free changes of X and Y; other doubts about ``camera`` follow.
        """
        # A free focal length leaves nothing to a stated doubt about it.
        named = zip(self.model.prior_nuisances, camera.sigma, strict=True)
        others = tuple(k for k, name in named if name not in ("fx", "fy"))
        variances = variance_of(self.noise.best)[None]
        return fit_linear(self.model, self.corner_sigma_px, variances, (SCALE, FOCAL, *others))


def joint_estimate(
    problem: Problem,
    observations: Observations,
    X: Array,
    Y: Array,
    noise_start: RobotNoise | None = None,
    posterior: bool = True,
) -> JointEstimate:
    """Iterates from X, Y to the maximum-likelihood estimate.

    Noise is taken as ``problem.robot_noise`` states it, or estimated along the way. ``posterior`` False is for trials:
    the corners stay linearised where they are, and the noise is taken for known.
    """
    corner_sigma_px = observations.corner_sigma_px
    noise = problem.robot_noise or noise_start
    linearized = observations.linearized
    optimum = _optimize(problem, observations.A, linearized, corner_sigma_px, X, Y, noise)
    if posterior and optimum.converged:
        linearized = linearize_board_poses(problem, observations.stack, optimum.camera_T_board)
        optimum = _optimize(problem, observations.A, linearized, corner_sigma_px, optimum.X, optimum.Y, optimum.noise)
    return _with_posterior(problem, optimum, linearized, corner_sigma_px, posterior)


@dataclass(frozen=True)
class _Optimum:
    """``model`` linearised at ``X``, ``Y``, whose best step from there is too short to matter if ``converged``.

    ``noise`` that goes with it, ``fits`` at that noise; ``camera_T_board`` (n, 4, 4): where the boards are then.
    """

    X: Array
    Y: Array
    model: LinearModel
    noise: RobotNoise
    fits: LinearFits
    converged: bool
    camera_T_board: Array


def _optimize(
    problem: Problem,
    A: Array,
    linearized: BoardPoses,
    corner_sigma_px: float,
    X: Array,
    Y: Array,
    noise: RobotNoise | None,
) -> _Optimum:
    """The transforms and the noise that fit the poses seen best, from ``X``, ``Y``."""
    converged = False
    updated = np.stack([X, Y])
    for _ in range(_MAX_ITERATIONS):
        X, Y = updated
        model = linearize(problem, linearized, A, X, Y)
        if problem.robot_noise is None:
            estimated, fits = reml_noise(model, corner_sigma_px, noise)
        else:
            estimated, fits = (
                problem.robot_noise,
                fit_linear(model, corner_sigma_px, variance_of(problem.robot_noise)[None]),
            )
        noise = estimated
        step, normal = fits.z[0], fits.normal[0]
        z = model.observable_basis @ step[: model.observable_basis.shape[1]]
        # A long step from a poor start would leave the range where the linear model means anything.
        z = z * min(1.0, 0.5 / max(np.abs(z[[3, 4, 5, 9, 10, 11]]).max(), 1e-12))
        updated = np.stack([X, Y]) @ se3.exp(z.reshape(2, 6))
        # Converged when the step is lost in the error of the estimate itself: a thousandth of it. What is carried along
        # is measured anew from zero each time and takes no part in this.
        transforms = step.copy()
        transforms[model.observable_basis.shape[1] :] = 0.0
        if float(transforms @ normal @ transforms) < 1e-6 or np.abs(z).max() < 1e-14:
            converged = True
            break
    arm_error = variance_of(estimated) * (fits.weight[0] @ fits.residual[0][..., None])[..., 0]
    displaced = (model.to_board @ arm_error[..., None])[..., 0]
    carried = step[model.observable_basis.shape[1] :]
    if carried.size:
        displaced = displaced + linearized.nuisance_jacobian[..., model.prior_nuisances] @ carried
    camera_T_board = se3.inverse(updated[0]) @ A @ updated[1] @ se3.exp(displaced)
    return _Optimum(X, Y, model, estimated, fits, converged, camera_T_board)


def _with_posterior(
    problem: Problem, optimum: _Optimum, linearized: BoardPoses, corner_sigma_px: float, posterior: bool
) -> JointEstimate:
    model, noise, fits = optimum.model, optimum.noise, optimum.fits
    noise_mixture, found, variance_inflation = stated_noise(noise), fits, 1.0
    if problem.robot_noise is not None:
        variance_inflation = _variance_inflation(fits, model.offset.size)
    elif posterior:
        noise_mixture, found = noise_posterior(model, corner_sigma_px, noise, fits)
    observable_basis = model.observable_basis
    p = observable_basis.shape[1]
    means = found.z[:, :p] @ observable_basis.T
    # The point estimate is the mean over what the noise may be, so move there.
    mean = noise_mixture.weights @ means
    X, Y = np.stack([optimum.X, optimum.Y]) @ se3.exp(mean.reshape(2, 6))
    return JointEstimate(
        X,
        Y,
        model,
        linearized,
        corner_sigma_px,
        noise_mixture,
        noise_mixture.weights,
        means - mean,
        observable_basis @ found.covariance[:, :p, :p] @ observable_basis.T * variance_inflation,
        fits,
        optimum.converged,
        variance_inflation,
    )


def _variance_inflation(stated: LinearFits, numbers: int) -> float:
    """How many times the stated noise's variance the pairs show: 1 unless chance could hardly explain it.

    The statement keeps its say in the estimate; the stated error is widened (R. T. Birge, Phys. Rev. 40, 1932).
    """
    residual = stated.residual[0]
    chi2 = float(np.einsum("ni,nij,nj->", residual, stated.weight[0], residual))
    dof = numbers - stated.design.shape[-1]
    return chi2 / dof if dof > 0 and chi2 > chi2_isf(dof, _SIGNIFICANCE) else 1.0
