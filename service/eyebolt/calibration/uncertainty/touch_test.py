"""Touched corners of a board that lies still: what they say about the answer, and the height that only they can give.

On arms that turn about the vertical only, X may slide along the vertical by a height h that no pair can see. The
differences r between touched and seen corners see it: ``residual_m = g h + errors``, g the vertical; weighted least squares.

Where X errs by xi, the touches put it right at their own place: the error of the height is correlated with xi, and the
covariance of the answer says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from eyebolt.calibration.estimation import JointEstimate, invert_information, slide_along_vertical, vertical_directions
from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.problem import Problem
from eyebolt.calibration.uncertainty.expected_error import p95_of_covariance
from eyebolt.calibration.uncertainty.touch_residuals import TouchResiduals, placed_board_poses, touch_residuals
from eyebolt.geometry import Array, FlangeRotation, Mount
from eyebolt.observations import PlacedBoard

_MAX_DEVIATION_SIGMA = 3.0
# Touched corners on a line leave a turn about it untouched: smaller over larger extent of the touched places.
_MIN_SPREAD_RATIO = 0.1
# A few steps: the lever of the arm's tilt at the picture changes with the height, everything else is linear.
_HEIGHT_STEPS = 4


@dataclass(frozen=True)
class TouchCheck:
    """Touched corners against the answer: ``rms_mm``, ``worst_mm`` of the distances, ``worst_corner`` its number.

    ``reduced_chi2``: squared error over what was predicted, per degree of ``dof``; 1 is as predicted.
    ``spread_out``: three or more, not on a line. ``p95_with_nuisances_mm``: the p95 when board scale and focal length are not
    trusted, but known from the pairs and these touches together.
    """

    count: int
    rms_mm: float
    worst_mm: float
    reduced_chi2: float
    dof: int
    worst_corner: int
    spread_out: bool
    p95_with_nuisances_mm: float


@dataclass(frozen=True)
class Height:
    """What closed the missing number of a vertical arm: "height_mm", "touch" or None.

    ``mm``: the height of X's origin along the vertical of its frame, ``sigma_mm`` its standard deviation.
    """

    determined_by: str | None = None
    mm: float | None = None
    sigma_mm: float | None = None


@dataclass(frozen=True)
class TouchedSolution:
    """The answer once the touches have had their say; as it was where there are none.

    ``height_update``: how a height found by touch changes the error of X: what carries it (6, 6), what is added to it (6, 6).
    """

    joint: JointEstimate
    X: Array
    Y: Array
    check: TouchCheck | None
    height: Height | None
    height_update: tuple[Array, Array] | None
    p95_with_nuisances_mm: float
    findings: tuple[Finding, ...]

    @property
    def height_is_missing(self) -> bool:
        """A vertical arm, and nothing closed its height."""
        return self.height is not None and self.height.determined_by is None


def apply_touches(
    problem: Problem,
    joint: JointEstimate,
    X: Array,
    Y: Array,
    A: Array,
    placed: Sequence[PlacedBoard],
    p95_with_nuisances_mm: float,
) -> TouchedSolution:
    """Compares the touches of ``placed`` with X, and closes the height of a vertical arm if nothing else has.

    ``X``, ``Y`` (4, 4): the estimate ``joint``, slid to its height; ``A`` (n, 4, 4): chain of the pairs.
    ``p95_with_nuisances_mm``: the p95 when board scale and focal length are known from the pairs alone.
    """
    vertical_X, vertical_Y = vertical_directions(problem, A)
    vertical = problem.flange_rotation is FlangeRotation.VERTICAL
    tip, board_poses = problem.tip, placed_board_poses(problem, placed)
    if tip is None or not board_poses:
        return TouchedSolution(
            joint, X, Y, None, _stated(problem, joint, X, vertical_X), None, p95_with_nuisances_mm, ()
        )
    closes_height = vertical and problem.height_m is None
    found = touch_residuals(problem, joint, X, vertical_X, tip, board_poses)
    for _ in range(_HEIGHT_STEPS if closes_height else 0):
        # Where the first step starts, the height may be off by a metre; the steps after it change weights only.
        X, Y = slide_along_vertical(X, Y, _height(found)[0], vertical_X, vertical_Y)
        found = touch_residuals(problem, joint, X, vertical_X, tip, board_poses)
    offset_m, sigma_m, weights = _height(found)
    transform_shift, nuisance_deviation, nuisance_covariance = _nuisance_effect_on_X(problem, joint)
    nuisance_effect = found.nuisance_jacobian - found.jacobian_X @ transform_shift
    height_update, height, findings = None, _stated(problem, joint, X, vertical_X), list[Finding]()
    if closes_height:
        height_update = _height_update(joint, X, vertical_X, found, weights)
        joint = _with_height(joint, X, Y, vertical_X, vertical_Y, found, weights)
        height = _height_of(joint, X, vertical_X, "touch")
        transform_shift = transform_shift + np.outer(_vertical_twist(X, vertical_X), weights @ nuisance_effect)
        p95_with_nuisances_mm = p95_of_covariance(problem, _widened(joint, transform_shift, nuisance_covariance))
        findings.append(_height_from_touch_finding(problem, height))
    elif vertical and abs(offset_m) > _MAX_DEVIATION_SIGMA * sigma_m:
        findings.append(_height_mismatch_finding(problem, offset_m, sigma_m))
    nuisance_covariance = _nuisance_mean_square(
        found, nuisance_effect, nuisance_deviation, nuisance_covariance, closes_height
    )
    check = _check(
        found, int(closes_height), p95_of_covariance(problem, _widened(joint, transform_shift, nuisance_covariance))
    )
    return TouchedSolution(joint, X, Y, check, height, height_update, p95_with_nuisances_mm, tuple(findings))


def _height(found: TouchResiduals) -> tuple[float, float, Array]:
    """How much higher the touches want X: metres, sigma, and the weights (3m,) of the touches in it."""
    weighted = np.linalg.solve(found.covariance, found.height_jacobian)
    information = float(found.height_jacobian @ weighted)
    weights = weighted / information
    return float(weights @ found.residual_m), float(1 / np.sqrt(information)), weights


def _vertical_twist(X: Array, vertical_X: Array) -> Array:
    """(6,): the change of X that lifts it along its vertical."""
    return np.concatenate([X[:3, :3].T @ vertical_X, np.zeros(3)])


def _own_variance(joint: JointEstimate, found: TouchResiduals, weights: Array) -> float:
    """Variance of the height that does not come from X."""
    pulled = weights @ found.jacobian_X
    return float(weights @ found.covariance @ weights - pulled @ joint.covariance[:6, :6] @ pulled)


def _height_update(
    joint: JointEstimate, X: Array, vertical_X: Array, found: TouchResiduals, weights: Array
) -> tuple[Array, Array]:
    # Where X errs by xi, the touches lift it by -weights.by_X xi: at the touched places the error cancels.
    up = _vertical_twist(X, vertical_X)
    error_transfer = np.eye(6) - np.outer(up, weights @ found.jacobian_X)
    return error_transfer, np.outer(up, up) * _own_variance(joint, found, weights)


def _with_height(
    joint: JointEstimate,
    X: Array,
    Y: Array,
    vertical_X: Array,
    vertical_Y: Array,
    found: TouchResiduals,
    weights: Array,
) -> JointEstimate:
    """The joint estimate with X and Y lifted together: every part of its mixture gets the height's error."""
    up = np.concatenate([_vertical_twist(X, vertical_X), _vertical_twist(Y, vertical_Y)])
    error_transfer = np.eye(12)
    error_transfer[:, :6] -= np.outer(up, weights @ found.jacobian_X)
    added = np.outer(up, up) * _own_variance(joint, found, weights)
    return replace(
        joint,
        means=joint.means @ error_transfer.T,
        covariances=error_transfer @ joint.covariances @ error_transfer.T + added,
    )


