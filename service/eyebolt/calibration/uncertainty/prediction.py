"""What a solution expects of a further pair, in a handful of numbers: a test that costs no solve."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from eyebolt.calibration.estimation import HeldOut, JointEstimate, chance_of_ratio, chance_of_squares, variance_of
from eyebolt.calibration.problem import Mount, RobotNoise, chain_of
from eyebolt.geometry import Array, se3
from eyebolt.observations import BoardSeen


@dataclass(frozen=True)
class Expectation:
    """``X``, ``Y`` (4, 4) metres and their ``covariance`` (12, 12), perturbed on the right, X before Y.

    ``noise`` of the arm; ``corner_px``; ``freedom``: degrees of freedom of the noise, 0 where it was stated;
    ``excess``: how many times the predicted square the pairs themselves show, 1 where they are as predicted.
    """

    mount: Mount
    X: Array
    Y: Array
    covariance: Array
    noise: RobotNoise
    corner_px: float
    freedom: int
    excess: float

    def squared(self, base_T_flange: Array, seen: BoardSeen) -> float:
        """Normalised squared offset of the pose seen from the pose predicted for a flange (4, 4); 6 is expected."""
        chain = chain_of(self.mount, base_T_flange[None])[0]
        predicted = se3.inverse(self.X) @ chain @ self.Y
        offset = se3.log(se3.inverse(predicted) @ seen.camera_T_board)
        # See solve/linear_model, here in the board's coordinates.
        by_X, by_Y = -se3.adjoint(se3.inverse(predicted)), np.eye(6)
        by_arm = se3.adjoint(se3.inverse(self.Y if self.mount == "fixed" else chain @ self.Y))
        design = np.concatenate([by_X, by_Y], axis=1)
        covariance = (
            self.corner_px**2 * seen.spread
            + (by_arm * variance_of(self.noise)) @ by_arm.T
            + design @ self.covariance @ design.T
        )
        return float(offset @ np.linalg.solve(covariance, offset))

    def chance(self, base_T_flange: Array, seen: BoardSeen) -> float:
        """How probable so large an offset is for a pair that belongs; 0 where that cannot be computed."""
        try:
            squared = self.squared(base_T_flange, seen) / self.excess
        except np.linalg.LinAlgError:
            return 0.0
        chance = float(chance_of_ratio(6, self.freedom, squared / 6) if self.freedom else chance_of_squares(6, squared))
        return chance if np.isfinite(chance) else 0.0

    def to_json(self) -> dict[str, Any]:
        """Plain values; ``from_json`` gives the same back."""
        return {
            "mount": self.mount,
            "X": self.X.tolist(),
            "Y": self.Y.tolist(),
            "covariance": self.covariance.tolist(),
            "noise_m": self.noise.translation_m,
            "noise_rad": self.noise.rotation_rad,
            "corner_px": self.corner_px,
            "freedom": self.freedom,
            "excess": self.excess,
        }

    @classmethod
    def from_json(cls, record: Mapping[str, Any]) -> Expectation:
        """From ``to_json``."""
        return cls(
            record["mount"],
            np.array(record["X"]),
            np.array(record["Y"]),
            np.array(record["covariance"]),
            RobotNoise(record["noise_m"], record["noise_rad"]),
            record["corner_px"],
            record["freedom"],
            record["excess"],
        )


def expectation_of(mount: Mount, joint: JointEstimate, held_out: HeldOut | None) -> Expectation:
    """What ``joint`` expects; ``held_out``: how its own pairs lie when they are predicted by the others."""
    stated = joint.noise.stated
    shown = 1.0 if held_out is None or not np.isfinite(held_out.normalised) else held_out.normalised
    return Expectation(
        mount=mount,
        X=joint.X,
        Y=joint.Y,
        covariance=joint.covariance,
        noise=joint.noise.best,
        corner_px=joint.corner_px,
        # As in solve/outliers: three lengths and three angles a pair, less the six that the transforms took of either.
        freedom=0 if stated else max(3 * len(joint.model.offset) - 6, 1),
        excess=max(shown, 1.0) if stated else 1.0,
    )
