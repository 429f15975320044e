"""Refit of board scale and lens: estimated, applied, linearised again, until they converge (Gauss-Newton).

Six nuisance parameters: board scale, focal length, principal point (cx, cy) and the first two radial distortion
coefficients. The lens parameters can be fitted to the images alone, with the board poses free, or all six to poses and
images. The bow of the board is estimated beside them under a wide prior: it is not what is tested here, and neither
board scale nor lens must be blamed for it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from eyebolt.calibration.estimation import (
    Drift,
    MovedPart,
    NuisanceEstimate,
    Observations,
    estimate_nuisances,
    linearize,
    motion_nuisances,
)
from eyebolt.calibration.nuisance_prior import SCALE, NuisancePrior, PriorSource
from eyebolt.calibration.problem import Problem, RobotNoise
from eyebolt.geometry import Array, CameraModel, RowSelection, se3
from eyebolt.observations import (
    BOW_PARAMETERS,
    CornerField,
    CornerObservations,
    PoseFits,
    fit_board_poses,
    refine_board_poses,
)

# The parameters, in the order of all vectors (6,) here, with the prior sigma of each: scale and focal as fractions of
# the stated value, cx and cy as fractions of the focal length, k1 and k2 as they are. Wide enough for any board and
# lens file of the right kind. Common practice, no source.
NUISANCE_LIMITS = {"scale": 0.3, "focal": 0.3, "cx": 0.2, "cy": 0.2, "k1": 0.5, "k2": 0.5}
# The prior sigma of the bow as a multiple of that of ordinary boards. Common practice, no source.
_BOW_LIMIT_SIGMAS = 10.0
# A step below a tenth of a standard deviation adds half a percent to the error. Rounds: the largest deviation, 0.3 in
# steps of at most 0.3, needs one to arrive, and Gauss-Newton a few to converge.
_MAX_ROUNDS, _CONVERGED_SIGMAS = 8, 0.1
# Largest step of a parameter in one round: beyond it the linear model is not valid.
_MAX_STEP = 0.3


@dataclass(frozen=True)
class IntrinsicsFit:
    """The pairs under one board scale and one lens."""

    relaxed_problem: Problem
    """The problem with the wide prior of NUISANCE_LIMITS on the six parameters, and the noise of the arm estimated."""
    scale: float
    """Size of the board over the stated one."""
    camera: CameraModel
    """The lens."""
    observations: Observations
    """Observations of the pairs, under this board and lens."""

    @staticmethod
    def as_stated(problem: Problem, observations: Observations) -> IntrinsicsFit:
        """Board and lens as the station states them."""
        return IntrinsicsFit.with_intrinsics(
            problem,
            observations,
            observations.corners,
            observations.pose_fits,
            1.0,
            with_distortion_terms(problem.camera),
        )

    @staticmethod
    def with_intrinsics(
        problem: Problem,
        pairs: Observations,
        stack: CornerObservations,
        poses: PoseFits,
        scale: float,
        camera: CameraModel,
    ) -> IntrinsicsFit:
        """The ``pairs`` with the corners of ``stack`` (points already scaled) under ``camera``."""
        prior = _wide_prior(camera, CornerField.of(problem.board_corners_m))
        if problem.print_error is not None:
            prior = prior.with_print_error(problem.print_error.pose_like)
        relaxed_problem = replace(problem, camera=camera, prior_override=prior, robot_noise=None)
        return IntrinsicsFit(relaxed_problem, scale, camera, pairs.seen_with(relaxed_problem, stack, poses))

    def subset(self, rows: RowSelection) -> IntrinsicsFit:
        """The fit restricted to the views at ``rows``."""
        return replace(self, observations=self.observations.subset(rows))

    def with_drift(self, drift: Drift) -> IntrinsicsFit:
        """The fit with the parameters of ``drift`` estimated as well."""
        return replace(self, observations=self.observations.with_drift(drift))

    def moved(self, change: Array) -> IntrinsicsFit | None:
        """The fit after a change (6,) of the parameters; None if some view then has no board pose."""
        scale, focal = 1 + change[0], 1 + change[1]
        matrix = self.camera.matrix.copy()
        matrix[:2, 2] += change[2:4] * matrix[0, 0]
        matrix[:2, :2] *= focal
        distortion = self.camera.distortion.copy()
        distortion[:2] += change[4:]
        camera = replace(self.camera, matrix=matrix, distortion=distortion)
        old = self.observations.corners
        stack = CornerObservations(old.points_m * scale, old.corners_px, old.weights)
        start = self.observations.pose_fits.camera_T_board.copy()
        # With a longer focal length the same image is taken from farther away.
        start[:, :3, 3] *= scale * focal
        poses, rss = refine_board_poses(camera, stack, start)
        if not np.isfinite(rss).all():
            return None
        refined = replace(self.observations.pose_fits, camera_T_board=poses, rss_px2=rss)
        return IntrinsicsFit.with_intrinsics(
            self.relaxed_problem, self.observations, stack, refined, self.scale * scale, camera
        )

    def with_refitted_board_poses(self) -> IntrinsicsFit:
        """The fit with all board poses estimated from scratch: another lens may make the other tilt branch right."""
        poses = fit_board_poses(self.camera, self.observations.corners)
        if not np.isfinite(poses.rss_px2).all():
            return self
        return IntrinsicsFit.with_intrinsics(
            self.relaxed_problem, self.observations, self.observations.corners, poses, self.scale, self.camera
        )

    def deviation_from(self, stated: IntrinsicsFit) -> Array:
        """(6,): deviation of board and lens from those of ``stated``."""
        own, other = self.camera, stated.camera
        return np.array(
            [
                self.scale / stated.scale - 1,
                own.matrix[0, 0] / other.matrix[0, 0] - 1,
                *(own.matrix[:2, 2] - other.matrix[:2, 2]) / other.matrix[0, 0],
                *(own.distortion[:2] - other.distortion[:2]),
            ]
        )

    def nuisances_at(self, X: Array, Y: Array, noise: RobotNoise, posterior: bool = False) -> NuisanceEstimate:
        """The estimated change of board and lens, linearised at the transforms ``X``, ``Y`` (4, 4).

        ``noise``: start of the noise estimate; ``posterior``: see ``estimate_nuisances``.
        """
        return estimate_nuisances(
            linearize(self.relaxed_problem, self.observations.board_poses, self.observations.A, X, Y),
            self.observations.board_poses,
            self.observations.corner_sigma_px,
            noise,
            (),
            NUISANCE_LIMITS,
            posterior,
        )

    def nuisances_with_motion(
        self, X: Array, Y: Array, noise: RobotNoise, moved_part: MovedPart, profile: Array
    ) -> NuisanceEstimate:
        """The same jointly with a change of camera or board times ``profile`` (n,)."""
        model = linearize(self.relaxed_problem, self.observations.board_poses, self.observations.A, X, Y)
        return estimate_nuisances(
            model,
            self.observations.board_poses,
            self.observations.corner_sigma_px,
            noise,
            motion_nuisances(model, moved_part, profile),
            NUISANCE_LIMITS,
        )

    def deviation_by_images(self) -> tuple[Array, Array, float]:
        """The change (6,) of the lens estimated from the images alone, its covariance (6, 6), and its chi-square.

        The board pose of each view is free, so neither the poses of the arm nor their noise take part. The board scale
        is unobservable and stays 0, with the variance of its limit. The bow of the board is free as well.
        """
        linearized = self.observations.board_poses
        noise = self.observations.corner_sigma_px**2
        information = linearized.nuisance_information.sum(axis=0) / noise
        gradient = linearized.nuisance_gradient.sum(axis=0) / noise
        # Rounding alone would give the scale some information.
        information[0], information[:, 0], gradient[0] = 0.0, 0.0, 0.0
        covariance = np.linalg.inv(information + np.eye(len(gradient)))
        change = (covariance @ gradient)[: len(NUISANCE_LIMITS)]
        covariance = covariance[: len(NUISANCE_LIMITS), : len(NUISANCE_LIMITS)]
        limits = np.array(list(NUISANCE_LIMITS.values()))
        chi2 = float(change @ np.linalg.solve(covariance, change))
        return limits * change, limits[:, None] * limits * covariance, chi2


def _wide_prior(camera: CameraModel, field: CornerField) -> NuisancePrior:
    """The prior whose standardised parameters are those of NUISANCE_LIMITS, in this order, then those of the bow."""
    focal_px = float(camera.matrix[0, 0])
    fx_px, fy_px = (NUISANCE_LIMITS["focal"] * float(camera.matrix[k, k]) for k in (0, 1))
    changes = {
        SCALE: (NUISANCE_LIMITS["scale"], 0),
        "fx": (fx_px, 1),
        "fy": (fy_px, 1),
        "cx": (NUISANCE_LIMITS["cx"] * focal_px, 2),
        "cy": (NUISANCE_LIMITS["cy"] * focal_px, 3),
        "k1": (NUISANCE_LIMITS["k1"], 4),
        "k2": (NUISANCE_LIMITS["k2"], 5),
        **{name: (_BOW_LIMIT_SIGMAS * field.sigma_m, 6 + k) for k, name in enumerate(BOW_PARAMETERS)},
    }
    root = np.zeros((len(changes), len(NUISANCE_LIMITS) + len(BOW_PARAMETERS)))
    for row, (size, column) in enumerate(changes.values()):
        root[row, column] = size
    return NuisancePrior(tuple(changes), root, (PriorSource.DEFAULT,) * len(changes), field)


def with_distortion_terms(camera: CameraModel) -> CameraModel:
    """The same lens with five distortion coefficients, so that k1 and k2 exist."""
    return camera if camera.distortion.size else replace(camera, distortion=np.zeros(5))


def refit(fit: IntrinsicsFit, X: Array, Y: Array, noise: RobotNoise) -> tuple[IntrinsicsFit, NuisanceEstimate]:
    """The fit with board and lens estimated from the pairs, started at ``X``, ``Y``, and the estimate at that fit."""
    for _ in range(_MAX_ROUNDS):
        nuisance_estimate = fit.nuisances_at(X, Y, noise)
        sigma = np.sqrt(np.diagonal(nuisance_estimate.covariance))
        if (np.abs(nuisance_estimate.estimate) < _CONVERGED_SIGMAS * sigma).all():
            break
        step_fraction = min(1.0, _MAX_STEP / float(np.abs(nuisance_estimate.estimate).max()))
        moved = fit.moved(step_fraction * nuisance_estimate.estimate)
        if moved is None:
            break
        z = step_fraction * nuisance_estimate.transforms
        fit, X, Y, noise = moved, X @ se3.exp(z[:6]), Y @ se3.exp(z[6:]), nuisance_estimate.noise
    return fit, fit.nuisances_at(X, Y, nuisance_estimate.noise, posterior=True)


def refit_intrinsics_to_images(fit: IntrinsicsFit) -> IntrinsicsFit:
    """The fit with the lens estimated from the images alone, and with the board poses under that lens."""
    # Twice: other tilt branches under the new lens change its estimate.
    return _fit_to_images(_fit_to_images(fit).with_refitted_board_poses())


def _fit_to_images(fit: IntrinsicsFit) -> IntrinsicsFit:
    for _ in range(_MAX_ROUNDS):
        change, _, chi2 = fit.deviation_by_images()
        if chi2 < 1.0:
            break
        step_fraction = min(1.0, _MAX_STEP / float(np.abs(change).max()))
        moved = fit.moved(step_fraction * change)
        if moved is None or moved.observations.corner_sigma_px > fit.observations.corner_sigma_px * 1.001:
            # The corner residuals grew: the step was too long.
            moved = fit.moved(step_fraction * change / 4)
            if moved is None or moved.observations.corner_sigma_px > fit.observations.corner_sigma_px:
                break
        fit = moved
    return fit
