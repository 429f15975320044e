"""Robot noise: true pose = reported pose * exp(xi), with xi Gaussian in the flange frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eyebolt_sim.transforms import Array, exp_se3, inverse


@dataclass(frozen=True)
class PoseNoise:
    """Standard deviations of an independent pose error per axis of the flange frame."""

    sigma_mm: float = 0.0
    """translation, mm"""
    sigma_deg: float = 0.0
    """rotation, deg"""

    def draw(self, rng: np.random.Generator) -> Array:
        """One error exp(xi), (4, 4); xi = (translation, rotation) with independent components."""
        return exp_se3(rng.normal(size=3) * self.sigma_mm * 1e-3, rng.normal(size=3) * np.deg2rad(self.sigma_deg))

    def reported(self, base_T_flange_true: Array, rng: np.random.Generator) -> Array:
        """The pose (4, 4) reported at a true pose (4, 4): true * exp(xi)^-1."""
        return base_T_flange_true @ inverse(self.draw(rng))
