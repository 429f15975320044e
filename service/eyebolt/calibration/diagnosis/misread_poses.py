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

from eyebolt.calibration.estimation import (
    PLAUSIBLE_RESIDUAL_M,
    JointEstimate,
    Observations,
    best_initial_estimate,
    initial_estimates,
    joint_estimate,
)
from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.problem import PoseConvention, Problem
from eyebolt.errors import InputFault
from eyebolt.geometry import EULER_KINDS, Array, Mount, PoseFormat, se3
from eyebolt.observations import Pair

# The first look at every way of reading the rotation is at so many pairs; more would only cost time.
_SCREENING_PAIRS = 10
_MIN_SCREENED = 8
_MAX_EQUIVALENT = 40
_MAX_ESTIMATED = 4
_MIN_PAIRS = 4
# Less log likelihood than this between two ways, and they are not told apart.
_MIN_LOG_LIKELIHOOD_GAP = 8.0
# A camera on the arm is within about this of the flange.
_MAX_FLANGE_DISTANCE_M = 0.5
_ORDERS = ((0, 1, 2), (0, 2, 1), (1, 0, 2), (1, 2, 0), (2, 0, 1), (2, 1, 0))


@dataclass(frozen=True)
class PoseFormatHypothesis:
    """One way to read the numbers of a pose. ``order``: which of the three angles sent is taken 1st, 2nd, 3rd."""

    pose_format: PoseFormat
    inverted: bool = False
    order: tuple[int, int, int] = (0, 1, 2)

    def poses(self, fields: Array, pose_convention: PoseConvention) -> Array | None:
        """base_T_flange (n, 4, 4) of numbers ``fields`` (n, m), with the tool of ``pose_convention``; None if they mean none."""
        numbers = np.concatenate([fields[:, :3], fields[:, 3:][:, self.order]], axis=1) if self.is_permuted else fields
        try:
            poses = self.pose_format.to_matrices(numbers)
        except InputFault:
            return None
        return pose_convention.remove_tool(se3.inverse(poses) if self.inverted else poses)

    @property
    def is_permuted(self) -> bool:
        """The angles are sent in another order than they are applied in."""
        return self.order != (0, 1, 2)


@dataclass(frozen=True)
class HypothesisFit:
    """How well one way of reading fits: ``coarse_residual_m`` at the board, median over the pairs; the estimate under it."""

    hypothesis: PoseFormatHypothesis
    coarse_residual_m: float
    joint: JointEstimate | None

    @property
    def log_likelihood(self) -> float:
        """Restricted log likelihood under this way of reading; none without an estimate that came to rest."""
        if self.joint is None or not self.joint.converged:
            return -np.inf
        return float(self.joint.fits.log_likelihood[0])


def ranked_hypotheses(
    problem: Problem, observations: Observations, pose_convention: PoseConvention, fields: Array
) -> list[HypothesisFit]:
    """Ways to read ``fields`` (n, m), the best first; always with the one that the station states.

    ``observations``: of the same pairs, in the same order.
    """
    n = len(fields)
    sample = np.unique(np.linspace(0, n - 1, min(n, _SCREENING_PAIRS)).astype(int))
    P = observations.pose_fits.camera_T_board
    screened: list[tuple[float, PoseFormatHypothesis]] = []
    for hypothesis in _rotation_hypotheses(pose_convention.pose_format, fields.shape[1]):
        poses = hypothesis.poses(fields[sample], pose_convention)
        if poses is not None:
            screened.append((_rotation_residual_rad(problem, problem.mount.chain(poses), P[sample]), hypothesis))
    screened.sort(key=lambda look: look[0])
    stated = PoseFormatHypothesis(pose_convention.pose_format)
    # Ways that differ only in the names of the axes turn alike; only the shifts tell them apart.
    equivalent = [
        hypothesis
        for k, (residual_rad, hypothesis) in enumerate(screened)
        if k < _MIN_SCREENED or residual_rad < 1.5 * screened[0][0] + 1e-6
    ]
    hypotheses = [stated] + [
        replace(hypothesis, pose_format=replace(hypothesis.pose_format, length=length))
        for hypothesis in equivalent[:_MAX_EQUIVALENT]
        for length in ("mm", "m", "um")
    ]
    found = [
        _coarse_fit(problem, observations, pose_convention, fields, hypothesis)
        for hypothesis in dict.fromkeys(hypotheses)
    ]
    found.sort(key=lambda f: f.coarse_residual_m)
    last = [f for k, f in enumerate(found) if k < _MAX_ESTIMATED or f.hypothesis == stated]
    return sorted(
        (_with_estimate(problem, observations, pose_convention, fields, f) for f in last),
        key=lambda f: -f.log_likelihood,
    )


