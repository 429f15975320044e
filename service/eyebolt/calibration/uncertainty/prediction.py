"""Predictive test: the p-value of a further pair under a solution, without solving again."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eyebolt.calibration.estimation import JointEstimate, f_sf, linearize_views, variance_of
from eyebolt.calibration.nuisance_prior import NuisancePrior
from eyebolt.calibration.problem import Problem, RobotNoise
from eyebolt.geometry import Array, CameraModel, Mount, se3
from eyebolt.observations import BoardPose, CornerObservations


@dataclass(frozen=True)
class PredictedBoardAndLens:
    """Board and lens in the prediction: how they change the observed board pose, and their estimate."""

    camera: CameraModel
    """Intrinsics as stated."""
    prior: NuisancePrior
    """What the standardised parameters change."""
    estimate: Array
    """(r,): estimate of the standardised parameters."""

    def pose_jacobian(self, observed: BoardPose) -> Array:
        """(6, r): change of the pose that is fitted to these corners, by the standardised parameters."""
        views, points_m = observed.camera_T_board[None], observed.points_m[None]
        pixels = self.camera.project(se3.apply(views, points_m))
        corners = CornerObservations(points_m, pixels, np.ones(points_m.shape[:2]))
        out: Array = linearize_views(self.camera, self.prior, corners, views).nuisance_jacobian[0]
        return out


@dataclass(frozen=True)
class PredictiveModel:
    """The part of a solution that predicts further pairs."""

    mount: Mount
    """Mount of the camera: states which transforms X and Y are."""
    X: Array
    """(4, 4) m: base_T_camera or flange_T_camera."""
    Y: Array
    """(4, 4) m: flange_T_board or base_T_board."""
    covariance: Array
    """(12 + r, 12 + r) of X and Y, perturbed on the right, m and rad, and of the parameters of board and lens."""
    noise: RobotNoise
    """Noise of the arm."""
    corner_sigma_px: float
    """Standard deviation of a corner coordinate, px."""
    dof: float
    """Degrees of freedom of the noise."""
    board_and_lens: PredictedBoardAndLens | None = None
    """Board and lens as estimated; None: as stated, r = 0."""

    def deviation(self, base_T_flange: Array, observed: BoardPose) -> tuple[Array, Array]:
        """Deviation (6,) of the observed board pose from that predicted for a flange pose (4, 4), and its covariance.

        Perturbed on the right, (translation m, rotation rad), in the frame of the predicted board; (6, 6).
        """
        chain = self.mount.chain(base_T_flange[None])[0]
        predicted = se3.inverse(self.X) @ chain @ self.Y
        offset = se3.log(se3.inverse(predicted) @ observed.camera_T_board)
        # The linear model of estimation.linearization, in board instead of flange coordinates: one pair needs no common
        # frame for the noise.
        by_X, by_Y = -se3.adjoint(se3.inverse(predicted)), np.eye(6)
        by_arm = se3.adjoint(se3.inverse(self.Y if self.mount is Mount.FIXED else chain @ self.Y))
        design = np.concatenate([by_X, by_Y], axis=1)
        if self.board_and_lens is not None:
            by_nuisances = self.board_and_lens.pose_jacobian(observed)
            offset = offset - by_nuisances @ self.board_and_lens.estimate
            design = np.concatenate([design, by_nuisances], axis=1)
        covariance = (
            self.corner_sigma_px**2 * observed.unit_covariance
            + (by_arm * variance_of(self.noise)) @ by_arm.T
            + design @ self.covariance @ design.T
        )
        return offset, covariance

    def predict(self, base_T_flange: Array, board_corners_m: Array) -> Array:
        """camera_T_board (4, 4), metres, that a camera would be found to see at a flange pose (4, 4).

        With board and lens as estimated, in terms of the stated ones. ``board_corners_m`` (n, 3): its corners.
        """
        out: Array = se3.inverse(self.X) @ self.mount.chain(base_T_flange[None])[0] @ self.Y
        if self.board_and_lens is not None:
            by_nuisances = self.board_and_lens.pose_jacobian(BoardPose(out, np.eye(6), board_corners_m))
            out = out @ se3.exp(by_nuisances @ self.board_and_lens.estimate)
        return out

    def mahalanobis_sq(self, base_T_flange: Array, observed: BoardPose) -> float:
        """Squared Mahalanobis distance of the observed board pose from that predicted for a flange pose (4, 4).

        Its expectation is 6. Raises LinAlgError if the covariance is singular.
        """
        offset, covariance = self.deviation(base_T_flange, observed)
        return float(offset @ np.linalg.solve(covariance, offset))

    def p_value(self, base_T_flange: Array, observed: BoardPose) -> float:
        """Probability that an inlier pair deviates at least as far; 0 where it cannot be computed."""
        try:
            mahalanobis_sq = self.mahalanobis_sq(base_T_flange, observed)
        except np.linalg.LinAlgError:
            return 0.0
        p_value = float(f_sf(6, self.dof, mahalanobis_sq / 6))
        return p_value if np.isfinite(p_value) else 0.0


def predictive_model(problem: Problem, joint: JointEstimate) -> PredictiveModel:
    """The predictive model of ``joint``."""
    return PredictiveModel(
        mount=problem.mount,
        X=joint.X,
        Y=joint.Y,
        covariance=joint.covariance,
        noise=joint.noise.best,
        corner_sigma_px=joint.corner_sigma_px * float(np.sqrt(joint.pose_excess)),
        dof=joint.noise.dof(len(joint.model.offset)),
        board_and_lens=PredictedBoardAndLens(problem.camera, problem.nuisance_prior, joint.nuisances),
    )
