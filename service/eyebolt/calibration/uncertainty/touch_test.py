"""Touched corners of a placed board: a test of the result, and the height of a vertical arm.

Touches of an arm that rotates freely only test the result. On an arm with a vertical axis only, X may slide along the
vertical by a height h that no pair can observe. The touch residuals r (touched minus predicted corners) observe it:
``r = g h + errors``, g the vertical; h follows by weighted least squares.

The touches compensate an error xi of X, and errors of board and lens, at the place where they were made, so the error
of the height is correlated with them. The covariance of the result accounts for that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from eyebolt.calibration.estimation import JointEstimate, slide_along_vertical, vertical_directions
from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.problem import Problem
from eyebolt.calibration.uncertainty.touch_residuals import TouchResiduals, placed_board_poses, touch_residuals
from eyebolt.geometry import Array, FlangeRotation, Mount
from eyebolt.observations import PlacedBoard

# A stated height deviates from touch beyond this: 1 in 370 by chance.
_MAX_DEVIATION_SIGMA = 3.0
# The lever of the arm's tilt at the image depends on the height, everything else is linear: a few steps converge.
_HEIGHT_STEPS = 4


@dataclass(frozen=True)
class TouchCheck:
    """The touched corners compared with the result."""

    count: int
    """Number of touches."""
    rms_mm: float
    """RMS distance between touched and predicted corner, mm."""
    worst_mm: float
    """Largest distance, mm."""
    reduced_chi2: float
    """Chi-square of the residuals under their predicted covariance, per degree of freedom; 1 is as predicted."""
    dof: int
    """Degrees of freedom: three per touch, less one if the touches determined the height."""
    worst_corner: int
    """Number of the corner with the largest distance."""


class HeightSource(StrEnum):
    """What determined the height of a vertical arm; the value is that of ``result.json``."""

    BOARD_HEIGHT = "board_height_mm"
    """The height of the board that the station file states."""
    TOUCH = "touch"
    """Touched corners."""


@dataclass(frozen=True)
class Height:
    """The height of the origin of X along the vertical of its parent frame, for an arm with a vertical axis only."""

    determined_by: HeightSource | None = None
    """What determined the height; None while it is unobservable."""
    mm: float | None = None
    """Height, mm; None while it is unobservable."""
    sigma_mm: float | None = None
    """Standard deviation of the height, mm."""


@dataclass(frozen=True)
class HeightUpdate:
    """How a height from touch changes an error xi of X: to ``error_transfer @ xi`` plus an independent error."""

    error_transfer: Array
    """(6, 6): maps the error xi of X before to that after the height was set."""
    added_covariance: Array
    """(6, 6) m and rad: covariance of the independent error of the height."""


@dataclass(frozen=True)
class TouchedSolution:
    """The result after the touches; equal to that before where there are none."""

    joint: JointEstimate
    """The joint estimate, with the error of a height from touch included."""
    X: Array
    """(4, 4), metres: X at the determined height."""
    Y: Array
    """(4, 4), metres: Y at the determined height."""
    check: TouchCheck | None
    """Comparison with the touches; None without touches."""
    vertical_X: Array | None
    """(3,): the vertical in the parent frame of X; None for an arm that rotates freely."""
    height_source: HeightSource | None
    """What determined the height; None while it is unobservable."""
    height_update: HeightUpdate | None
    """Effect of the touches on the height; None unless they determined it."""
    error_transfer: Array
    """(6, 12 + r): from the error of the estimate before (X, Y, board, lens) to that of X, without the touches' own."""
    findings: tuple[Finding, ...]
    """Findings on the touches."""

    @property
    def height_is_missing(self) -> bool:
        """Whether this is a vertical arm whose height nothing determined."""
        return self.vertical_X is not None and self.height_source is None

    def height(self, covariance: Array) -> Height | None:
        """The height, X having that ``covariance`` (6, 6); None for an arm that rotates freely."""
        if self.vertical_X is None:
            return None
        if self.height_source is None:
            return Height()
        up = _vertical_twist(self.X, self.vertical_X)
        sigma_m = float(np.sqrt(np.maximum(up @ covariance @ up, 0.0)))
        return Height(self.height_source, float(self.vertical_X @ self.X[:3, 3]) * 1e3, sigma_m * 1e3)


