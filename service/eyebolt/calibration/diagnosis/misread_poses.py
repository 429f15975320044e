"""Check of the pose format: Euler order, angle unit, quaternion order, length unit, inverse poses.

Every pose format that a controller may use is a hypothesis: the numbers that the robot sent are converted under each of
them. The closed form ranks the hypotheses, first by the rotations alone, then by the coarse residual; the best few are
estimated, and the restricted likelihood decides. Inverse poses and a camera on the other mount give the same data, so
that finding names both.
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
from eyebolt.calibration.robust import evenly_spaced_rows
from eyebolt.errors import InputFault
from eyebolt.geometry import EULER_KINDS, Array, Mount, PoseFormat, se3
from eyebolt.observations import Pair

# Every rotation format is screened on at most this many pairs; more would only cost time.
_SCREENING_PAIRS = 10
# The best formats by rotation are kept: at least so many, and all that rotate as well as the best one. Formats that
# differ only in the names of the axes do so; up to 24 Euler kinds, a vector and two directions.
_MIN_SCREENED = 8
_MAX_EQUIVALENT = 40
# Hypotheses that are estimated; each costs as much as a solve.
_MAX_ESTIMATED = 4
# Three pairs fit too many formats.
_MIN_PAIRS = 4
# Two hypotheses whose log likelihoods differ by less are both reported: a likelihood ratio of 3000. Common practice, no
# source.
_MIN_LOG_LIKELIHOOD_GAP = 8.0
# A camera on the arm is at most this far from the flange. Common practice, no source.
_MAX_FLANGE_DISTANCE_M = 0.5
_ORDERS = ((0, 1, 2), (0, 2, 1), (1, 0, 2), (1, 2, 0), (2, 0, 1), (2, 1, 0))


@dataclass(frozen=True)
class PoseFormatHypothesis:
    """A hypothesis on the numbers of a pose."""

    pose_format: PoseFormat
    """Format of the numbers."""
    inverted: bool = False
    """Whether the numbers are those of flange_T_base."""
    order: tuple[int, int, int] = (0, 1, 2)
    """Indices of the sent angles in the order in which the format takes them."""

    def poses(self, fields: Array, pose_convention: PoseConvention) -> Array | None:
        """base_T_flange (n, 4, 4) of ``fields`` (n, m), without the tool; None if the numbers are not poses."""
        numbers = np.concatenate([fields[:, :3], fields[:, 3:][:, self.order]], axis=1) if self.is_permuted else fields
        try:
            poses = self.pose_format.to_matrices(numbers)
        except InputFault:
            return None
        return pose_convention.remove_tool(se3.inverse(poses) if self.inverted else poses)

    @property
    def is_permuted(self) -> bool:
        """Whether the angles are sent in another order than they are applied in."""
        return self.order != (0, 1, 2)


@dataclass(frozen=True)
class HypothesisFit:
    """How well the pairs fit under one hypothesis."""

    hypothesis: PoseFormatHypothesis
    """The hypothesis."""
    coarse_residual_m: float
    """Coarse residual at the board, metres, median over the pairs; infinite if the numbers are not poses."""
    joint: JointEstimate | None
    """Joint estimate under the hypothesis; only for the best few."""

    @property
    def log_likelihood(self) -> float:
        """Restricted log likelihood under the hypothesis; minus infinity without a converged estimate."""
        if self.joint is None or not self.joint.converged:
            return -np.inf
        return float(self.joint.fits.log_likelihood[0])


def ranked_hypotheses(
    problem: Problem, observations: Observations, pose_convention: PoseConvention, fields: Array
) -> list[HypothesisFit]:
    """The hypotheses that were estimated, the most likely first, among them always the stated one.

    ``fields`` (n, m): the numbers of the poses; ``observations``: of the same pairs, in the same order.
    """
    n = len(fields)
    sample = evenly_spaced_rows(n, _SCREENING_PAIRS)
    P = observations.pose_fits.camera_T_board
    screened: list[tuple[float, PoseFormatHypothesis]] = []
    for hypothesis in _rotation_hypotheses(pose_convention.pose_format, fields.shape[1]):
        poses = hypothesis.poses(fields[sample], pose_convention)
        if poses is not None:
            screened.append((_rotation_residual_rad(problem, problem.mount.chain(poses), P[sample]), hypothesis))
    screened.sort(key=lambda one: one[0])
    stated = PoseFormatHypothesis(pose_convention.pose_format)
    # Formats that differ only in the names of the axes give equal rotations; only translations separate them.
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
    """Every rotation format of a pose of ``count`` numbers, each also inverted."""
    kinds: list[tuple[str, str, tuple[int, int, int]]] = []
    if count == 7:
        kinds = [(kind, stated.angle, (0, 1, 2)) for kind in ("quaternion-wxyz", "quaternion-xyzw")]
    elif count == 4:
        kinds = [("angle-z", angle, (0, 1, 2)) for angle in ("deg", "rad", "1e-4deg")]
    else:
        for angle in ("deg", "rad", "1e-4deg"):
            kinds.append(("rotation-vector", angle, (0, 1, 2)))
            kinds += [(kind, angle, (0, 1, 2)) for kind in EULER_KINDS]
            # Angles sent in another order than they are applied in, for kinds about three different axes. The reversed
            # order is another kind already, and so is each extrinsic kind.
            for kind in EULER_KINDS:
                if kind[-3:].isupper() and len(set(kind[-3:])) == 3:
                    kinds += [(kind, angle, order) for order in _ORDERS[1:-1]]
    for (kind, angle, order), inverted in itertools.product(kinds, (False, True)):
        yield PoseFormatHypothesis(PoseFormat("mm", kind, angle), inverted, order)


def _rotation_residual_rad(problem: Problem, A: Array, P: Array) -> float:
    """Median angle, rad, between predicted and observed board rotations, from the rotations alone."""
    best = np.inf
    for start in initial_estimates(problem, A, P):
        predicted = np.swapaxes(start.X[:3, :3], -1, -2) @ A[:, :3, :3] @ start.Y[:3, :3]
        residual_rad = se3.rotation_angle(np.swapaxes(predicted, -1, -2) @ P[:, :3, :3])
        best = min(best, float(np.median(residual_rad)))
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
    """The finding that the poses of ``pairs`` fit under another pose format than the stated one.

    ``observations``: of the same pairs, in the same order. To be called only where the stated format leaves a gross
    residual, which no pose noise explains.
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
    if best.hypothesis == stated or best.joint is None or not _is_plausible_fit(best):
        return ()
    as_stated = next(f for f in found if f.hypothesis == stated)
    rivals = [f for f in found[1:] if f.hypothesis != stated and _is_plausible_fit(f)]
    return (_finding(problem, stated, best, as_stated, rivals),)


