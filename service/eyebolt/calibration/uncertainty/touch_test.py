"""Touched corners of a placed board: a test of the result, and the height of a vertical arm.

Touches of an arm that rotates freely only test the result. On an arm with a vertical axis only, X may slide along the
vertical by a height h that no pair can observe. The touch residuals r (touched minus predicted corners) observe it:
``r = g h + errors``, g the vertical; h follows by weighted least squares.

The touches compensate an error xi of X at the place where they were made, so the error of the height is correlated with
xi. The covariance of the result accounts for that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from eyebolt.calibration.estimation import JointEstimate, invert_information, slide_along_vertical, vertical_directions
from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.problem import Problem
from eyebolt.calibration.uncertainty.expected_error import p95_of_covariance
from eyebolt.calibration.uncertainty.touch_residuals import TouchResiduals, placed_board_poses, touch_residuals
from eyebolt.geometry import Array, FlangeRotation, Mount
from eyebolt.observations import PlacedBoard

# A stated height deviates from touch beyond this: 1 in 370 by chance.
_MAX_DEVIATION_SIGMA = 3.0
# Smaller over larger extent of the touched points. Below it they are on a line, and do not constrain the rotation about
# it. Common practice, no source.
_MIN_SPREAD_RATIO = 0.1
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
    spread_out: bool
    """Whether there are three touches or more that are not on a line."""
    p95_with_nuisances_mm: float
    """p95 of the expected error with board scale and focal length estimated from pairs and touches together, mm."""


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
    height: Height | None
    """The height; None for an arm that rotates freely."""
    height_update: HeightUpdate | None
    """Effect of the touches on the height; None unless they determined it."""
    p95_with_nuisances_mm: float
    """p95 of the expected error with board scale and focal length estimated from the pairs, mm."""
    findings: tuple[Finding, ...]
    """Findings on the touches and the height."""

    @property
    def height_is_missing(self) -> bool:
        """Whether this is a vertical arm whose height nothing determined."""
        return self.height is not None and self.height.determined_by is None


@dataclass(frozen=True)
class _HeightFit:
    """The height fitted to the touch residuals."""

    offset_m: float
    """How much higher the touches put X, metres."""
    sigma_m: float
    """Standard deviation of ``offset_m``, metres."""
    weights: Array
    """(3m,): derivative of ``offset_m`` by the residuals."""


@dataclass(frozen=True)
class _ScaleAndFocal:
    """Board scale and focal length, in this order, as the pairs determine them."""

    transform_shift: Array
    """(6, 2): error of X per unit deviation of board scale and focal length from the stated values."""
    deviation: Array
    """(2,): estimated deviation of board scale and focal length from the stated values."""
    covariance: Array
    """(2, 2): covariance of ``deviation``."""


def apply_touches(
    problem: Problem,
    joint: JointEstimate,
    X: Array,
    Y: Array,
    A: Array,
    placed: Sequence[PlacedBoard],
    p95_with_nuisances_mm: float,
) -> TouchedSolution:
    """Tests X with the touches of ``placed``; sets the height of a vertical arm by them if it is not stated.

    ``X``, ``Y`` (4, 4): the estimate ``joint``, at the stated or assumed height; ``A`` (n, 4, 4): chain of the pairs;
    ``p95_with_nuisances_mm``: of the expected error, with board scale and focal length estimated from the pairs.
    """
    vertical_X, vertical_Y = vertical_directions(problem, A)
    vertical = problem.flange_rotation is FlangeRotation.VERTICAL
    tip, board_poses = problem.tip, placed_board_poses(problem, placed)
    if tip is None or not board_poses:
        return TouchedSolution(
            joint, X, Y, None, _stated_height(problem, joint, X, vertical_X), None, p95_with_nuisances_mm, ()
        )
    sets_height = vertical and problem.height_m is None
    found = touch_residuals(problem, joint, X, vertical_X, tip, board_poses)
    for _ in range(_HEIGHT_STEPS if sets_height else 0):
        # The height may be off by a metre before the first step; later steps change the weights only.
        X, Y = slide_along_vertical(X, Y, _fit_height(found).offset_m, vertical_X, vertical_Y)
        found = touch_residuals(problem, joint, X, vertical_X, tip, board_poses)
    fitted = _fit_height(found)
    nuisances = _scale_and_focal(problem, joint)
    residual_shift = found.nuisance_jacobian - found.jacobian_X @ nuisances.transform_shift
    transform_shift = nuisances.transform_shift
    height_update, height, findings = None, _stated_height(problem, joint, X, vertical_X), list[Finding]()
    if sets_height:
        height_update = _height_update(joint, X, vertical_X, found, fitted.weights)
        joint = _with_height(joint, X, Y, vertical_X, vertical_Y, found, fitted.weights)
        height = _height(joint, X, vertical_X, HeightSource.TOUCH)
        transform_shift = transform_shift + np.outer(_vertical_twist(X, vertical_X), fitted.weights @ residual_shift)
        p95_with_nuisances_mm = p95_of_covariance(problem, _widened(joint, transform_shift, nuisances.covariance))
        findings.append(_height_from_touch_finding(problem, height))
    elif vertical and abs(fitted.offset_m) > _MAX_DEVIATION_SIGMA * fitted.sigma_m:
        findings.append(_height_mismatch_finding(problem, fitted))
    mean_square = _nuisance_mean_square(found, residual_shift, nuisances, sets_height)
    check = _check(found, int(sets_height), p95_of_covariance(problem, _widened(joint, transform_shift, mean_square)))
    return TouchedSolution(joint, X, Y, check, height, height_update, p95_with_nuisances_mm, tuple(findings))


def _fit_height(found: TouchResiduals) -> _HeightFit:
    """The height by generalised least squares over all touches."""
    weighted = np.linalg.solve(found.covariance, found.height_jacobian)
    information = float(found.height_jacobian @ weighted)
    weights = weighted / information
    return _HeightFit(float(weights @ found.residual_m), float(1 / np.sqrt(information)), weights)


def _vertical_twist(X: Array, vertical_X: Array) -> Array:
    """(6,): perturbation of X, on the right, that lifts it along its vertical by one metre."""
    return np.concatenate([X[:3, :3].T @ vertical_X, np.zeros(3)])


def _own_variance(joint: JointEstimate, found: TouchResiduals, weights: Array) -> float:
    """Variance, m^2, of the height that does not come from the error of X."""
    by_X = weights @ found.jacobian_X
    return float(weights @ found.covariance @ weights - by_X @ joint.covariance[:6, :6] @ by_X)


def _height_update(
    joint: JointEstimate, X: Array, vertical_X: Array, found: TouchResiduals, weights: Array
) -> HeightUpdate:
    # An error xi of X changes the height by -weights @ jacobian_X @ xi: at the touched points the error cancels.
    up = _vertical_twist(X, vertical_X)
    error_transfer = np.eye(6) - np.outer(up, weights @ found.jacobian_X)
    return HeightUpdate(error_transfer, np.outer(up, up) * _own_variance(joint, found, weights))


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
    up = np.concatenate([_vertical_twist(X, vertical_X), _vertical_twist(Y, vertical_Y)])
    error_transfer = np.eye(12)
    error_transfer[:, :6] -= np.outer(up, weights @ found.jacobian_X)
    added = np.outer(up, up) * _own_variance(joint, found, weights)
    return replace(
        joint,
        means=joint.means @ error_transfer.T,
        covariances=error_transfer @ joint.covariances @ error_transfer.T + added,
    )


def _scale_and_focal(problem: Problem, joint: JointEstimate) -> _ScaleAndFocal:
    model = joint.model
    fitted = joint.with_scale_and_focal_free(problem.camera)
    covariance, p = fitted.covariance[0], model.observable_basis.shape[1]
    nuisance_covariance = covariance[p : p + 2, p : p + 2]
    # The change of X per unit of them when they are free is minus its error when they are held at the stated values.
    transform_shift = -model.observable_basis[:6] @ covariance[:p, p : p + 2] @ np.linalg.inv(nuisance_covariance)
    return _ScaleAndFocal(transform_shift, fitted.z[0, p : p + 2], nuisance_covariance)


def _nuisance_mean_square(
    found: TouchResiduals, residual_shift: Array, nuisances: _ScaleAndFocal, height_fitted: bool
) -> Array:
    """(2, 2): mean square deviation of board scale and focal length from the stated ones, by pairs and touches.

    ``residual_shift`` (3m, 2): change of the touch residuals per unit of them, that through X included.
    """
    weight = np.linalg.inv(found.covariance)
    if height_fitted:
        # The part of the residuals that the fitted height explains carries no information.
        weight = weight - np.outer(weight @ found.height_jacobian, found.height_jacobian @ weight) / (
            found.height_jacobian @ weight @ found.height_jacobian
        )
    information = invert_information(nuisances.covariance)
    covariance = invert_information(information + residual_shift.T @ weight @ residual_shift)
    # The result keeps the stated values, so their estimated deviation is an error of it as well as the covariance.
    deviation = covariance @ (information @ nuisances.deviation + residual_shift.T @ weight @ found.residual_m)
    return covariance + np.outer(deviation, deviation)


def _widened(joint: JointEstimate, transform_shift: Array, nuisance_mean_square: Array) -> Array:
    """(6, 6): covariance of X with the error of board scale and focal length added."""
    out: Array = joint.covariance[:6, :6] + transform_shift @ nuisance_mean_square @ transform_shift.T
    return out


def _check(found: TouchResiduals, fitted: int, p95_with_nuisances_mm: float) -> TouchCheck:
    """``fitted``: number of parameters that were fitted to the touches."""
    distance_mm = np.linalg.norm(found.residual_m.reshape(-1, 3), axis=1) * 1e3
    chi2 = float(found.residual_m @ np.linalg.solve(found.covariance, found.residual_m))
    dof = len(found.residual_m) - fitted
    extents = np.linalg.svd(found.points_m - found.points_m.mean(axis=0), compute_uv=False)
    spread_out = len(distance_mm) >= 3 and bool(extents[1] > _MIN_SPREAD_RATIO * extents[0])
    return TouchCheck(
        count=len(distance_mm),
        rms_mm=float(np.sqrt((distance_mm**2).mean())),
        worst_mm=float(distance_mm.max()),
        reduced_chi2=chi2 / dof,
        dof=dof,
        worst_corner=found.corners[int(np.argmax(distance_mm))],
        spread_out=spread_out,
        p95_with_nuisances_mm=p95_with_nuisances_mm,
    )


def _stated_height(problem: Problem, joint: JointEstimate, X: Array, vertical_X: Array) -> Height | None:
    """The height by the station file: None for an arm that rotates freely, empty where it is not stated."""
    if problem.flange_rotation is FlangeRotation.FREE:
        return None
    return Height() if problem.height_m is None else _height(joint, X, vertical_X, HeightSource.BOARD_HEIGHT)


def _height(joint: JointEstimate, X: Array, vertical_X: Array, determined_by: HeightSource) -> Height:
    up = _vertical_twist(X, vertical_X)
    sigma_m = float(np.sqrt(np.maximum(up @ joint.covariance[:6, :6] @ up, 0.0)))
    return Height(determined_by, float(vertical_X @ X[:3, 3]) * 1e3, sigma_m * 1e3)


def _height_from_touch_finding(problem: Problem, height: Height) -> Finding:
    mm, sigma_mm = height.mm or 0.0, height.sigma_mm or 0.0
    reference = "above the base" if problem.mount is Mount.FIXED else "along the flange axis"
    message = (
        f"the height of the camera {reference}, {mm:.2f} mm (sigma {sigma_mm:.2f} mm), comes from touch alone: an error"
        " of the pointer's length changes it one to one, and no touch reveals it; touches with the wrist half a turn"
        " apart reveal only a sideways error of the tip"
    )
    remedy = "measure the pointer's length from the flange by other means and check [robot] tip_mm in the station file."
    return Finding(FindingCode.HEIGHT_FROM_TOUCH, Severity.NOTE, message, {"mm": mm, "sigma_mm": sigma_mm}, remedy)


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
