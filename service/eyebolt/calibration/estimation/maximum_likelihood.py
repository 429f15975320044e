"""The joint estimate of X and Y, with every arm pose in error by the noise of the arm, on the corners themselves.

Gauss-Newton on the linear model of board poses, alternating with the noise of the arm. The
corners are linearised at the pose fit of each view and once more at the board pose that the estimated error of the arm
implies; a third linearisation would change terms of second order only.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from eyebolt.calibration.estimation.drift import DriftHypothesis, DriftMixture, average_over_drift, ordered_models
from eyebolt.calibration.estimation.linearization import (
    BoardPoses,
    Drift,
    LinearFits,
    LinearModel,
    Observations,
    arm_covariance,
    linearize,
)
from eyebolt.calibration.estimation.robot_noise import (
    NoisePosterior,
    NoisePrior,
    known_noise,
    most_likely_noise,
    variance_of,
)
from eyebolt.calibration.problem import Problem, RobotNoise
from eyebolt.geometry import Array, se3

# Gauss-Newton from the initial estimate takes four to eight; what does not converge by then is refused.
_MAX_ITERATIONS = 30
# Largest rotation of one step, radians: beyond it the linear model of a poor start is meaningless.
_MAX_STEP_RAD = 0.5
# Squared length of a negligible step in standard deviations of the estimate: a thousandth of one.
_NEGLIGIBLE_STEP_SQ = 1e-6
# The same for a trial with other pairs: what a step of one standard deviation leaves is of second order.
_NEGLIGIBLE_TRIAL_STEP_SQ = 1.0


@dataclass(frozen=True)
class JointEstimate:
    """The estimate of X and Y and everything that its error statement needs.

    The posterior of the change of (X, Y), perturbed on the right (12), and of the r standardised nuisance parameters is
    a Gaussian mixture with one component for each of the m noise values.
    """

    X: Array
    """(4, 4), metres: mean of the posterior."""
    Y: Array
    """(4, 4), metres."""
    nuisances: Array
    """(r,): mean of the posterior of the standardised nuisance parameters."""
    model: LinearModel
    """Linearised at the estimate but for a last negligible step."""
    board_poses: BoardPoses
    """The linearised corners behind ``model``."""
    camera_T_board: Array
    """(n, 4, 4), metres: poses of the board by the estimate, as they look with board and lens as stated."""
    corner_sigma_px: float
    """Corner noise, pixels per coordinate."""
    noise: NoisePosterior
    """Noise of the arm."""
    weights: Array
    """(m,), sum 1: weights of the mixture."""
    means: Array
    """(m, 12 + r), m, rad and prior standard deviations: means, relative to X, Y and ``nuisances``."""
    covariances: Array
    """(m, 12 + r, 12 + r): covariances."""
    fits: LinearFits
    """Fit at the most likely noise."""
    converged: bool
    """Whether the iteration ended with a negligible step."""
    drift: Drift | None
    """The drift that the model includes, as its last six nuisance parameters."""
    drifts: tuple[DriftHypothesis, ...]
    """The drift of each part, the most probable first; empty in trials and with too few pairs."""
    pose_excess: float = 1.0
    """Variance of the board poses in ``model``, as a multiple of that of the residuals of the corners."""

    @cached_property
    def covariance(self) -> Array:
        """(12 + r, 12 + r) of the mixture: X, Y, each (translation, rotation), then the nuisance parameters."""
        centred = self.means - self.weights @ self.means
        within = np.einsum("m,mij->ij", self.weights, self.covariances)
        out: Array = within + np.einsum("m,mi,mj->ij", self.weights, centred, centred)
        return out

    def without_drift(self) -> JointEstimate:
        """The same at the end of the drift: its estimate is taken off the offsets, its uncertainty is in the rest."""
        if self.drift is None:
            return self
        model, fits, kept = self.model, self.fits, slice(-6)
        effect = model.nuisance_jacobian[..., -6:] @ self.nuisances[-6:]
        own, cross, other = fits.normal[:, kept, kept], fits.normal[:, kept, -6:], fits.normal[:, -6:, -6:]
        return replace(
            self,
            nuisances=self.nuisances[kept],
            model=replace(model.without_columns(6), offset=model.offset - effect),
            board_poses=self.board_poses.without_columns(6),
            means=self.means[:, kept],
            covariances=self.covariances[:, kept, kept],
            fits=replace(
                fits,
                z=fits.z[:, kept],
                covariance=fits.covariance[:, kept, kept],
                normal=own - cross @ np.linalg.solve(other, np.swapaxes(cross, -1, -2)),
                design=fits.design[..., kept],
                weighted_design=fits.weighted_design[..., kept],
            ),
            drift=None,
        )

    def offset_covariance(self, model: LinearModel) -> Array:
        """(n, 6, 6): covariance of the offsets of ``model`` by corner noise and the most likely noise of the arm."""
        out: Array = model.covariance(self.corner_sigma_px, variance_of(self.noise.best)[None])[0]
        return out

    @property
    def normal(self) -> Array:
        """(12, 12) information about X and Y at the most likely noise, nuisance parameters eliminated."""
        basis, normal = self.model.observable_basis, self.fits.normal[0]
        p = basis.shape[1]
        own, cross, other = normal[:p, :p], normal[:p, p:], normal[p:, p:]
        # Every nuisance parameter has a prior, so ``other`` is never singular.
        out: Array = basis @ (own - cross @ np.linalg.solve(other, cross.T)) @ basis.T
        return out


def joint_estimate(
    problem: Problem,
    observations: Observations,
    X: Array,
    Y: Array,
    noise_start: RobotNoise | None = None,
    posterior: bool = True,
) -> JointEstimate:
    """The maximum-likelihood estimate, iterated from X, Y (4, 4).

    The noise of the arm is estimated, with ``problem.robot_noise`` as its prior, from ``noise_start``. With
    ``posterior`` False, for trials with other pairs, the corners are not linearised anew and the noise counts as known.
    """
    noise = problem.robot_noise or noise_start
    board_poses = observations.board_poses
    negligible = _NEGLIGIBLE_STEP_SQ if posterior else _NEGLIGIBLE_TRIAL_STEP_SQ
    optimum = _optimize(problem, observations, board_poses, X, Y, noise, negligible)
    if posterior and optimum.converged:
        board_poses = observations.linearized_at(problem, optimum.camera_T_board)
        optimum = _optimize(problem, observations, board_poses, optimum.X, optimum.Y, optimum.noise, negligible)
    return _with_posterior(problem, observations, optimum, board_poses, posterior)


@dataclass(frozen=True)
class _Optimum:
    X: Array
    """(4, 4), metres: the estimate."""
    Y: Array
    """(4, 4), metres: the estimate."""
    model: LinearModel
    """Linearised at X, Y; its best step is negligible if ``converged``."""
    noise: RobotNoise
    """Noise of the arm."""
    fits: LinearFits
    """Fit at ``noise``."""
    converged: bool
    """Whether the iteration ended with a negligible step."""
    camera_T_board: Array
    """(n, 4, 4): board poses with the estimated errors of the arm and the nuisances applied."""


def _optimize(
    problem: Problem,
    observations: Observations,
    board_poses: BoardPoses,
    X: Array,
    Y: Array,
    noise: RobotNoise | None,
    negligible_step_sq: float,
) -> _Optimum:
    """Gauss-Newton from X, Y on fixed ``board_poses``, the noise estimated anew at every step."""
    A, corner_sigma_px = observations.A, observations.corner_sigma_px
    converged = False
    updated = np.stack([X, Y])
    for _ in range(_MAX_ITERATIONS):
        X, Y = updated
        model = linearize(problem, board_poses, A, X, Y, observations.arm_shape)
        estimated, fits = most_likely_noise(
            model, corner_sigma_px, NoisePrior.of(problem.robot_noise, problem.robot_noise_dof), noise
        )
        noise = estimated
        step, normal = fits.z[0], fits.normal[0]
        z = model.observable_basis @ step[: model.observable_basis.shape[1]]
        z = z * min(1.0, _MAX_STEP_RAD / max(np.abs(z[[3, 4, 5, 9, 10, 11]]).max(), 1e-12))
        updated = np.stack([X, Y]) @ se3.exp(z.reshape(2, 6))
        # The nuisance parameters are estimated from zero at every step and take no part in the test of convergence.
        transforms = step.copy()
        transforms[model.observable_basis.shape[1] :] = 0.0
        if float(transforms @ normal @ transforms) < negligible_step_sq or np.abs(z).max() < 1e-14:
            converged = True
            break
    of_arm = arm_covariance(variance_of(estimated)[None], model.arm_shape)[0]
    displaced = (model.to_board @ of_arm @ fits.weight[0] @ fits.residual[0][..., None])[..., 0]
    displaced = displaced + board_poses.nuisance_jacobian @ step[model.observable_basis.shape[1] :]
    camera_T_board = se3.inverse(updated[0]) @ A @ updated[1] @ se3.exp(displaced)
    return _Optimum(X, Y, model, estimated, fits, converged, camera_T_board)


def _with_posterior(
    problem: Problem, observations: Observations, optimum: _Optimum, board_poses: BoardPoses, posterior: bool
) -> JointEstimate:
    model, noise, fits = optimum.model, optimum.noise, optimum.fits
    corner_sigma_px = observations.corner_sigma_px
    if posterior:
        pairs, repeats = ordered_models(problem, observations, model, optimum.X, optimum.Y)
        mixture = average_over_drift(problem, pairs, repeats, corner_sigma_px, noise, observations.drift)
    else:
        prior, basis = NoisePrior.of(problem.robot_noise, problem.robot_noise_dof), model.state_basis
        known = known_noise(noise, prior)
        mixture = DriftMixture(known.weights, fits.z @ basis.T, basis @ fits.covariance @ basis.T, known, ())
    # The point estimate is the mean of the posterior: X and Y move there.
    mean = mixture.weights @ mixture.means
    X, Y = np.stack([optimum.X, optimum.Y]) @ se3.exp(mean[:12].reshape(2, 6))
    return JointEstimate(
        X,
        Y,
        mean[12:],
        model,
        board_poses,
        optimum.camera_T_board,
        corner_sigma_px,
        mixture.noise,
        mixture.weights,
        mixture.means - mean,
        mixture.covariances,
        fits,
        optimum.converged,
        observations.drift,
        mixture.drifts,
        observations.pose_excess,
    )