def _is_plausible_fit(found: HypothesisFit) -> bool:
    """Whether the pairs fit under the hypothesis as those of a usable arm do.

    Unlike ``is_plausible_noise`` it limits the translation noise only, and not the rotation noise. The coarse residual
    at the board is limited as well, and rotation errors contribute to that.
    """
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
    fits = (
        f"poses and images then agree to {best.coarse_residual_m * 1e3:.2f} mm instead of"
        f" {as_stated.coarse_residual_m * 1e3:.0f} mm"
    )
    if rivals and best.log_likelihood - rivals[0].log_likelihood < _MIN_LOG_LIKELIHOOD_GAP:
        both = f"{_describe(stated, best.hypothesis)}, or {_describe(stated, rivals[0].hypothesis)}"
        return Finding(
            FindingCode.POSE_FORMAT,
            Severity.STOP,
            "the poses are not in the format that the station file states, and two formats fit equally well: they have"
            f" {both} ({fits})",
            evidence,
            "take waypoints that rotate by 30 deg and more about all three axes; they separate the two.",
        )
    if best.hypothesis.inverted:
        return _inverted_pose_finding(problem, best, fits, evidence)
    return Finding(
        FindingCode.POSE_FORMAT,
        Severity.STOP,
        "the poses are not in the format that the station file states, but have"
        f" {_describe(stated, best.hypothesis)}: {fits}",
        evidence,
        _pose_format_remedy(stated, best.hypothesis),
    )


