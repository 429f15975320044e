"""Poses read in the wrong terms: another Euler order, degrees for radians, another quaternion order, another unit of
length, a pose the other way round. Found by reading the same numbers in every way there is and asking which way the
pictures agree with.

A pose the other way round and a camera on the other mount are one and the same in the data; both are said.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from eyebolt.calibration.estimation import GOOD_M, JointEstimate, Views, best_start, joint_estimate, starts_for
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.problem import PoseTerms, Problem, chain_of
from eyebolt.errors import InputFault
from eyebolt.geometry import EULER_KINDS, Array, PoseReading, se3
from eyebolt.observations import Pair

# The first look at every way of reading the rotation is at so many pairs; more would only cost time.
_PAIRS_FOR_A_LOOK = 10
_PROMISING = 8
_MOST_ALIKE = 40
_FOR_THE_LAST_LOOK = 4
_FEWEST = 4
# Less log likelihood than this between two ways, and they are not told apart.
_TOLD_APART = 8.0
# A camera on the arm is within about this of the flange.
_ON_THE_ARM_M = 0.5
_ORDERS = ((0, 1, 2), (0, 2, 1), (1, 0, 2), (1, 2, 0), (2, 0, 1), (2, 1, 0))


@dataclass(frozen=True)
class WayToRead:
    """One way to read the numbers of a pose. ``order``: which of the three angles sent is taken 1st, 2nd, 3rd."""

    reading: PoseReading
    inverted: bool = False
    order: tuple[int, int, int] = (0, 1, 2)

    def poses(self, fields: Array, terms: PoseTerms) -> Array | None:
        """base_T_flange (n, 4, 4) of numbers ``fields`` (n, m), with the tool of ``terms``; None if they mean none."""
        numbers = np.concatenate([fields[:, :3], fields[:, 3:][:, self.order]], axis=1) if self.permuted else fields
        try:
            poses = self.reading.to_matrices(numbers)
        except InputFault:
            return None
        return terms.flange_of(se3.inverse(poses) if self.inverted else poses)

    @property
    def permuted(self) -> bool:
        """The angles are sent in another order than they are applied in."""
        return self.order != (0, 1, 2)


@dataclass(frozen=True)
class ReadingFound:
    """How well one way of reading fits: ``misfit_m`` at the board, median over the pairs; the estimate under it."""

    way: WayToRead
    misfit_m: float
    joint: JointEstimate | None

    @property
    def likelihood(self) -> float:
        """Restricted log likelihood under this way of reading; none without an estimate that came to rest."""
        if self.joint is None or not self.joint.converged:
            return -np.inf
        return float(self.joint.fits.log_likelihood[0])


def readings_by_fit(problem: Problem, views: Views, terms: PoseTerms, fields: Array) -> list[ReadingFound]:
    """Ways to read ``fields`` (n, m), the best first; always with the one that the station states.

    ``views``: of the same pairs, in the same order.
    """
    n = len(fields)
    some = np.unique(np.linspace(0, n - 1, min(n, _PAIRS_FOR_A_LOOK)).astype(int))
    P = views.poses.camera_T_board
    looks: list[tuple[float, WayToRead]] = []
    for way in _rotations(terms.reading, fields.shape[1]):
        poses = way.poses(fields[some], terms)
        if poses is not None:
            looks.append((_turning_misfit(problem, chain_of(problem.mount, poses), P[some]), way))
    looks.sort(key=lambda look: look[0])
    stated = WayToRead(terms.reading)
    # Ways that differ only in the names of the axes turn alike; only the shifts tell them apart.
    alike = [way for k, (misfit, way) in enumerate(looks) if k < _PROMISING or misfit < 1.5 * looks[0][0] + 1e-6]
    ways = [stated] + [
        replace(way, reading=replace(way.reading, length=length))
        for way in alike[:_MOST_ALIKE]
        for length in ("mm", "m", "um")
    ]
    found = [_fit(problem, views, terms, fields, way) for way in dict.fromkeys(ways)]
    found.sort(key=lambda f: f.misfit_m)
    last = [f for k, f in enumerate(found) if k < _FOR_THE_LAST_LOOK or f.way == stated]
    return sorted((_estimated(problem, views, terms, fields, f) for f in last), key=lambda f: -f.likelihood)


def _rotations(stated: PoseReading, count: int) -> Iterator[WayToRead]:
    """Every way to read the rotation of a pose of ``count`` numbers, each also the other way round."""
    kinds: list[tuple[str, str, tuple[int, int, int]]] = []
    if count == 7:
        kinds = [(kind, stated.angle, (0, 1, 2)) for kind in ("quaternion-wxyz", "quaternion-xyzw")]
    elif count == 4:
        kinds = [("angle-z", angle, (0, 1, 2)) for angle in ("deg", "rad", "1e-4deg")]
    else:
        for angle in ("deg", "rad", "1e-4deg"):
            kinds.append(("rotation-vector", angle, (0, 1, 2)))
            kinds += [(kind, angle, (0, 1, 2)) for kind in EULER_KINDS]
            # Angles sent in an order of their own: letters all different, and not just the triple turned round.
            for kind in EULER_KINDS[:12]:
                if len(set(kind[-3:])) == 3:
                    kinds += [(kind, angle, order) for order in _ORDERS[1:-1]]
    for (kind, angle, order), inverted in itertools.product(kinds, (False, True)):
        yield WayToRead(PoseReading("mm", kind, angle), inverted, order)


def _turning_misfit(problem: Problem, A: Array, P: Array) -> float:
    """Median angle, radians, by which the turns of arm and camera disagree, whatever the shifts."""
    best = np.inf
    for start in starts_for(problem, A, P):
        predicted = np.swapaxes(start.X[:3, :3], -1, -2) @ A[:, :3, :3] @ start.Y[:3, :3]
        off = se3.rotation_angle(np.swapaxes(predicted, -1, -2) @ P[:, :3, :3])
        best = min(best, float(np.median(off)))
    return best


def _with_poses(problem: Problem, views: Views, poses: Array) -> Views:
    return replace(views, A=chain_of(problem.mount, poses))


def _fit(problem: Problem, views: Views, terms: PoseTerms, fields: Array, way: WayToRead) -> ReadingFound:
    poses = way.poses(fields, terms)
    misfit_m = np.inf if poses is None else best_start(problem, _with_poses(problem, views, poses))[1]
    return ReadingFound(way, misfit_m, None)


def _estimated(problem: Problem, views: Views, terms: PoseTerms, fields: Array, found: ReadingFound) -> ReadingFound:
    poses = found.way.poses(fields, terms)
    if poses is None:
        return found
    read = _with_poses(problem, views, poses)
    free = replace(problem, robot_noise=None)
    joints: list[JointEstimate] = []
    for start in starts_for(free, read.A, read.poses.camera_T_board):
        try:
            with np.errstate(all="ignore"):
                joints.append(joint_estimate(free, read, start.X, start.Y, posterior=False))
        except np.linalg.LinAlgError:
            continue
    best = max(
        joints,
        key=lambda j: (j.converged, float(np.nan_to_num(j.fits.log_likelihood[0], nan=-np.inf))),
        default=None,
    )
    return replace(found, joint=best)


def findings_on_terms(problem: Problem, views: Views, pairs: Sequence[Pair]) -> tuple[Finding, ...]:
    """Whether another way of reading the poses of ``pairs`` (those of ``views``, in order) fits as it should.

    To be looked for only where the stated way fits so badly that no arm's scatter explains it.
    """
    if len(pairs) < _FEWEST:
        return ()
    terms = problem.terms
    fields = _fields_of(pairs) if terms is not None else None
    if terms is None or fields is None:
        terms = PoseTerms(PoseReading())
        fields = np.array([terms.reading.to_fields(pair.base_T_flange) for pair in pairs])
    stated = WayToRead(terms.reading)
    found = readings_by_fit(problem, views, terms, fields)
    best = found[0]
    if best.way == stated or best.joint is None or not _plausible(best):
        return ()
    now = next(f for f in found if f.way == stated)
    rivals = [f for f in found[1:] if f.way != stated and _plausible(f)]
    return (_finding(problem, stated, best, now, rivals),)


def _plausible(found: ReadingFound) -> bool:
    return (
        found.joint is not None
        and found.joint.converged
        and found.misfit_m < GOOD_M
        and found.joint.noise.best.translation_m < GOOD_M
    )


def _finding(
    problem: Problem, stated: WayToRead, best: ReadingFound, now: ReadingFound, rivals: Sequence[ReadingFound]
) -> Finding:
    evidence = {
        "misfit_mm": best.misfit_m * 1e3,
        "misfit_as_stated_mm": now.misfit_m * 1e3,
        "log_likelihood_gained": best.likelihood - max(now.likelihood, -1e6),
    }
    if rivals:
        evidence["ahead_of_the_next"] = best.likelihood - rivals[0].likelihood
    fits = f"the pictures then agree to {best.misfit_m * 1e3:.2f} mm instead of {now.misfit_m * 1e3:.0f} mm"
    if rivals and best.likelihood - rivals[0].likelihood < _TOLD_APART:
        both = f"{_in_words(stated, best.way)}, or {_in_words(stated, rivals[0].way)}"
        return Finding(
            "pose-terms",
            "stop",
            f"the poses are not what the station file says, and two ways to read them fit alike: {both} ({fits})",
            evidence,
            "take waypoints that turn by 30 deg and more about all three axes; they tell the two apart.",
        )
    if best.way.inverted:
        return _other_way_round(problem, best, fits, evidence)
    return Finding(
        "pose-terms",
        "stop",
        f"the poses are not what the station file says, but {_in_words(stated, best.way)}: {fits}",
        evidence,
        _lines_to_change(stated, best.way),
    )


def _other_way_round(problem: Problem, best: ReadingFound, fits: str, evidence: dict[str, float]) -> Finding:
    distance_m = float(np.linalg.norm(best.joint.X[:3, 3])) if best.joint is not None else 0.0
    other = "arm" if problem.mount == "fixed" else "fixed"
    near = distance_m < _ON_THE_ARM_M
    likelier = near == (other == "arm")
    where = "on the arm" if other == "arm" else "fixed in the cell"
    says = (
        f"either the camera is {where}, or the robot sends its poses the other way round; the two are the same in the"
        f" data: {fits}. The camera would be {distance_m:.2f} m from the {'flange' if other == 'arm' else 'base'}, so"
        f" the {'mount' if likelier else 'pose'} is the likelier fault"
    )
    remedy = f'set [station] mount = "{other}", or let the robot send base_T_flange (the flange in base coordinates).'
    return Finding("mount", "stop", says, {**evidence, "camera_at_m": distance_m}, remedy)


def _in_words(stated: WayToRead, way: WayToRead) -> str:
    parts = []
    if way.reading.length != stated.reading.length:
        parts.append(f"lengths in {way.reading.length}")
    if way.reading.rotation != stated.reading.rotation or way.permuted:
        parts.append(
            way.reading.rotation + (f" with the angles sent in the order {_order(way)}" if way.permuted else "")
        )
    if way.reading.angle != stated.reading.angle and not way.reading.rotation.startswith("quaternion"):
        parts.append(f"angles in {way.reading.angle}")
    if way.inverted:
        parts.append("the other way round (flange_T_base)")
    return ", ".join(parts) or "as stated"


def _order(way: WayToRead) -> str:
    return " ".join(str(k + 1) for k in np.argsort(way.order))


def _lines_to_change(stated: WayToRead, way: WayToRead) -> str:
    lines = [
        f'{key} = "{getattr(way.reading, key)}"'
        for key in ("length", "rotation", "angle")
        if getattr(way.reading, key) != getattr(stated.reading, key)
        and not (key == "angle" and way.reading.rotation.startswith("quaternion"))
    ]
    says = f"in the station file under [robot]: {', '.join(lines)}" if lines else ""
    if way.permuted:
        # The station file has no word for this.
        says += f"{'; and ' if says else ''}let the robot send its three angles in the order in which they are applied"
    terms = f"{way.reading.rotation},{way.reading.angle},{way.reading.length}"
    again = "" if way.permuted else f". What is recorded needs no new picture: eyebolt solve SESSION --reading {terms}"
    return says + again


def _fields_of(pairs: Sequence[Pair]) -> Array | None:
    """The numbers that the robot sent with each pair (n, m); None if any pair has none."""
    rows = [pair.fields for pair in pairs if pair.fields is not None]
    return np.array(rows, dtype=float) if len(rows) == len(pairs) else None
