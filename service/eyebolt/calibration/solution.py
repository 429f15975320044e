"""The outcome of a solve: a solution with its error, or a refusal with its reason. Values, never exceptions."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from eyebolt.calibration.estimation import HeldOutError
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.nuisance_prior import PriorSource
from eyebolt.calibration.uncertainty import (
    ErrorContributions,
    ErrorMap,
    ErrorSummary,
    Height,
    PredictiveModel,
    TouchCheck,
)
from eyebolt.geometry import Array, Mount
from eyebolt.protocol import ToleranceOf


@dataclass(frozen=True)
class ParameterDeviation:
    """Deviation of a parameter of board or lens from its stated value, prior and pairs combined."""

    deviation: float
    """Relative for board scale and focal length, in its own unit for a lens parameter."""
    sigma: float
    """Standard deviation of ``deviation``, in the same unit."""
    prior_sigma: float
    """The same before the pairs, that of its prior."""
    prior_source: PriorSource
    """Where ``prior_sigma`` comes from."""


@dataclass(frozen=True)
class BoardBow:
    """The bow of the board, a second-order surface over the rectangle about its corners, mean height 0.

    Signs are those of the board's z axis; all in millimetres. Prior, images and pairs combined.
    """

    x: ParameterDeviation
    """How far the ends of the middle line along x stand above the middle."""
    xy: ParameterDeviation
    """How far a twist lifts the ends of one diagonal, and lowers those of the other."""
    y: ParameterDeviation
    """How far the ends of the middle line along y stand above the middle."""
    flatness_mm: float
    """Distance between the two planes parallel to the board that hold all corners."""
    flatness_sigma_mm: float
    """Standard deviation of ``flatness_mm``."""
    effect_mm: float
    """How far the bow moves the result with the same weights of the pairs, RMS over the working volume."""
    p_value: float
    """Probability that a flat board shows a bow as clear."""


@dataclass(frozen=True)
class ExcludedPair:
    """A pair that the estimate does not use."""

    pair: int
    """0-based capture index."""
    reason: str
    """Why the pair is excluded, for an operator."""


@dataclass(frozen=True)
class Solution:
    """The result: X with its error, and what it rests on."""

    mount: Mount
    """States which transforms X and Y are."""
    X: Array
    """(4, 4), metres: the wanted transform."""
    Y: Array
    """(4, 4), metres: transform of the board."""
    covariance: Array
    """(6, 6): covariance of X, perturbed on the right, (translation, rotation), m and rad."""
    expected_error_mm: ErrorSummary
    """Error of a camera point transformed by X, over the working volume."""
    error_map: ErrorMap
    """p95 of that error at every point of the working volume."""
    error_contributions_mm: ErrorContributions
    """Where that error comes from, RMS over the working volume."""
    expected_pick_error_mm: ErrorSummary
    """Error of a pick as the problem states it, through the same arm, its noise and systematic error included."""
    remaining_pick_error_mm: float
    """p95 of the error of a pick that remains however many further pairs are taken, mm."""
    held_out: HeldOutError | None
    """Leave-one-out error of the pairs used."""
    checks: HeldOutError | None
    """Error of the check pairs; None without check pairs."""
    corner_rms_px: float
    """RMS of the corner residuals at the estimate, pixels per coordinate."""
    robot_noise_mm: float
    """Noise of the arm per axis, translation, mm."""
    robot_noise_deg: float
    """Noise of the arm per axis, rotation, deg."""
    robot_noise_prior_dof: float
    """Degrees of freedom of the stated noise, the prior of the estimate; 0 where none is stated."""
    board_scale: ParameterDeviation
    """Board scale, estimated beside X; its uncertainty is part of the expected error."""
    focal_length: ParameterDeviation
    """Focal length, the mean of fx and fy, estimated beside X in the same way."""
    board_bow: BoardBow
    """Bow of the board, estimated beside X; its uncertainty is part of the expected error."""
    pairs_used: int
    """Number of pairs that the estimate uses."""
    excluded: tuple[ExcludedPair, ...]
    """The excluded pairs, by capture index."""
    findings: tuple[Finding, ...]
    """Faults and limitations, the most important first."""
    unobservable: tuple[str, ...] = ()
    """Unobservable directions, for an operator: the height of an arm with a vertical axis only."""
    touches: TouchCheck | None = None
    """Comparison with touched corners; None without touches."""
    height: Height | None = None
    """Height of the camera; None for arms with free rotation."""
    lens: dict[str, ParameterDeviation] = field(default_factory=dict)
    """Every lens parameter that is estimated beside X, by name."""
    prediction: PredictiveModel | None = None
    """Prediction of further pairs."""

    @property
    def robot_noise_stated(self) -> bool:
        """Whether a noise is stated."""
        return self.robot_noise_prior_dof > 0

    def error_compared_mm(self, tolerance_of: ToleranceOf) -> ErrorSummary:
        """The error that the tolerance is for; its ``p95_upper`` is what is compared with the tolerance."""
        return self.expected_pick_error_mm if tolerance_of is ToleranceOf.PICK else self.expected_error_mm


class RefusalCode(StrEnum):
    """Why there is no result."""

    TOO_FEW_PAIRS = "too-few-pairs"
    """Fewer usable pairs than a solve needs."""
    INSUFFICIENT_ROTATION = "insufficient-rotation"
    """Directions of X are unobservable: the waypoints do not rotate enough."""
    NOT_CONVERGED = "not-converged"
    """No transforms fit the pairs."""


@dataclass(frozen=True)
class Refusal:
    """No result, and why."""

    code: RefusalCode
    """Reason of the refusal."""
    message: str
    """Reason in one sentence, for an operator; no full stop."""
    remedy: str
    """What to do about it."""
    pairs_used: int
    """Number of pairs that remained when the solve was refused."""
    unobservable: tuple[str, ...] = ()
    """Unobservable directions, for an operator."""
    excluded: tuple[ExcludedPair, ...] = ()
    """Pairs that were excluded before."""
    findings: tuple[Finding, ...] = ()
    """Faults, the most important first."""
