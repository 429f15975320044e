"""The joint estimate: both transforms, with every arm pose allowed to err by its noise, on the corners themselves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eyebolt.calibration.estimation.linearization import (
    FOCAL,
    SCALE,
    LinearFits,
    LinearModel,
    SeenPoses,
    fit_linear,
    linearise,
    see,
)
from eyebolt.calibration.estimation.robot_noise import (
    NoiseKnowledge,
    most_likely_noise,
    noise_posterior,
    stated_noise,
    variance_of,
)
from eyebolt.calibration.estimation.statistics import squares_beyond
from eyebolt.calibration.problem import Problem, RobotNoise
from eyebolt.geometry import Array, CameraModel, Rows, se3
from eyebolt.observations import BoardPoses, ViewStack

# Corners are never known better than this; it keeps noiseless data (tests, drawings) solvable.
_LEAST_CORNER_PX = 0.003
_MOST_STEPS = 30
_BY_CHANCE = 1e-5


@dataclass(frozen=True)
class Views:
    """What the solver takes from the pairs: chain ``A`` (n, 4, 4), padded corners, board pose of each view alone.

    ``seen``: the corners linearised at those poses.
    """

    A: Array
    stack: ViewStack
    poses: BoardPoses
    seen: SeenPoses

    @staticmethod
    def of(problem: Problem, A: Array, stack: ViewStack, poses: BoardPoses) -> Views:
        """The views with their corners linearised; every pose must be usable."""
        return Views(A, stack, poses, see(problem, stack, poses.camera_T_board))

    def subset(self, rows: Rows) -> Views:
        """The same for the views at ``rows``."""
        return Views(self.A[rows], self.stack[rows], self.poses[rows], self.seen[rows])

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

    ``X``, ``Y`` (4, 4) metres; ``model`` linearised there but for a last short step; ``seen``: the corners behind it;
    ``corner_px``; ``noise`` of the arm; the posterior of the change z = (X, Y) as a mixture over noise choices:
    ``weights`` (m,), ``means`` (m, 12), ``covariances`` (m, 12, 12), relative to X and Y; ``fits``: at the most likely
    noise; ``converged``; ``widening``: how many times the stated variance the pairs show (1 where it holds or was
    estimated), already in ``covariances``.
    """

    X: Array
    Y: Array
    model: LinearModel
    seen: SeenPoses
    corner_px: float
    noise: NoiseKnowledge
    weights: Array
    means: Array
    covariances: Array
    fits: LinearFits
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
    def normal(self) -> Array:
        """(12, 12) information about X and Y at the most likely noise, whatever else is carried along."""
        free, normal = self.model.free, self.fits.normal[0]
        p = free.shape[1]
        own, cross, other = normal[:p, :p], normal[:p, p:], normal[p:, p:]
        # What is carried along has a stated sigma, so it always has information.
        out: Array = free @ (own - cross @ np.linalg.solve(other, cross.T)) @ free.T
        return out

    def with_scale_and_focal_free(self, camera: CameraModel) -> LinearFits:
        """The fit at the most likely noise with board scale and focal length free beside the transforms.

        These two are the first unknowns after the free changes of X and Y; other doubts about ``camera`` follow.
        """
        # A free focal length leaves nothing to a stated doubt about it.
        named = zip(self.model.carried, camera.sigma, strict=True)
        others = tuple(k for k, name in named if name not in ("fx", "fy"))
        variances = variance_of(self.noise.best)[None]
        return fit_linear(self.model, self.corner_px, variances, (SCALE, FOCAL, *others))


def joint_estimate(
    problem: Problem, views: Views, X: Array, Y: Array, noise_start: RobotNoise | None = None, posterior: bool = True
) -> JointEstimate:
    """Iterates from X, Y to the maximum-likelihood estimate.

    Noise is taken as ``problem.robot_noise`` states it, or estimated along the way. ``posterior`` False is for trials:
    the corners stay linearised where they are, and the noise is taken for known.
    """
    corner_px = views.corner_px
    noise = problem.robot_noise or noise_start
    seen = views.seen
    settled = _settle(problem, views.A, seen, corner_px, X, Y, noise)
    if posterior and settled.converged:
        seen = see(problem, views.stack, settled.near)
        settled = _settle(problem, views.A, seen, corner_px, settled.X, settled.Y, settled.noise)
    return _with_posterior(problem, settled, seen, corner_px, posterior)


