"""What a solve gives: a solution with its error, or a refusal with its reason. Values, never exceptions."""

from __future__ import annotations

from dataclasses import dataclass, field

from eyebolt.calibration.estimation import HeldOut
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.problem import Mount
from eyebolt.calibration.uncertainty import ErrorMap, ErrorStatement, Expectation, Height, TouchCheck
from eyebolt.geometry import Array


@dataclass(frozen=True)
class Estimate:
    """A relative quantity (0 = as stated) and its standard deviation."""

    estimate: float
    sigma: float


@dataclass(frozen=True)
class LeftOutPair:
    """``pair``: 0-based capture index; ``reason`` in words."""

    pair: int
    reason: str


@dataclass(frozen=True)
class Solution:
    """The answer. ``X`` is ``transform_name``, ``Y`` is ``board_name``, (4, 4) metres.

    ``covariance`` (6, 6) of X, perturbed on the right, (translation, rotation), m and rad. ``proof_p95_mm``: the p95
    when board scale and focal length are not trusted but estimated from the pairs. ``unknown``: directions left open.
    ``touches``: None without any; ``height``: None for arms that turn freely. ``lens``: how far the pairs see each lens
    parameter of stated sigma off its value, in its own unit, the statement and the pairs taken together.
    ``expectation``: of further pairs.
    """

    mount: Mount
    transform_name: str
    board_name: str
    X: Array
    Y: Array
    covariance: Array
    expected_error_mm: ErrorStatement
    error_map: ErrorMap
    expected_pick_mm: ErrorStatement
    held_out: HeldOut | None
    checks: HeldOut | None
    corner_rms_px: float
    robot_noise_mm: float
    robot_noise_deg: float
    robot_noise_stated: bool
    scale: Estimate
    focal: Estimate
    proof_p95_mm: float
    kept: int
    left_out: tuple[LeftOutPair, ...]
    findings: tuple[Finding, ...]
    unknown: tuple[str, ...] = ()
    touches: TouchCheck | None = None
    height: Height | None = None
    lens: dict[str, Estimate] = field(default_factory=dict)
    expectation: Expectation | None = None


@dataclass(frozen=True)
class Refusal:
    """No answer, and why. ``code``: "too-few-pairs", "turns-too-little" or "not-converged"; ``unknown`` in words."""

    code: str
    says: str
    remedy: str
    kept: int
    unknown: tuple[str, ...] = ()
    left_out: tuple[LeftOutPair, ...] = ()
    findings: tuple[Finding, ...] = ()