def _rotation_hypotheses(stated: PoseFormat, count: int) -> Iterator[PoseFormatHypothesis]:
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
        yield PoseFormatHypothesis(PoseFormat("mm", kind, angle), inverted, order)


def _rotation_residual_rad(problem: Problem, A: Array, P: Array) -> float:
    """Median angle, radians, by which the turns of arm and camera disagree, whatever the shifts."""
    best = np.inf
    for start in initial_estimates(problem, A, P):
        predicted = np.swapaxes(start.X[:3, :3], -1, -2) @ A[:, :3, :3] @ start.Y[:3, :3]
        off = se3.rotation_angle(np.swapaxes(predicted, -1, -2) @ P[:, :3, :3])
        best = min(best, float(np.median(off)))
    return best


def _with_poses(problem: Problem, observations: Observations, poses: Array) -> Observations:
    return replace(observations, A=problem.mount.chain(poses))


def _coarse_fit(
    problem: Problem,
    observations: Observations,
    pose_convention: PoseConvention,
    fields: Array,
    hypothesis: PoseFormatHypothesis,
) -> HypothesisFit:
    poses = hypothesis.poses(fields, pose_convention)
    coarse_residual_m = (
        np.inf if poses is None else best_initial_estimate(problem, _with_poses(problem, observations, poses))[1]
    )
    return HypothesisFit(hypothesis, coarse_residual_m, None)


def _with_estimate(
    problem: Problem, observations: Observations, pose_convention: PoseConvention, fields: Array, found: HypothesisFit
) -> HypothesisFit:
    poses = found.hypothesis.poses(fields, pose_convention)
    if poses is None:
        return found
    read = _with_poses(problem, observations, poses)
    free = replace(problem, robot_noise=None)
    joints: list[JointEstimate] = []
    for start in initial_estimates(free, read.A, read.pose_fits.camera_T_board):
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


def findings_on_pose_format(problem: Problem, observations: Observations, pairs: Sequence[Pair]) -> tuple[Finding, ...]:
    """Whether another way of reading the poses of ``pairs`` (those of ``observations``, in order) fits as it should.

    To be looked for only where the stated way fits so badly that no arm's scatter explains it.
    """
    if len(pairs) < _MIN_PAIRS:
        return ()
    pose_convention = problem.pose_convention
    fields = _fields_of(pairs) if pose_convention is not None else None
    if pose_convention is None or fields is None:
        pose_convention = PoseConvention(PoseFormat())
        fields = np.array([pose_convention.pose_format.to_fields(pair.base_T_flange) for pair in pairs])
    stated = PoseFormatHypothesis(pose_convention.pose_format)
    found = ranked_hypotheses(problem, observations, pose_convention, fields)
    best = found[0]
    if best.hypothesis == stated or best.joint is None or not _is_plausible(best):
        return ()
    as_stated = next(f for f in found if f.hypothesis == stated)
    rivals = [f for f in found[1:] if f.hypothesis != stated and _is_plausible(f)]
    return (_finding(problem, stated, best, as_stated, rivals),)


def _is_plausible(found: HypothesisFit) -> bool:
    return (
        found.joint is not None
        and found.joint.converged
        and found.coarse_residual_m < PLAUSIBLE_RESIDUAL_M
        and found.joint.noise.best.translation_m < PLAUSIBLE_RESIDUAL_M
    )