def _nuisance_effect_on_X(problem: Problem, joint: JointEstimate) -> tuple[Array, Array, Array]:
    """(6, 2): the error of X if scale and focal length are larger than stated; what the pairs see of them, (2,), and
    its covariance (2, 2)."""
    model = joint.model
    fitted = joint.with_scale_and_focal_free(problem.camera)
    covariance, p = fitted.covariance[0], model.observable_basis.shape[1]
    nuisance_covariance = covariance[p : p + 2, p : p + 2]
    # Freeing them moves the estimate by what leaving them as stated makes it err, the other way.
    return (
        -model.observable_basis[:6] @ covariance[:p, p : p + 2] @ np.linalg.inv(nuisance_covariance),
        fitted.z[0, p : p + 2],
        nuisance_covariance,
    )


def _nuisance_mean_square(
    found: TouchResiduals, nuisance_effect: Array, off: Array, from_pairs: Array, height_fitted: bool
) -> Array:
    """(2, 2): mean square of how far scale and focal length are off the stated ones, from pairs and touches together.

    ``nuisance_effect`` (3m, 2): how these move r, X included; ``off`` (2,), ``from_pairs`` (2, 2): what the pairs see of them.
    """
    weight = np.linalg.inv(found.covariance)
    if height_fitted:
        weight = weight - np.outer(weight @ found.height_jacobian, found.height_jacobian @ weight) / (
            found.height_jacobian @ weight @ found.height_jacobian
        )
    information = invert_information(from_pairs)
    nuisance_covariance = invert_information(information + nuisance_effect.T @ weight @ nuisance_effect)
    # The answer keeps to the stated ones: what the touches see of a difference is an error, not only what they leave.
    remaining = nuisance_covariance @ (information @ off + nuisance_effect.T @ weight @ found.residual_m)
    return nuisance_covariance + np.outer(remaining, remaining)