def _inverted_pose_finding(problem: Problem, best: HypothesisFit, fits: str, evidence: dict[str, float]) -> Finding:
    distance_m = float(np.linalg.norm(best.joint.X[:3, 3])) if best.joint is not None else 0.0
    other = problem.mount.other
    near = distance_m < _MAX_FLANGE_DISTANCE_M
    likelier = near == (other is Mount.ARM)
    message = (
        f"either the camera is {other.camera_location}, or the robot sends inverse poses (flange_T_base); both give the"
        f" same data: {fits}. The camera would be {distance_m:.2f} m from the {other.camera_parent}, so"
        f" the {'mount' if likelier else 'pose'} is the likelier fault"
    )
    remedy = f'set [station] mount = "{other}", or let the robot send base_T_flange (the flange in base coordinates).'
    return Finding(FindingCode.MOUNT, Severity.STOP, message, {**evidence, "camera_distance_m": distance_m}, remedy)


def _describe(stated: PoseFormatHypothesis, hypothesis: PoseFormatHypothesis) -> str:
    """What the hypothesis changes of the stated format; completes "the poses have"."""
    parts = []
    if hypothesis.pose_format.length != stated.pose_format.length:
        parts.append(f"lengths in {hypothesis.pose_format.length}")
    if hypothesis.pose_format.rotation != stated.pose_format.rotation or hypothesis.is_permuted:
        parts.append(
            f"the rotation {hypothesis.pose_format.rotation}"
            + (f" with the angles sent in the order {_order(hypothesis)}" if hypothesis.is_permuted else "")
        )
    if hypothesis.pose_format.angle != stated.pose_format.angle and not hypothesis.pose_format.rotation.startswith(
        "quaternion"
    ):
        parts.append(f"angles in {hypothesis.pose_format.angle}")
    if hypothesis.inverted:
        parts.append("inverse poses (flange_T_base)")
    return ", ".join(parts) or "the stated format"


def _order(hypothesis: PoseFormatHypothesis) -> str:
    """The order of the sent angles, such as "3 2 1"."""
    return " ".join(str(k + 1) for k in np.argsort(hypothesis.order))


def _pose_format_remedy(stated: PoseFormatHypothesis, hypothesis: PoseFormatHypothesis) -> str:
    lines = [
        f'{key} = "{getattr(hypothesis.pose_format, key)}"'
        for key in ("length", "rotation", "angle")
        if getattr(hypothesis.pose_format, key) != getattr(stated.pose_format, key)
        and not (key == "angle" and hypothesis.pose_format.rotation.startswith("quaternion"))
    ]
    remedy = f"in the station file under [robot] set {', '.join(lines)}" if lines else ""
    if hypothesis.is_permuted:
        # The station file has no key for this.
        remedy += (
            f"{'; and ' if remedy else ''}let the robot send its three angles in the order in which they are applied"
        )
        return f"{remedy}."
    found = hypothesis.pose_format
    pose_format = f"{found.rotation},{found.angle},{found.length}"
    # The command ends the line, so that it can be copied.
    return f"{remedy}. The recorded pairs remain usable: eyebolt solve SESSION --pose-format {pose_format}"


def _fields_of(pairs: Sequence[Pair]) -> Array | None:
    """Numbers (n, m) that the robot sent with each pair; None if a pair has none."""
    rows = [pair.fields for pair in pairs if pair.fields is not None]
    return np.array(rows, dtype=float) if len(rows) == len(pairs) else None