@dataclass(frozen=True)
class _HeightFit:
    """The height fitted to the touch residuals."""

    offset_m: float
    """How much higher the touches put X, metres."""
    sigma_m: float
    """Standard deviation of ``offset_m``, metres."""
    weights: Array
    """(3m,): derivative of ``offset_m`` by the residuals."""


def apply_touches(
    problem: Problem, joint: JointEstimate, X: Array, Y: Array, A: Array, placed: Sequence[PlacedBoard]
) -> TouchedSolution:
    """Tests X with the touches of ``placed``; sets the height of a vertical arm by them if it is not stated.

    ``X``, ``Y`` (4, 4): the estimate ``joint``, at the stated or assumed height; ``A`` (n, 4, 4): chain of the pairs.
    """
    vertical_X, vertical_Y = vertical_directions(problem, A)
    vertical = problem.flange_rotation is FlangeRotation.VERTICAL
    source = HeightSource.BOARD_HEIGHT if vertical and problem.height_m is not None else None
    along = vertical_X if vertical else None
    tip, board_poses = problem.tip, placed_board_poses(problem, placed)
    if tip is None or not board_poses:
        return TouchedSolution(joint, X, Y, None, along, source, None, _unchanged(joint), ())
    sets_height = vertical and source is None
    found = touch_residuals(problem, joint, X, vertical_X, tip, board_poses)
    for _ in range(_HEIGHT_STEPS if sets_height else 0):
        # The height may be off by a metre before the first step; later steps change the weights only.
        X, Y = slide_along_vertical(X, Y, _fit_height(found).offset_m, vertical_X, vertical_Y)
        found = touch_residuals(problem, joint, X, vertical_X, tip, board_poses)
    fitted = _fit_height(found)
    findings: tuple[Finding, ...] = ()
    height_update, error_transfer = None, _unchanged(joint)
    if sets_height:
        height_update = _height_update(joint, X, vertical_X, found, fitted.weights)
        lift = np.outer(_vertical_twist(X, vertical_X), _state_weights(joint, found, fitted.weights))
        error_transfer = error_transfer - lift
        joint = _with_height(joint, X, Y, vertical_X, vertical_Y, found, fitted.weights)
        source = HeightSource.TOUCH
    elif vertical and abs(fitted.offset_m) > _MAX_DEVIATION_SIGMA * fitted.sigma_m:
        findings = (_height_mismatch_finding(problem, fitted),)
    check = _check(found, int(sets_height))
    return TouchedSolution(joint, X, Y, check, along, source, height_update, error_transfer, findings)


def _unchanged(joint: JointEstimate) -> Array:
    """(6, 12 + r): the error of X as it is."""
    return np.eye(6, joint.covariances.shape[-1])


def _fit_height(found: TouchResiduals) -> _HeightFit:
    """The height by generalised least squares over all touches."""
    weighted = np.linalg.solve(found.covariance, found.height_jacobian)
    information = float(found.height_jacobian @ weighted)
    weights = weighted / information
    return _HeightFit(float(weights @ found.residual_m), float(1 / np.sqrt(information)), weights)


def _vertical_twist(X: Array, vertical_X: Array) -> Array:
    """(6,): perturbation of X, on the right, that lifts it along its vertical by one metre."""
    return np.concatenate([X[:3, :3].T @ vertical_X, np.zeros(3)])


def _state_weights(joint: JointEstimate, found: TouchResiduals, weights: Array) -> Array:
    """(12 + r,): derivative of the predicted height by X, Y (none) and the nuisance parameters."""
    by_Y = np.zeros(joint.covariances.shape[-1] - 6 - found.nuisance_jacobian.shape[1])
    return np.concatenate([weights @ found.jacobian_X, by_Y, weights @ found.nuisance_jacobian])


def _own_variance(joint: JointEstimate, found: TouchResiduals, weights: Array, by_state: Array) -> float:
    """Variance, m^2, of the height that does not come from the part ``by_state`` (12 + r,) of the estimate."""
    return float(weights @ found.covariance @ weights - by_state @ joint.covariance @ by_state)