@dataclass(frozen=True)
class _Settled:
    """``model`` linearised at ``X``, ``Y``, whose best step from there is too short to matter if ``converged``.

    ``noise`` that goes with it, ``fits`` at that noise; ``near`` (n, 4, 4): where the boards are then.
    """

    X: Array
    Y: Array
    model: LinearModel
    noise: RobotNoise
    fits: LinearFits
    converged: bool
    near: Array


def _settle(
    problem: Problem, A: Array, seen: SeenPoses, corner_px: float, X: Array, Y: Array, noise: RobotNoise | None
) -> _Settled:
    """The transforms and the noise that fit the poses seen best, from ``X``, ``Y``."""
    converged = False
    moved = np.stack([X, Y])
    for _ in range(_MOST_STEPS):
        X, Y = moved
        model = linearise(problem, seen, A, X, Y)
        if problem.robot_noise is None:
            known, fits = most_likely_noise(model, corner_px, noise)
        else:
            known, fits = problem.robot_noise, fit_linear(model, corner_px, variance_of(problem.robot_noise)[None])
        noise = known
        step, normal = fits.z[0], fits.normal[0]
        z = model.free @ step[: model.free.shape[1]]
        # A long step from a poor start would leave the range where the linear model means anything.
        z = z * min(1.0, 0.5 / max(np.abs(z[[3, 4, 5, 9, 10, 11]]).max(), 1e-12))
        moved = np.stack([X, Y]) @ se3.exp(z.reshape(2, 6))
        # Converged when the step is lost in the error of the estimate itself: a thousandth of it. What is carried along
        # is measured anew from zero each time and takes no part in this.
        transforms = step.copy()
        transforms[model.free.shape[1] :] = 0.0
        if float(transforms @ normal @ transforms) < 1e-6 or np.abs(z).max() < 1e-14:
            converged = True
            break
    arm_error = variance_of(known) * (fits.weight[0] @ fits.left[0][..., None])[..., 0]
    displaced = (model.to_board @ arm_error[..., None])[..., 0]
    carried = step[model.free.shape[1] :]
    if carried.size:
        displaced = displaced + seen.by_nuisance[..., model.carried] @ carried
    near = se3.inverse(moved[0]) @ A @ moved[1] @ se3.exp(displaced)
    return _Settled(X, Y, model, known, fits, converged, near)


def _with_posterior(
    problem: Problem, settled: _Settled, seen: SeenPoses, corner_px: float, posterior: bool
) -> JointEstimate:
    model, noise, fits = settled.model, settled.noise, settled.fits
    knowledge, found, widening = stated_noise(noise), fits, 1.0
    if problem.robot_noise is not None:
        widening = _misfit(fits, model.offset.size)
    elif posterior:
        knowledge, found = noise_posterior(model, corner_px, noise, fits)
    free = model.free
    p = free.shape[1]
    means = found.z[:, :p] @ free.T
    # The point estimate is the mean over what the noise may be, so move there.
    mean = knowledge.weights @ means
    X, Y = np.stack([settled.X, settled.Y]) @ se3.exp(mean.reshape(2, 6))
    return JointEstimate(
        X,
        Y,
        model,
        seen,
        corner_px,
        knowledge,
        knowledge.weights,
        means - mean,
        free @ found.covariance[:, :p, :p] @ free.T * widening,
        fits,
        settled.converged,
        widening,
    )


def _misfit(stated: LinearFits, numbers: int) -> float:
    """How many times the stated noise's variance the pairs show: 1 unless chance could hardly explain it.

    The statement keeps its say in the estimate; the stated error is widened (R. T. Birge, Phys. Rev. 40, 1932).
    """
    left = stated.left[0]
    squared = float(np.einsum("ni,nij,nj->", left, stated.weight[0], left))
    freedom = numbers - stated.design.shape[-1]
    return squared / freedom if freedom > 0 and squared > squares_beyond(freedom, _BY_CHANCE) else 1.0
