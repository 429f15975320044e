"""Touched corners of a board that lies still: what they say about the answer, and the height that only they can give.

On arms that turn about the vertical only, X may slide along the vertical by a height h that no pair can see. The
differences r between touched and seen corners see it: ``r = g h + errors``, g the vertical; weighted least squares.

Where X errs by xi, the touches put it right at their own place: the error of the height is correlated with xi, and the
covariance of the answer says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from eyebolt.calibration.estimation import JointEstimate, invert_information, slid, verticals
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.problem import Problem
from eyebolt.calibration.uncertainty.expected_error import p95_of_covariance
from eyebolt.calibration.uncertainty.touch_residuals import TouchDifferences, seen_boards, touch_differences
from eyebolt.geometry import Array
from eyebolt.observations import PlacedBoard

_DISAGREES_SIGMA = 3.0
# Touched corners on a line leave a turn about it untouched: smaller over larger extent of the touched places.
_LEAST_SPREAD = 0.1
# A few steps: the lever of the arm's tilt at the picture changes with the height, everything else is linear.
_HEIGHT_STEPS = 4


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
class Touched:
    """The answer once the touches have had their say; as it was where there are none.

    ``closing``: how a height found by touch changes the error of X: what carries it (6, 6), what is added to it (6, 6).
    """

    joint: JointEstimate
    X: Array
    Y: Array
    check: TouchCheck | None
    height: Height | None
    closing: tuple[Array, Array] | None
    proof_p95_mm: float
    findings: tuple[Finding, ...]

    @property
    def height_is_missing(self) -> bool:
        """A vertical arm, and nothing closed its height."""
        return self.height is not None and self.height.closed_by is None


def with_touches(
    problem: Problem,
    joint: JointEstimate,
    X: Array,
    Y: Array,
    A: Array,
    placed: Sequence[PlacedBoard],
    proof_p95_mm: float,
) -> Touched:
    """Compares the touches of ``placed`` with X, and closes the height of a vertical arm if nothing else has.

    ``X``, ``Y`` (4, 4): the estimate ``joint``, slid to its height; ``A`` (n, 4, 4): chain of the pairs.
    ``proof_p95_mm``: the p95 when board scale and focal length are known from the pairs alone.
    """
    at_X, at_Y = verticals(problem, A)
    vertical = problem.turns == "vertical"
    tip, seen = problem.tip, seen_boards(problem, placed)
    if tip is None or not seen:
        return Touched(joint, X, Y, None, _stated(problem, joint, X, at_X), None, proof_p95_mm, ())
    closes = vertical and problem.height_m is None
    found = touch_differences(problem, joint, X, at_X, tip, seen)
    for _ in range(_HEIGHT_STEPS if closes else 0):
        # Where the first step starts, the height may be off by a metre; the steps after it change weights only.
        X, Y = slid(X, Y, _height(found)[0], at_X, at_Y)
        found = touch_differences(problem, joint, X, at_X, tip, seen)
    offset_m, sigma_m, weights = _height(found)
    moved, seen_off, known = _from_nuisances(problem, joint)
    left = found.by_nuisance - found.by_X @ moved
    closing, height, findings = None, _stated(problem, joint, X, at_X), list[Finding]()
    if closes:
        closing = _closing(joint, X, at_X, found, weights)
        joint = _closed(joint, X, Y, at_X, at_Y, found, weights)
        height = _height_of(joint, X, at_X, "touch")
        moved = moved + np.outer(_along(X, at_X), weights @ left)
        proof_p95_mm = p95_of_covariance(problem, _widened(joint, moved, known))
        findings.append(_by_touch(problem, height))
    elif vertical and abs(offset_m) > _DISAGREES_SIGMA * sigma_m:
        findings.append(_heights_disagree(problem, offset_m, sigma_m))
    known = _known_by_touch(found, left, seen_off, known, closes)
    check = _check(found, int(closes), p95_of_covariance(problem, _widened(joint, moved, known)))
    return Touched(joint, X, Y, check, height, closing, proof_p95_mm, tuple(findings))


def _height(found: TouchDifferences) -> tuple[float, float, Array]:
    """How much higher the touches want X: metres, sigma, and the weights (3m,) of the touches in it."""
    weighted = np.linalg.solve(found.covariance, found.by_height)
    information = float(found.by_height @ weighted)
    weights = weighted / information
    return float(weights @ found.r), float(1 / np.sqrt(information)), weights


def _along(X: Array, at_X: Array) -> Array:
    """(6,): the change of X that lifts it along its vertical."""
    return np.concatenate([X[:3, :3].T @ at_X, np.zeros(3)])


def _own_variance(joint: JointEstimate, found: TouchDifferences, weights: Array) -> float:
    """Variance of the height that does not come from X."""
    pulled = weights @ found.by_X
    return float(weights @ found.covariance @ weights - pulled @ joint.covariance[:6, :6] @ pulled)


def _closing(
    joint: JointEstimate, X: Array, at_X: Array, found: TouchDifferences, weights: Array
) -> tuple[Array, Array]:
    # Where X errs by xi, the touches lift it by -weights.by_X xi: at the touched places the error cancels.
    up = _along(X, at_X)
    carried = np.eye(6) - np.outer(up, weights @ found.by_X)
    return carried, np.outer(up, up) * _own_variance(joint, found, weights)


def _closed(
    joint: JointEstimate, X: Array, Y: Array, at_X: Array, at_Y: Array, found: TouchDifferences, weights: Array
) -> JointEstimate:
    """The joint estimate with X and Y lifted together: every part of its mixture gets the height's error."""
    up = np.concatenate([_along(X, at_X), _along(Y, at_Y)])
    carried = np.eye(12)
    carried[:, :6] -= np.outer(up, weights @ found.by_X)
    added = np.outer(up, up) * _own_variance(joint, found, weights)
    return replace(joint, means=joint.means @ carried.T, covariances=carried @ joint.covariances @ carried.T + added)


