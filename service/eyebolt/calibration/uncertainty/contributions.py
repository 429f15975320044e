"""Where the error of X comes from: arm, corners, lens, board and touch, in millimetres that add up in squares.

The estimate solves ``N (z, u) = D^T W offsets + gradient of the images``, N with the identity of the prior. Its error
is linear in four independent sources: the noise of the poses and that of the corners, which enter the offsets (the
corners also the images' own part), and the deviations of lens and board from what is stated, which enter as their
prior. Each yields a covariance of X, and these add up to inverse(N). What the posterior adds because the noise of the
arm is uncertain, or larger than stated, or correlated over its poses, or because camera or board may have crept, is
counted to the arm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eyebolt.calibration.estimation import JointEstimate, arm_covariance, variance_of
from eyebolt.calibration.nuisance_prior import ParameterGroup
from eyebolt.calibration.problem import Problem
from eyebolt.geometry import Array


@dataclass(frozen=True)
class ErrorContributions:
    """RMS error over the working volume by source, mm; the squares add up to that of the expected error."""

    arm: float
    """Noise of the poses and its uncertainty, a pose-correlated error of the arm, a drift of camera or board."""
    corners: float
    """Noise of the corners."""
    lens: float
    """What stays uncertain of the intrinsics."""
    board: float
    """What stays uncertain of the size and the bow of the board."""
    touch: float
    """Touches of a height from touch; 0 otherwise."""

    @property
    def total(self) -> float:
        """RMS of the expected error over posterior and working volume, mm."""
        return float(np.sqrt(sum(part**2 for part in (self.arm, self.corners, self.lens, self.board, self.touch))))

    @property
    def description(self) -> str:
        """The contributions in one line, for an operator."""
        parts = {"arm": self.arm, "corners": self.corners, "lens": self.lens, "board": self.board, "touch": self.touch}
        named = ", ".join(f"{name} {part:.3f}" for name, part in parts.items() if part > 0 or name != "touch")
        return f"{named} mm, together {self.total:.3f} mm (RMS)"


def error_contributions(
    problem: Problem, joint: JointEstimate, error_transfer: Array, touched: Array, posterior: Array
) -> ErrorContributions:
    """The contributions to the error of X with covariance ``posterior`` (6, 6).

    ``joint``: the estimate before touches; ``error_transfer`` (6, 12 + r): from its error, but for that of a drift, to
    that of X with covariance ``touched`` (6, 6) under white noise of the arm. A drift counts with the arm, and what a
    pose-correlated error adds.
    """
    fits, model = joint.fits, joint.model
    drift_columns = 0 if joint.drift is None else 6
    error_transfer = np.pad(error_transfer, ((0, 0), (0, drift_columns)))
    p = model.observable_basis.shape[1]
    gain = error_transfer @ model.state_basis @ fits.covariance[0]
    weighted = fits.weighted_design[0]
    of_arm = arm_covariance(variance_of(joint.noise.best)[None], joint.model.arm_shape)[0]
    k = weighted.shape[-1]
    by_poses = weighted.reshape(-1, k).T @ (of_arm @ weighted).reshape(-1, k)
    whole = error_transfer @ joint.covariance @ error_transfer.T
    at_best_noise = gain @ fits.normal[0] @ gain.T
    columns = {group: p + np.flatnonzero(problem.nuisance_prior.columns_of(group)) for group in ParameterGroup}
    lens, size, bow = (
        gain[:, columns[group]] @ gain[:, columns[group]].T
        for group in (ParameterGroup.LENS, ParameterGroup.BOARD, ParameterGroup.BOW)
    )
    board = size + bow
    drift = gain[:, gain.shape[1] - drift_columns :]
    corners = at_best_noise - gain @ by_poses @ gain.T - drift @ drift.T - lens - board
    arm = whole - corners - lens - board + posterior - touched
    parts = (arm, corners, lens, board, touched - whole)
    # Rounding may leave a source without effect slightly negative.
    squares = [max(float((problem.displacement_metric * part).sum()), 0.0) for part in parts]
    negligible = 1e-12 * sum(squares)
    return ErrorContributions(*(float(np.sqrt(s)) * 1e3 if s > negligible else 0.0 for s in squares))
