"""What a solve gives: a solution with its error, or a refusal with its reason. Values, never exceptions."""

from __future__ import annotations

from dataclasses import dataclass, field

from eyebolt.calibration.estimation import HeldOutError
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.uncertainty import ErrorMap, ErrorSummary, Height, PredictiveModel, TouchCheck
from eyebolt.geometry import Array, Mount


@dataclass(frozen=True)
class ParameterDeviation:
    """A relative quantity (0 = as stated) and its standard deviation."""

    deviation: float
    sigma: float


@dataclass(frozen=True)
class ExcludedPair:
    """``pair``: 0-based capture index; ``reason`` in words."""

    pair: int
    reason: str


@dataclass(frozen=True)
class Solution:
    """The answer. ``X`` is ``transform_name``, ``Y`` is ``board_transform_name``, (4, 4) metres.

    ``covariance`` (6, 6) of X, perturbed on the right, (translation, rotation), m and rad. ``p95_with_nuisances_mm``: the p95
    when board scale and focal length are not trusted but estimated from the pairs. ``unobservable``: directions left open.
    ``touches``: None without any; ``height``: None for arms that turn freely. ``lens``: how far the pairs see each lens
    parameter of stated sigma off its value, in its own unit, the statement and the pairs taken together.
    ``prediction``: of further pairs.
    """

    mount: Mount
    transform_name: str
    board_transform_name: str
    X: Array
    Y: Array
    covariance: Array
    expected_error_mm: ErrorSummary
    error_map: ErrorMap
    expected_pick_error_mm: ErrorSummary
    held_out: HeldOutError | None
    checks: HeldOutError | None
    corner_rms_px: float
    robot_noise_mm: float
    robot_noise_deg: float
    robot_noise_stated: bool
    board_scale: ParameterDeviation
    focal_length: ParameterDeviation
    p95_with_nuisances_mm: float
    pairs_used: int
    excluded: tuple[ExcludedPair, ...]
    findings: tuple[Finding, ...]
    unobservable: tuple[str, ...] = ()
    touches: TouchCheck | None = None
    height: Height | None = None
    lens: dict[str, ParameterDeviation] = field(default_factory=dict)
    prediction: PredictiveModel | None = None


@dataclass(frozen=True)
class Refusal:
    """No answer, and why. ``code``: "too-few-pairs", "turns-too-little" or "not-converged"; ``unobservable`` in words."""

    code: str
    message: str
    remedy: str
    pairs_used: int
    unobservable: tuple[str, ...] = ()
    excluded: tuple[ExcludedPair, ...] = ()
    findings: tuple[Finding, ...] = ()