def _from_nuisances(problem: Problem, joint: JointEstimate) -> tuple[Array, Array, Array]:
    """(6, 2): the error of X if scale and focal length are larger than stated; what the pairs see of them, (2,), and
    its covariance (2, 2)."""
    model = joint.model
    fitted = joint.with_scale_and_focal_free(problem.camera)
    covariance, p = fitted.covariance[0], model.free.shape[1]
    known = covariance[p : p + 2, p : p + 2]
    # Freeing them moves the estimate by what leaving them as stated makes it err, the other way.
    return -model.free[:6] @ covariance[:p, p : p + 2] @ np.linalg.inv(known), fitted.z[0, p : p + 2], known


def _known_by_touch(found: TouchDifferences, left: Array, off: Array, from_pairs: Array, height_fitted: bool) -> Array:
    """(2, 2): mean square of how far scale and focal length are off the stated ones, from pairs and touches together.

    ``left`` (3m, 2): how these move r, X included; ``off`` (2,), ``from_pairs`` (2, 2): what the pairs see of them.
    """
    weight = np.linalg.inv(found.covariance)
    if height_fitted:
        weight = weight - np.outer(weight @ found.by_height, found.by_height @ weight) / (
            found.by_height @ weight @ found.by_height
        )
    information = invert_information(from_pairs)
    known = invert_information(information + left.T @ weight @ left)
    # The answer keeps to the stated ones: what the touches see of a difference is an error, not only what they leave.
    remains = known @ (information @ off + left.T @ weight @ found.r)
    return known + np.outer(remains, remains)


def _widened(joint: JointEstimate, by_nuisance: Array, nuisances: Array) -> Array:
    out: Array = joint.covariance[:6, :6] + by_nuisance @ nuisances @ by_nuisance.T
    return out


def _check(found: TouchDifferences, fitted: int, proof_p95_mm: float) -> TouchCheck:
    off_mm = np.linalg.norm(found.r.reshape(-1, 3), axis=1) * 1e3
    squared = float(found.r @ np.linalg.solve(found.covariance, found.r))
    freedom = len(found.r) - fitted
    sizes = np.linalg.svd(found.places - found.places.mean(axis=0), compute_uv=False)
    spread = len(off_mm) >= 3 and bool(sizes[1] > _LEAST_SPREAD * sizes[0])
    return TouchCheck(
        count=len(off_mm),
        rms_mm=float(np.sqrt((off_mm**2).mean())),
        worst_mm=float(off_mm.max()),
        normalised=squared / freedom,
        freedom=freedom,
        worst_corner=found.corners[int(np.argmax(off_mm))],
        spread_out=spread,
        proof_p95_mm=proof_p95_mm,
    )


def _stated(problem: Problem, joint: JointEstimate, X: Array, at_X: Array) -> Height | None:
    if problem.turns == "free":
        return None
    return Height() if problem.height_m is None else _height_of(joint, X, at_X, "height_mm")


def _height_of(joint: JointEstimate, X: Array, at_X: Array, closed_by: str) -> Height:
    up = _along(X, at_X)
    sigma_m = float(np.sqrt(np.maximum(up @ joint.covariance[:6, :6] @ up, 0.0)))
    return Height(closed_by, float(at_X @ X[:3, 3]) * 1e3, sigma_m * 1e3)


def _whose(problem: Problem) -> str:
    return "above the base" if problem.mount == "fixed" else "along the flange's axis"


def _by_touch(problem: Problem, height: Height) -> Finding:
    mm, sigma_mm = height.mm or 0.0, height.sigma_mm or 0.0
    says = (
        f"the height of the camera {_whose(problem)}, {mm:.2f} mm (sigma {sigma_mm:.2f} mm), is known by touch alone:"
        " an error of the pointer's length goes into it one to one, and no touch shows that; half a turn of the wrist"
        " shows only the sideways part of a tip error"
    )
    remedy = "measure the pointer's length from the flange by other means, and state it in [robot] tip_mm."
    return Finding("height-by-touch", "note", says, {"mm": mm, "sigma_mm": sigma_mm}, remedy)


def _heights_disagree(problem: Problem, offset_m: float, sigma_m: float) -> Finding:
    stated_mm = (problem.height_m or 0.0) * 1e3
    says = (
        f"touch wants the height {offset_m * 1e3:+.2f} mm (sigma {sigma_m * 1e3:.2f} mm) off what [goal] height_mm ="
        f" {stated_mm:g} gives; the stated height is used"
    )
    evidence = {"stated_mm": stated_mm, "touch_mm": stated_mm + offset_m * 1e3, "sigma_mm": sigma_m * 1e3}
    remedy = "measure [goal] height_mm and the length of the pointer ([robot] tip_mm) again; correct the wrong one."
    return Finding("heights-disagree", "warn", says, evidence, remedy)
