"""What an arm gets wrong: true pose = reported pose * exp(xi), xi Gaussian in the flange frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eyebolt_sim.transforms import Array, exp_se3, inverse


@dataclass(frozen=True)
class PoseNoise:
    """Standard deviations of a pose error, per axis of the flange: millimetres and degrees."""

    sigma_mm: float = 0.0
    sigma_deg: float = 0.0

    def draw(self, rng: np.random.Generator) -> Array:
        """One error, (4, 4): exp of (translation, rotation), every component independent."""
        return exp_se3(rng.normal(size=3) * self.sigma_mm * 1e-3, rng.normal(size=3) * np.deg2rad(self.sigma_deg))

    def reported(self, base_T_flange_true: Array, rng: np.random.Generator) -> Array:
        """What an arm standing at the true pose (4, 4) says: reported = true * exp(xi)^-1."""
        return base_T_flange_true @ inverse(self.draw(rng))