def _finding(
    problem: Problem,
    stated: PoseFormatHypothesis,
    best: HypothesisFit,
    as_stated: HypothesisFit,
    rivals: Sequence[HypothesisFit],
) -> Finding:
    evidence = {
        "residual_mm": best.coarse_residual_m * 1e3,
        "residual_as_stated_mm": as_stated.coarse_residual_m * 1e3,
        "log_likelihood_gain": best.log_likelihood - max(as_stated.log_likelihood, -1e6),
    }
    if rivals:
        evidence["log_likelihood_over_runner_up"] = best.log_likelihood - rivals[0].log_likelihood
    fits = f"the pictures then agree to {best.coarse_residual_m * 1e3:.2f} mm instead of {as_stated.coarse_residual_m * 1e3:.0f} mm"
    if rivals and best.log_likelihood - rivals[0].log_likelihood < _MIN_LOG_LIKELIHOOD_GAP:
        both = f"{_describe(stated, best.hypothesis)}, or {_describe(stated, rivals[0].hypothesis)}"
        return Finding(
            FindingCode.POSE_FORMAT,
            Severity.STOP,
            f"the poses are not what the station file says, and two ways to read them fit alike: {both} ({fits})",
            evidence,
            "take waypoints that turn by 30 deg and more about all three axes; they tell the two apart.",
        )
    if best.hypothesis.inverted:
        return _inverted_pose_finding(problem, best, fits, evidence)
    return Finding(
        FindingCode.POSE_FORMAT,
        Severity.STOP,
        f"the poses are not what the station file says, but {_describe(stated, best.hypothesis)}: {fits}",
        evidence,
        _lines_to_change(stated, best.hypothesis),
    )


def _inverted_pose_finding(problem: Problem, best: HypothesisFit, fits: str, evidence: dict[str, float]) -> Finding:
    distance_m = float(np.linalg.norm(best.joint.X[:3, 3])) if best.joint is not None else 0.0
    other = problem.mount.other
    near = distance_m < _MAX_FLANGE_DISTANCE_M
    likelier = near == (other is Mount.ARM)
    message = (
        f"either the camera is {other.camera_location}, or the robot sends its poses the other way round; the two are the same in the"
        f" data: {fits}. The camera would be {distance_m:.2f} m from the {other.camera_parent}, so"
        f" the {'mount' if likelier else 'pose'} is the likelier fault"
    )
    remedy = f'set [station] mount = "{other}", or let the robot send base_T_flange (the flange in base coordinates).'
    return Finding(FindingCode.MOUNT, Severity.STOP, message, {**evidence, "camera_distance_m": distance_m}, remedy)


def _describe(stated: PoseFormatHypothesis, hypothesis: PoseFormatHypothesis) -> str:
    parts = []
    if hypothesis.pose_format.length != stated.pose_format.length:
        parts.append(f"lengths in {hypothesis.pose_format.length}")
    if hypothesis.pose_format.rotation != stated.pose_format.rotation or hypothesis.is_permuted:
        parts.append(
            hypothesis.pose_format.rotation
            + (f" with the angles sent in the order {_order(hypothesis)}" if hypothesis.is_permuted else "")
        )
    if hypothesis.pose_format.angle != stated.pose_format.angle and not hypothesis.pose_format.rotation.startswith(
        "quaternion"
    ):
        parts.append(f"angles in {hypothesis.pose_format.angle}")
    if hypothesis.inverted:
        parts.append("the other way round (flange_T_base)")
    return ", ".join(parts) or "as stated"


def _order(hypothesis: PoseFormatHypothesis) -> str:
    return " ".join(str(k + 1) for k in np.argsort(hypothesis.order))


def _lines_to_change(stated: PoseFormatHypothesis, hypothesis: PoseFormatHypothesis) -> str:
    lines = [
        f'{key} = "{getattr(hypothesis.pose_format, key)}"'
        for key in ("length", "rotation", "angle")
        if getattr(hypothesis.pose_format, key) != getattr(stated.pose_format, key)
        and not (key == "angle" and hypothesis.pose_format.rotation.startswith("quaternion"))
    ]
    message = f"in the station file under [robot]: {', '.join(lines)}" if lines else ""
    if hypothesis.is_permuted:
        # The station file has no word for this.
        message += (
            f"{'; and ' if message else ''}let the robot send its three angles in the order in which they are applied"
        )
    pose_convention = (
        f"{hypothesis.pose_format.rotation},{hypothesis.pose_format.angle},{hypothesis.pose_format.length}"
    )
    again = (
        ""
        if hypothesis.is_permuted
        else f". What is recorded needs no new picture: eyebolt solve SESSION --reading {pose_convention}"
    )
    return message + again


def _fields_of(pairs: Sequence[Pair]) -> Array | None:
    """The numbers that the robot sent with each pair (n, m); None if any pair has none."""
    rows = [pair.fields for pair in pairs if pair.fields is not None]
    return np.array(rows, dtype=float) if len(rows) == len(pairs) else None