def _height_update(
    joint: JointEstimate, X: Array, vertical_X: Array, found: TouchResiduals, weights: Array
) -> HeightUpdate:
    # An error xi of X changes the height by -weights @ jacobian_X @ xi: at the touched points the error cancels. Board
    # and lens, with their correlation with xi, are part of the independent error.
    up, by_X = _vertical_twist(X, vertical_X), weights @ found.jacobian_X
    by_state = np.pad(by_X, (0, joint.covariances.shape[-1] - 6))
    return HeightUpdate(
        np.eye(6) - np.outer(up, by_X), np.outer(up, up) * _own_variance(joint, found, weights, by_state)
    )


def _with_height(
    joint: JointEstimate,
    X: Array,
    Y: Array,
    vertical_X: Array,
    vertical_Y: Array,
    found: TouchResiduals,
    weights: Array,
) -> JointEstimate:
    """The joint estimate with X and Y lifted together: each component of its mixture gets the error of the height."""
    by_state = _state_weights(joint, found, weights)
    up = np.concatenate([_vertical_twist(X, vertical_X), _vertical_twist(Y, vertical_Y)])
    up = np.pad(up, (0, len(by_state) - 12))
    error_transfer = np.eye(len(up)) - np.outer(up, by_state)
    added = np.outer(up, up) * _own_variance(joint, found, weights, by_state)
    return replace(
        joint,
        means=joint.means @ error_transfer.T,
        covariances=error_transfer @ joint.covariances @ error_transfer.T + added,
    )


def _check(found: TouchResiduals, fitted: int) -> TouchCheck:
    """``fitted``: number of parameters that were fitted to the touches."""
    distance_mm = np.linalg.norm(found.residual_m.reshape(-1, 3), axis=1) * 1e3
    chi2 = float(found.residual_m @ np.linalg.solve(found.covariance, found.residual_m))
    dof = len(found.residual_m) - fitted
    return TouchCheck(
        count=len(distance_mm),
        rms_mm=float(np.sqrt((distance_mm**2).mean())),
        worst_mm=float(distance_mm.max()),
        reduced_chi2=chi2 / dof,
        dof=dof,
        worst_corner=found.corners[int(np.argmax(distance_mm))],
    )


def findings_on_height(problem: Problem, height: Height | None) -> tuple[Finding, ...]:
    """That the ``height`` comes from touch alone."""
    if height is None or height.determined_by is not HeightSource.TOUCH:
        return ()
    mm, sigma_mm = height.mm or 0.0, height.sigma_mm or 0.0
    reference = "above the base" if problem.mount is Mount.FIXED else "along the flange axis"
    message = (
        f"the height of the camera {reference}, {mm:.2f} mm (sigma {sigma_mm:.2f} mm), comes from touch alone: an error"
        " of the pointer's length changes it one to one, and no touch reveals it; touches with the wrist half a turn"
        " apart reveal only a sideways error of the tip"
    )
    remedy = "measure the pointer's length from the flange by other means and check [robot] tip_mm in the station file."
    return (Finding(FindingCode.HEIGHT_FROM_TOUCH, Severity.NOTE, message, {"mm": mm, "sigma_mm": sigma_mm}, remedy),)


def _height_mismatch_finding(problem: Problem, fitted: _HeightFit) -> Finding:
    stated_mm, offset_mm = (problem.height_m or 0.0) * 1e3, fitted.offset_m * 1e3
    message = (
        f"the height by touch deviates by {offset_mm:+.2f} mm (sigma {fitted.sigma_m * 1e3:.2f} mm) from that of [goal]"
        f" board_height_mm = {stated_mm:g} in the station file; the result uses the stated height"
    )
    evidence = {"stated_mm": stated_mm, "touch_mm": stated_mm + offset_mm, "sigma_mm": fitted.sigma_m * 1e3}
    remedy = (
        "measure the height of the board ([goal] board_height_mm) and the length of the pointer ([robot] tip_mm) again"
        " and correct the wrong one."
    )
    return Finding(FindingCode.HEIGHT_MISMATCH, Severity.WARN, message, evidence, remedy)