def _widened(joint: JointEstimate, nuisance_jacobian: Array, nuisances: Array) -> Array:
    out: Array = joint.covariance[:6, :6] + nuisance_jacobian @ nuisances @ nuisance_jacobian.T
    return out


def _check(found: TouchResiduals, fitted: int, p95_with_nuisances_mm: float) -> TouchCheck:
    off_mm = np.linalg.norm(found.residual_m.reshape(-1, 3), axis=1) * 1e3
    chi2 = float(found.residual_m @ np.linalg.solve(found.covariance, found.residual_m))
    dof = len(found.residual_m) - fitted
    sizes = np.linalg.svd(found.points_m - found.points_m.mean(axis=0), compute_uv=False)
    spread = len(off_mm) >= 3 and bool(sizes[1] > _MIN_SPREAD_RATIO * sizes[0])
    return TouchCheck(
        count=len(off_mm),
        rms_mm=float(np.sqrt((off_mm**2).mean())),
        worst_mm=float(off_mm.max()),
        reduced_chi2=chi2 / dof,
        dof=dof,
        worst_corner=found.corners[int(np.argmax(off_mm))],
        spread_out=spread,
        p95_with_nuisances_mm=p95_with_nuisances_mm,
    )


def _stated(problem: Problem, joint: JointEstimate, X: Array, vertical_X: Array) -> Height | None:
    if problem.flange_rotation is FlangeRotation.FREE:
        return None
    return Height() if problem.height_m is None else _height_of(joint, X, vertical_X, "board_height_mm")


def _height_of(joint: JointEstimate, X: Array, vertical_X: Array, determined_by: str) -> Height:
    up = _vertical_twist(X, vertical_X)
    sigma_m = float(np.sqrt(np.maximum(up @ joint.covariance[:6, :6] @ up, 0.0)))
    return Height(determined_by, float(vertical_X @ X[:3, 3]) * 1e3, sigma_m * 1e3)


def _height_reference(problem: Problem) -> str:
    return "above the base" if problem.mount is Mount.FIXED else "along the flange's axis"


def _height_from_touch_finding(problem: Problem, height: Height) -> Finding:
    mm, sigma_mm = height.mm or 0.0, height.sigma_mm or 0.0
    message = (
        f"the height of the camera {_height_reference(problem)}, {mm:.2f} mm (sigma {sigma_mm:.2f} mm), is known by touch alone:"
        " an error of the pointer's length goes into it one to one, and no touch shows that; half a turn of the wrist"
        " shows only the sideways part of a tip error"
    )
    remedy = "measure the pointer's length from the flange by other means, and state it in [robot] tip_mm."
    return Finding(FindingCode.HEIGHT_FROM_TOUCH, Severity.NOTE, message, {"mm": mm, "sigma_mm": sigma_mm}, remedy)


def _height_mismatch_finding(problem: Problem, offset_m: float, sigma_m: float) -> Finding:
    stated_mm = (problem.height_m or 0.0) * 1e3
    message = (
        f"touch wants the height {offset_m * 1e3:+.2f} mm (sigma {sigma_m * 1e3:.2f} mm) off what [goal] board_height_mm ="
        f" {stated_mm:g} gives; the stated height is used"
    )
    evidence = {"stated_mm": stated_mm, "touch_mm": stated_mm + offset_m * 1e3, "sigma_mm": sigma_m * 1e3}
    remedy = (
        "measure [goal] board_height_mm and the length of the pointer ([robot] tip_mm) again; correct the wrong one."
    )
    return Finding(FindingCode.HEIGHT_MISMATCH, Severity.WARN, message, evidence, remedy)
