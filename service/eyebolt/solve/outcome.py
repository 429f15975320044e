"""What a solve gives: a solution with its error, or a refusal with its reason. Values, never exceptions."""

from __future__ import annotations

from dataclasses import dataclass, field

from eyebolt.geometry.rigid import Array
from eyebolt.solve.expectation import Expectation
from eyebolt.solve.expected_error import ErrorMap, ErrorStatement
from eyebolt.solve.leave_one_out import HeldOut
from eyebolt.solve.problem import Mount


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
class Finding:
    """Something an engineer should know. ``severity``: "note", "warn" or "stop"."""

    code: str
    severity: str
    says: str
    evidence: dict[str, float] = field(default_factory=dict)
    remedy: str = ""


@dataclass(frozen=True)
class TouchCheck:
    """Touched corners against the answer: ``rms_mm``, ``worst_mm`` of the distances, ``worst_corner`` its number.

    ``normalised``: squared error over what was predicted, per degree of ``freedom``; 1 is as predicted.
    ``spread_out``: three or more, not on a line. ``proof_p95_mm``: the p95 when board scale and focal length are not
    trusted, but known from the pairs and these touches together.
    """

    count: int
    rms_mm: float
    worst_mm: float
    normalised: float
    freedom: int
    worst_corner: int
    spread_out: bool
    proof_p95_mm: float


@dataclass(frozen=True)
class Height:
    """What closed the missing number of a vertical arm: "height_mm", "touch" or None.

    ``mm``: the height of X's origin along the vertical of its frame, ``sigma_mm`` its standard deviation.
    """

    closed_by: str | None = None
    mm: float | None = None
    sigma_mm: float | None = None


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
