"""What a solution expects of a further pair, in a handful of numbers: a test that costs no solve."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from eyebolt.calibration.estimation import HeldOutError, JointEstimate, chi2_sf, f_sf, noise_dof, variance_of
from eyebolt.calibration.problem import RobotNoise
from eyebolt.geometry import Array, Mount, se3
from eyebolt.observations import BoardPose


@dataclass(frozen=True)
class PredictiveModel:
    """``X``, ``Y`` (4, 4) metres and their ``covariance`` (12, 12), perturbed on the right, X before Y.

    ``noise`` of the arm; ``corner_sigma_px``; ``dof``: degrees of freedom of the noise, 0 where it was stated;
    ``variance_inflation``: how many times the predicted square the pairs themselves show, 1 where they are as predicted.
    """

    mount: Mount
    X: Array
    Y: Array
    covariance: Array
    noise: RobotNoise
    corner_sigma_px: float
    dof: int
    variance_inflation: float

    def mahalanobis_sq(self, base_T_flange: Array, seen: BoardPose) -> float:
        """Normalised squared offset of the pose seen from the pose predicted for a flange (4, 4); 6 is expected."""
        chain = self.mount.chain(base_T_flange[None])[0]
        predicted = se3.inverse(self.X) @ chain @ self.Y
        offset = se3.log(se3.inverse(predicted) @ seen.camera_T_board)
        # See solve/linear_model, here in the board's coordinates.
        by_X, by_Y = -se3.adjoint(se3.inverse(predicted)), np.eye(6)
        by_arm = se3.adjoint(se3.inverse(self.Y if self.mount is Mount.FIXED else chain @ self.Y))
        design = np.concatenate([by_X, by_Y], axis=1)
        covariance = (
            self.corner_sigma_px**2 * seen.unit_covariance
            + (by_arm * variance_of(self.noise)) @ by_arm.T
            + design @ self.covariance @ design.T
        )
        return float(offset @ np.linalg.solve(covariance, offset))

    def p_value(self, base_T_flange: Array, seen: BoardPose) -> float:
        """How probable so large an offset is for a pair that belongs; 0 where that cannot be computed."""
        try:
            mahalanobis_sq = self.mahalanobis_sq(base_T_flange, seen) / self.variance_inflation
        except np.linalg.LinAlgError:
            return 0.0
        p_value = float(f_sf(6, self.dof, mahalanobis_sq / 6) if self.dof else chi2_sf(6, mahalanobis_sq))
        return p_value if np.isfinite(p_value) else 0.0

    def to_json(self) -> dict[str, Any]:
        """Plain values; ``from_json`` gives the same back."""
        return {
            "mount": self.mount,
            "X": self.X.tolist(),
            "Y": self.Y.tolist(),
            "covariance": self.covariance.tolist(),
            "noise_m": self.noise.translation_m,
            "noise_rad": self.noise.rotation_rad,
            "corner_sigma_px": self.corner_sigma_px,
            "dof": self.dof,
            "variance_inflation": self.variance_inflation,
        }

    @classmethod
    def from_json(cls, record: Mapping[str, Any]) -> PredictiveModel:
        """From ``to_json``."""
        return cls(
            Mount(record["mount"]),
            np.array(record["X"]),
            np.array(record["Y"]),
            np.array(record["covariance"]),
            RobotNoise(record["noise_m"], record["noise_rad"]),
            record["corner_sigma_px"],
            record["dof"],
            record["variance_inflation"],
        )


def predictive_model(mount: Mount, joint: JointEstimate, held_out: HeldOutError | None) -> PredictiveModel:
    """What ``joint`` expects; ``held_out``: how its own pairs lie when they are predicted by the others."""
    stated = joint.noise.stated
    shown = 1.0 if held_out is None or not np.isfinite(held_out.reduced_chi2) else held_out.reduced_chi2
    return PredictiveModel(
        mount=mount,
        X=joint.X,
        Y=joint.Y,
        covariance=joint.covariance,
        noise=joint.noise.best,
        corner_sigma_px=joint.corner_sigma_px,
        dof=0 if stated else noise_dof(len(joint.model.offset)),
        variance_inflation=max(shown, 1.0) if stated else 1.0,
    )
