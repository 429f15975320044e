"""The direction of the transform that is known worst, from its covariance."""

from __future__ import annotations

import numpy as np

from eyebolt.geometry.rigid import Array
from eyebolt.solve.problem import Problem
from eyebolt.solve.unknown import UnknownDirection, direction_in_words


def weakest_direction(problem: Problem, X: Array, covariance: Array) -> UnknownDirection:
    """The direction with the largest standard deviation at the middle of the working distance.

    ``covariance`` (6, 6) of ``X``, perturbed on the right, (translation, rotation).
    """
    lever = (problem.volume.near_m + problem.volume.far_m) / 2
    units = np.array([1.0, 1.0, 1.0, lever, lever, lever])
    values, vectors = np.linalg.eigh(covariance * units[:, None] * units)
    vector = vectors[:, -1]
    sigma_m = float(np.sqrt(max(float(values[-1]), 0.0)))
    return UnknownDirection(direction_in_words(problem, X, vector), vector / units, sigma_m)
