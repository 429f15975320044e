"""Board scale and lens at what the pairs say: moved there, linearised anew, and again until they stay."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from eyebolt.calibration.estimation import (
    BOARD_SCALE,
    FIRST_LENS_PARAMETER,
    FOCAL_LENGTH,
    LinearModel,
    MovedPart,
    NuisanceEstimate,
    NuisanceParameter,
    Observations,
    change_point_nuisances,
    estimate_nuisances,
    linearize,
)
from eyebolt.calibration.problem import Problem, RobotNoise
from eyebolt.geometry import Array, CameraModel, RowSelection, se3
from eyebolt.observations import CornerObservations, PoseFits, fit_board_poses, refine_board_poses

# The shifts of the principal point are shares of the focal length, what bends the picture are plain numbers, the rest
# shares of the stated size; with how far off each may be.
NUISANCE_LIMITS = {"scale": 0.3, "focal": 0.3, "cx": 0.2, "cy": 0.2, "k1": 0.5, "k2": 0.5}
# Steps for the derivatives: pixels, and plain numbers.
_NUISANCE_SIGMAS = {"cx": 10.0, "cy": 10.0, "k1": 0.1, "k2": 0.1}
_MAX_ROUNDS, _CONVERGED_SIGMAS = 8, 0.1
_MAX_STEP = 0.3


@dataclass(frozen=True)
class IntrinsicsFit:
    """The pairs seen with one board scale and one lens.

    ``scale``: board size over the stated one; ``camera``; ``observations`` under both, the lens doubts among their nuisances;
    ``relaxed_problem``: the problem with these doubts, the arm's noise to be judged.
    """

    relaxed_problem: Problem
    scale: float
    camera: CameraModel
    observations: Observations

    @staticmethod
    def as_stated(problem: Problem, observations: Observations) -> IntrinsicsFit:
        """Everything as the station states it."""
        return IntrinsicsFit.with_intrinsics(
            problem,
            observations.A,
            observations.corners,
            observations.pose_fits,
            1.0,
            with_distortion_terms(problem.camera),
        )

    @staticmethod
    def with_intrinsics(
        problem: Problem, A: Array, stack: CornerObservations, poses: PoseFits, scale: float, camera: CameraModel
    ) -> IntrinsicsFit:
        """The corners of ``stack`` (points already scaled) read by ``camera``."""
        relaxed_problem = replace(problem, camera=replace(camera, sigma=_NUISANCE_SIGMAS), robot_noise=None)
        return IntrinsicsFit(relaxed_problem, scale, camera, Observations.of(relaxed_problem, A, stack, poses))

    def subset(self, rows: RowSelection) -> IntrinsicsFit:
        """The same for the views at ``rows``."""
        return replace(self, observations=self.observations.subset(rows))

    def moved(self, change: Array) -> IntrinsicsFit | None:
        """After a change (6,) of the doubts; None where that leaves some view without a board pose."""
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
        # A longer lens sees the same picture from farther away.
        start[:, :3, 3] *= scale * focal
        poses, rss = refine_board_poses(camera, stack, start)
        if not np.isfinite(rss).all():
            return None
        refined = replace(self.observations.pose_fits, camera_T_board=poses, rss_px2=rss)
        return IntrinsicsFit.with_intrinsics(
            self.relaxed_problem, self.observations.A, stack, refined, self.scale * scale, camera
        )

    def with_refitted_board_poses(self) -> IntrinsicsFit:
        """The board poses sought from nothing: through another lens the other tilt of a view may be the right one."""
        poses = fit_board_poses(self.camera, self.observations.corners)
        if not np.isfinite(poses.rss_px2).all():
            return self
        return IntrinsicsFit.with_intrinsics(
            self.relaxed_problem, self.observations.A, self.observations.corners, poses, self.scale, self.camera
        )

    def deviation_from(self, stated: IntrinsicsFit) -> Array:
        """(6,): how far board and lens are from ``stated``, in the order of DOUBTS."""
        here, there = self.camera, stated.camera
        return np.array(
            [
                self.scale / stated.scale - 1,
                here.matrix[0, 0] / there.matrix[0, 0] - 1,
                *(here.matrix[:2, 2] - there.matrix[:2, 2]) / there.matrix[0, 0],
                *(here.distortion[:2] - there.distortion[:2]),
            ]
        )

    def nuisances_at(self, X: Array, Y: Array, noise: RobotNoise, posterior: bool = False) -> NuisanceEstimate:
        """How far board and lens are off, linearised at the transforms ``X``, ``Y``; ``noise`` to begin with.

        ``posterior``: see ``estimate_nuisances``.
        """
        model = linearize(self.relaxed_problem, self.observations.board_poses, self.observations.A, X, Y)
        return estimate_nuisances(
            model,
            self.observations.board_poses,
            self.observations.corner_sigma_px,
            noise,
            self._nuisance_parameters(model),
            posterior,
        )

    def nuisances_with_change_point(
        self, X: Array, Y: Array, noise: RobotNoise, moved_part: MovedPart, before: int
    ) -> NuisanceEstimate:
        """The same doubts together with those of a camera or board that moved before row ``before``."""
        model = linearize(self.relaxed_problem, self.observations.board_poses, self.observations.A, X, Y)
        nuisances = self._nuisance_parameters(model) + change_point_nuisances(model, moved_part, before)
        return estimate_nuisances(
            model, self.observations.board_poses, self.observations.corner_sigma_px, noise, nuisances
        )

    def _nuisance_parameters(self, model: LinearModel) -> list[NuisanceParameter]:
        focal_px = float(self.camera.matrix[0, 0])
        per_unit = (1.0, 1.0, focal_px, focal_px, 1.0, 1.0)
        places = (BOARD_SCALE, FOCAL_LENGTH, *range(FIRST_LENS_PARAMETER, FIRST_LENS_PARAMETER + len(_NUISANCE_SIGMAS)))
        return [
            NuisanceParameter.of_view_nuisance(name, sigma, model, place, unit)
            for (name, sigma), place, unit in zip(NUISANCE_LIMITS.items(), places, per_unit, strict=True)
        ]

    def deviation_by_images(self) -> tuple[Array, float]:
        """The lens change (6,) that the pictures by themselves ask for, and its normalised square. No arm, no scale."""
        linearized = self.observations.board_poses
        lens = [FOCAL_LENGTH, *range(FIRST_LENS_PARAMETER, FIRST_LENS_PARAMETER + len(_NUISANCE_SIGMAS))]
        focal_px = float(self.camera.matrix[0, 0])
        unit = np.array([1.0, focal_px, focal_px, 1.0, 1.0])
        noise = self.observations.corner_sigma_px**2
        information = linearized.nuisance_information.sum(axis=0)[np.ix_(lens, lens)] * np.outer(unit, unit) / noise
        gradient = linearized.nuisance_gradient.sum(axis=0)[lens] * unit / noise
        widest = np.array([NUISANCE_LIMITS[name] for name in ("focal", "cx", "cy", "k1", "k2")])
        change = np.linalg.solve(information + np.diag(1 / widest**2), gradient)
        return np.concatenate([[0.0], change]), float(change @ gradient)


def with_distortion_terms(camera: CameraModel) -> CameraModel:
    """The same lens with room for k1 and k2."""
    return camera if camera.distortion.size else replace(camera, distortion=np.zeros(5))


def refit(fit: IntrinsicsFit, X: Array, Y: Array, noise: RobotNoise) -> tuple[IntrinsicsFit, NuisanceEstimate]:
    """Board and lens at what the pairs say, from near ``X``, ``Y``; and what is left to change there."""
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
    """The lens that the pictures by themselves ask for, and the board poses seen through it."""
    return _fit_to_images(_fit_to_images(fit).with_refitted_board_poses())


def _fit_to_images(fit: IntrinsicsFit) -> IntrinsicsFit:
    for _ in range(_MAX_ROUNDS):
        change, chi2 = fit.deviation_by_images()
        if chi2 < 1.0:
            break
        step_fraction = min(1.0, _MAX_STEP / float(np.abs(change).max()))
        moved = fit.moved(step_fraction * change)
        if moved is None or moved.observations.corner_sigma_px > fit.observations.corner_sigma_px * 1.001:
            moved = fit.moved(step_fraction * change / 4)
            if moved is None or moved.observations.corner_sigma_px > fit.observations.corner_sigma_px:
                break
        fit = moved
    return fit
