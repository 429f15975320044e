"""solve(): from a problem to a solution or a refusal.

The steps: usable pairs and their board poses; the joint estimate on the inliers (``robust``); observability; error of
the result, checks and touches (``uncertainty``); findings (``diagnosis``).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from eyebolt.calibration.diagnosis import (
    diagnose,
    findings_on_board_and_lens,
    findings_on_corner_numbers,
    prioritized,
)
from eyebolt.calibration.estimation import (
    HeldOutError,
    InitialEstimate,
    JointEstimate,
    Observations,
    chi2_sf,
    describe_missing_height,
    held_out_error,
    is_plausible_noise,
    leave_one_out,
    linearize,
    resolve_tilt_branches,
    rotation_spread,
    slide_to_height,
    unobservable_directions,
    unused_pair_residuals,
)
from eyebolt.calibration.finding import Finding, Severity
from eyebolt.calibration.nuisance_prior import SCALE
from eyebolt.calibration.problem import Problem
from eyebolt.calibration.robust import (
    MIN_PAIRS,
    InlierEstimate,
    estimate_with_print_error,
    find_contradictions,
    is_minority,
    is_wider_prior_preferred,
    robust_estimate,
)
from eyebolt.calibration.solution import (
    BoardBow,
    ExcludedPair,
    ParameterDeviation,
    Refusal,
    RefusalCode,
    Solution,
)
from eyebolt.calibration.uncertainty import (
    TransformError,
    XPosterior,
    apply_touches,
    error_contributions,
    expected_error,
    findings_on_error_budget,
    findings_on_height,
    pick_error,
    predictive_model,
)
from eyebolt.geometry import COEFFICIENT_NAMES, Array, CameraModel, FlangeRotation
from eyebolt.observations import (
    BOW_PARAMETERS,
    MIN_CORNERS,
    CornerField,
    CornerObservations,
    Pair,
    PlacedBoard,
    downweight_outlier_corners,
    fit_board_poses,
    is_duplicate_pose,
)

# Refinement of the lens. Prior standard deviations: of fx and fy relative to the focal length, of cx and cy relative to
# the image width, of the distortion coefficients by themselves. Common practice, no source.
_FOCAL_SIGMA_FRACTION, _CENTRE_SIGMA_FRACTION, _TANGENTIAL_SIGMA = 0.05, 0.03, {"p1": 0.01, "p2": 0.01}
_RADIAL_SIGMA = 0.3
# Far more than a start within these priors needs; the estimate is valid at the last one too.
_MAX_ROUNDS = 8
# A correction below this fraction of its sigma is negligible.
_CONVERGED_SIGMAS = 0.05
# Each of the two groups of parameters, and one of them again under the other's wider prior.
_MAX_WIDENINGS = 3
# What a computation raises on pairs that determine nothing, or on numbers of absurd size.
_NUMERICAL_FAILURES = (np.linalg.LinAlgError, ArithmeticError, cv2.error)


@dataclass(frozen=True)
class _UsablePairs:
    """The pairs whose corners have a board pose."""

    pairs: list[Pair]
    """The usable pairs."""
    observations: Observations | None
    """One row per pair; None without pairs."""
    excluded: list[ExcludedPair]
    """The pairs without a board pose."""


def solve(problem: Problem, checks: Sequence[Pair] = (), placed: Sequence[PlacedBoard] = ()) -> Solution | Refusal:
    """The solution of ``problem``, or a refusal; never raises on bad data.

    ``checks``: pairs that only test the result. ``placed``: boards that lay still while corners of them were touched;
    they test the result and, for arms with a vertical axis only, determine its height.
    """
    try:
        return _solve(problem, checks, placed)
    except _NUMERICAL_FAILURES as failure:
        return _computation_failed(failure, len(problem.pairs))


def _solve(problem: Problem, checks: Sequence[Pair], placed: Sequence[PlacedBoard]) -> Solution | Refusal:
    """The same, without the guard against numerical failures."""
    usable = _usable_pairs(problem, problem.pairs)
    if usable.observations is None or len(usable.pairs) < MIN_PAIRS:
        return Refusal(
            RefusalCode.TOO_FEW_PAIRS,
            f"{len(usable.pairs)} usable pairs, at least {MIN_PAIRS} are needed",
            "capture more waypoints with the board well in view.",
            len(usable.pairs),
            excluded=tuple(usable.excluded),
            findings=findings_on_corner_numbers(problem, problem.pairs),
        )
    observations = _with_capture_order(problem, usable.pairs, usable.observations, checks)
    # Pairs that determine no transforms (one pose throughout, poses of other images) lead to overflow, division by zero
    # and singular matrices. NumPy's warnings are silenced, since ``_outcome`` tests whether the estimate is finite and
    # observable.
    try:
        with np.errstate(all="ignore"):
            problem, observations, inlier_estimate = _estimate_with_consistent_priors(problem, observations)
    except np.linalg.LinAlgError:
        inlier_estimate = None
    outcome = _outcome(problem, observations, usable, checks, placed, inlier_estimate)
    solved = inlier_estimate if isinstance(outcome, Solution) else None
    try:
        with np.errstate(all="ignore"):
            diagnosed = diagnose(problem, observations, usable.pairs, solved)
    except _NUMERICAL_FAILURES as failure:
        # A result without its diagnosis is not to be relied on; a refusal has its reason.
        return outcome if isinstance(outcome, Refusal) else _computation_failed(failure, outcome.pairs_used)
    on_board_and_lens: tuple[Finding, ...] = ()
    # A stop names the same fault, or a graver one of which a prior that had to give way is a consequence.
    if isinstance(outcome, Solution) and not any(finding.severity is Severity.STOP for finding in diagnosed):
        on_board_and_lens = findings_on_board_and_lens(problem, outcome)
    return replace(outcome, findings=prioritized((*diagnosed, *on_board_and_lens, *outcome.findings)))


def _estimate_with_consistent_priors(
    problem: Problem, observations: Observations
) -> tuple[Problem, Observations, InlierEstimate]:
    """The robust estimate, repeated under a wider prior of board or lens as long as the pairs contradict it.

    Also returns problem and observations with the prior of that estimate.
    """
    problem, observations, inlier_estimate = estimate_with_print_error(problem, observations)
    for _ in range(_MAX_WIDENINGS):
        widened = _with_wider_prior(problem, observations, inlier_estimate)
        if widened is None:
            break
        problem, observations, inlier_estimate = widened
    return problem, observations, inlier_estimate


def _with_wider_prior(
    problem: Problem, observations: Observations, inlier_estimate: InlierEstimate
) -> tuple[Problem, Observations, InlierEstimate] | None:
    """The estimate under a prior of board or lens as wide as the pairs need it; None if they bear the prior out."""
    joint = inlier_estimate.joint
    # An estimate that has absorbed another fault shows nothing about board and lens.
    if not (joint.converged and is_plausible_noise(joint.noise.best)):
        return None
    reported = problem.mount.chain(observations.A[inlier_estimate.used])
    found = find_contradictions(joint, problem.nuisance_prior, reported)
    for group in dict.fromkeys(one.group for one in found):
        estimates = []
        for contradiction in (one for one in found if one.group is group):
            wider = replace(problem, prior_override=contradiction.widened(problem.nuisance_prior, problem.camera))
            seen = observations.seen_with(wider, observations.corners, observations.pose_fits)
            estimates.append((wider, seen, robust_estimate(wider, seen)))
        # The evidence of other pairs cannot be compared: pairs that fit again are reason enough.
        best = max(estimates, key=lambda one: (one[2].used.sum(), one[2].joint.noise.log_evidence))
        more = int(best[2].used.sum()) - int(inlier_estimate.used.sum())
        if more > 0 or (
            more == 0 and is_wider_prior_preferred(joint, best[2].joint, reported, problem.correlated_error_range_m)
        ):
            return best
    return None


def _usable_pairs(problem: Problem, pairs: Sequence[Pair]) -> _UsablePairs:
    reasons = [_unusable_reason(pair) for pair in pairs]
    enough = [pair for pair, reason in zip(pairs, reasons, strict=True) if reason is None]
    excluded = [
        ExcludedPair(pair.index, reason) for pair, reason in zip(pairs, reasons, strict=True) if reason is not None
    ]
    if not enough:
        return _UsablePairs([], None, excluded)
    corners = CornerObservations.from_pairs(enough, problem.board_corners_m)
    fits = fit_board_poses(problem.camera, corners)
    has_pose = np.isfinite(fits.rss_px2)
    excluded += [
        ExcludedPair(p.index, "the corners determine no board pose (on a line, or outside the range of the lens model)")
        for p, good in zip(enough, has_pose, strict=True)
        if not good
    ]
    rows = np.flatnonzero(has_pose)
    usable = [enough[k] for k in rows]
    if not usable:
        return _UsablePairs([], None, excluded)
    A = problem.mount.chain(np.array([p.base_T_flange for p in usable]))
    corners, fits = downweight_outlier_corners(
        problem.camera, corners[rows], fits[rows], CornerField.of(problem.board_corners_m)
    )
    return _UsablePairs(usable, Observations.of(problem, A, corners, fits), excluded)


def _capture_order(pairs: Sequence[Pair], session: Sequence[Pair]) -> Array:
    """(n,): place of ``pairs`` in the order of capture of the ``session``.

    Not the clock: a replay at another speed, and a clock that was set, must leave the result as it is. A program stops
    at its waypoints at an even pace, and the rate of a drift is stated by the clock all the same.
    """
    order = np.sort([pair.index for pair in session])
    return np.searchsorted(order, [pair.index for pair in pairs]).astype(float)


def _with_capture_order(
    problem: Problem, pairs: Sequence[Pair], observations: Observations, checks: Sequence[Pair]
) -> Observations:
    """The ``observations`` of ``pairs`` in their order of capture, the checks at the pose of a pair as repeats."""
    poses = np.array([pair.base_T_flange for pair in pairs])
    usable = _usable_pairs(problem, [check for check in checks if is_duplicate_pose(check.base_T_flange, poses).any()])
    session, repeats = [*pairs, *usable.pairs], usable.observations
    if repeats is not None:
        repeats = replace(repeats, capture_order=_capture_order(usable.pairs, session))
    return replace(observations, capture_order=_capture_order(pairs, session), repeats=repeats)


def _unusable_reason(pair: Pair) -> str | None:
    """Why the numbers of a pair cannot be used; None if they can."""
    if len(pair.ids) < MIN_CORNERS:
        return f"only {len(pair.ids)} corners, {MIN_CORNERS} are needed"
    if not (np.isfinite(pair.base_T_flange).all() and np.isfinite(pair.corners_px).all()):
        return "a number of its pose or corners is not finite"
    return None


def _outcome(
    problem: Problem,
    observations: Observations,
    usable: _UsablePairs,
    checks: Sequence[Pair],
    placed: Sequence[PlacedBoard],
    inlier_estimate: InlierEstimate | None,
) -> Solution | Refusal:
    """The outcome for ``inlier_estimate`` (None: there is none), without the findings of ``diagnose``."""
    if inlier_estimate is None:
        return _not_converged(len(usable.pairs), usable.excluded)
    joint, used = inlier_estimate.joint, inlier_estimate.used
    excluded = usable.excluded + [ExcludedPair(usable.pairs[s.row].index, s.reason) for s in inlier_estimate.excluded]
    pairs_used = int(used.sum())
    # After a change point the segment used may be a minority, and is nevertheless consistent.
    if is_minority(pairs_used, len(usable.pairs)) and not inlier_estimate.change_points:
        return _not_converged(pairs_used, excluded)
    is_finite = np.isfinite(joint.covariance).all() and np.isfinite(joint.X).all()
    # An estimate that does not converge may be one that the pairs do not determine, which is the better explanation.
    unobservable = _unobservable_directions(problem, joint) if np.isfinite(joint.normal).all() else ()
    if unobservable:
        return _insufficient_rotation(problem, observations.A[used], unobservable, pairs_used, excluded)
    if not (joint.converged and is_finite):
        return _not_converged(pairs_used, excluded)
    reported = np.array([p.base_T_flange for p in usable.pairs])[used]
    # Checks on the other side of a change point refer to another pose of board or camera.
    for change_point in inlier_estimate.change_points:
        moved_at = usable.pairs[change_point.row].index
        checks = [check for check in checks if (check.index < moved_at) == change_point.kept_before]
    return _solution(problem, joint, observations.subset(used), reported, excluded, checks, placed)


def _unobservable_directions(problem: Problem, joint: JointEstimate) -> tuple[str, ...]:
    return tuple(d.description for d in unobservable_directions(problem, joint))


def _insufficient_rotation(
    problem: Problem, A: Array, unobservable: tuple[str, ...], pairs_used: int, excluded: list[ExcludedPair]
) -> Refusal:
    spread = np.rad2deg(rotation_spread(A))
    message = (
        f"the waypoints rotate too little: {unobservable[0]} is unobservable from these {pairs_used} pairs"
        f" (RMS rotation about three axes: {spread[0]:.1f}, {spread[1]:.1f}, {spread[2]:.1f} deg)"
    )
    remedy = (
        "tilt the board (or the camera) by 20 deg and more about two different axes between waypoints."
        if problem.flange_rotation is FlangeRotation.FREE
        else "rotate the flange about the vertical by 30 deg and more between waypoints."
    )
    code = RefusalCode.INSUFFICIENT_ROTATION
    return Refusal(code, message, remedy, pairs_used, unobservable, tuple(excluded))


def _computation_failed(failure: Exception, pairs: int) -> Refusal:
    return Refusal(
        RefusalCode.NOT_CONVERGED,
        f"these {pairs} pairs determine no transforms: the computation failed ({str(failure).strip()})",
        "look for poses and images that repeat, and for numbers of absurd size; capture waypoints that differ.",
        pairs,
    )


def _not_converged(pairs_used: int, excluded: list[ExcludedPair]) -> Refusal:
    return Refusal(
        RefusalCode.NOT_CONVERGED,
        f"no transforms fit these {pairs_used} pairs",
        "check that each pose is that of its image and that mount, units and rotation are stated correctly.",
        pairs_used,
        excluded=tuple(excluded),
    )


def _solution(
    problem: Problem,
    joint: JointEstimate,
    observations: Observations,
    reported: Array,
    excluded: list[ExcludedPair],
    checks: Sequence[Pair],
    placed: Sequence[PlacedBoard],
) -> Solution:
    """``observations`` and ``reported`` base_T_flange (n, 4, 4): those of the pairs used."""
    held_out = held_out_error(leave_one_out(joint), problem.board_corners_m)
    with_drift, joint = joint, joint.without_drift()
    X, Y = joint.X, joint.Y
    A = problem.mount.chain(reported)
    if problem.flange_rotation is FlangeRotation.VERTICAL:
        X, Y = slide_to_height(problem, A, X, Y)
    touched = apply_touches(problem, joint, X, Y, A, placed)
    noise = joint.noise.best
    X_error = TransformError.of(joint, reported, touched.height_update)
    posterior = XPosterior.of(problem, touched.joint, X_error)
    summary, error_map = expected_error(problem, posterior)
    pick = pick_error(problem, joint, reported, X_error)
    height = touched.height(posterior.covariance)
    matrix = problem.camera.matrix
    touched_covariance = touched.joint.covariance[:6, :6]
    contributions = error_contributions(
        problem, with_drift, touched.error_transfer, touched_covariance, posterior.covariance
    )
    return Solution(
        mount=problem.mount,
        X=touched.X,
        Y=touched.Y,
        covariance=posterior.covariance,
        expected_error_mm=summary,
        error_map=error_map,
        error_contributions_mm=contributions,
        expected_pick_error_mm=pick.summary,
        remaining_pick_error_mm=pick.remaining_mm,
        held_out=held_out,
        checks=_check_error(problem, joint, checks),
        corner_rms_px=_corner_rms_px(problem, joint, observations),
        robot_noise_mm=noise.translation_m * 1e3,
        robot_noise_deg=float(np.rad2deg(noise.rotation_rad)),
        robot_noise_prior_dof=joint.noise.prior.dof,
        board_scale=_deviation(problem, joint, {SCALE: 1.0}),
        focal_length=_deviation(problem, joint, {"fx": 0.5 / matrix[0, 0], "fy": 0.5 / matrix[1, 1]}),
        board_bow=_board_bow(problem, joint),
        pairs_used=len(reported),
        excluded=tuple(sorted(excluded, key=lambda p: p.pair)),
        findings=(
            *touched.findings,
            *findings_on_height(problem, height),
            *findings_on_error_budget(joint, contributions, pick, observations.corners),
        ),
        unobservable=(describe_missing_height(problem),) if touched.height_is_missing else (),
        touches=touched.check,
        height=height,
        lens={name: _deviation(problem, joint, {name: 1.0}) for name in problem.nuisance_prior.lens_names},
        prediction=predictive_model(problem, joint),
    )


def _corner_rms_px(problem: Problem, joint: JointEstimate, observations: Observations) -> float:
    """RMS of the corner residuals of the pairs used, with board, lens and errors of the arm as estimated."""
    residual = observations.residual_px(
        problem, joint.camera_T_board, joint.board_poses.nuisance_jacobian, joint.nuisances
    )
    return float(np.sqrt((residual**2).sum() / max(int(np.count_nonzero(residual)), 1)))


def _board_bow(problem: Problem, joint: JointEstimate) -> BoardBow:
    """The bow of the board, how far it moves the result, and how clear it is."""
    prior, points = problem.nuisance_prior, problem.board_corners_m
    root = prior.root[[prior.names.index(name) for name in BOW_PARAMETERS]]
    bow, bow_covariance = root @ joint.nuisances, root @ joint.covariance[12:, 12:] @ root.T
    # The change of X if the bow were known to be none: regression of X on the bow, by their covariance.
    shift = joint.covariance[:6, 12:] @ root.T @ np.linalg.solve(bow_covariance, bow)
    heights = prior.corner_field.basis(points)
    highest, lowest = np.argmax(heights @ bow), np.argmin(heights @ bow)
    between = heights[highest] - heights[lowest]
    x, xy, y = (_deviation(problem, joint, {name: 1e3}) for name in BOW_PARAMETERS)
    return BoardBow(
        x=x,
        xy=xy,
        y=y,
        flatness_mm=1e3 * float(between @ bow),
        flatness_sigma_mm=1e3 * float(np.sqrt(max(float(between @ bow_covariance @ between), 0.0))),
        effect_mm=1e3 * float(np.sqrt(max(float(shift @ problem.displacement_metric @ shift), 0.0))),
        p_value=float(chi2_sf(len(bow), float(bow @ np.linalg.solve(bow_covariance, bow)))),
    )


def _deviation(problem: Problem, joint: JointEstimate, weights: Mapping[str, float]) -> ParameterDeviation:
    """The sum of the raw nuisance parameters, each times its weight."""
    prior = problem.nuisance_prior
    functional = prior.functional(weights)
    variance = functional @ joint.covariance[12:, 12:] @ functional
    return ParameterDeviation(
        float(functional @ joint.nuisances),
        float(np.sqrt(max(float(variance), 0.0))),
        float(np.linalg.norm(functional)),
        prior.sources[prior.names.index(next(iter(weights)))],
    )


def _check_error(problem: Problem, joint: JointEstimate, checks: Sequence[Pair]) -> HeldOutError | None:
    observations = _usable_pairs(problem, checks).observations
    if observations is None:
        return None
    observations = resolve_tilt_branches(problem, observations, InitialEstimate(joint.X, joint.Y, "joint estimate"))
    model = linearize(problem, observations.board_poses, observations.A, joint.X, joint.Y)
    return held_out_error(unused_pair_residuals(joint, model), problem.board_corners_m)


def solve_with_free_intrinsics(
    problem: Problem, checks: Sequence[Pair] = (), placed: Sequence[PlacedBoard] = ()
) -> tuple[Solution | Refusal, CameraModel]:
    """The outcome with all lens parameters estimated under wide priors, and the refined lens with its sigmas.

    On request only, since a lens is better calibrated by itself. The lens is moved to its estimate and the problem
    linearised anew, until the corrections are negligible. The error of the result includes that of the lens. After a
    refusal the lens is the stated one.
    """
    camera = replace(problem.camera, sigma=_wide_sigmas(problem.camera), correlation=None)
    for round_number in range(_MAX_ROUNDS):
        outcome = solve(replace(problem, camera=camera), checks, placed)
        if isinstance(outcome, Refusal):
            break
        refined = {name: outcome.lens[name] for name in camera.sigma}
        changes = {name: lens.deviation for name, lens in refined.items()}
        # The lens of the last round is returned even if not converged: the estimate and its covariance are valid there,
        # and a correction of a fraction of its sigma is within the stated error.
        converged = all(abs(lens.deviation) < _CONVERGED_SIGMAS * lens.sigma for lens in refined.values())
        if converged or round_number == _MAX_ROUNDS - 1:
            return outcome, replace(
                camera.perturbed(changes), sigma={name: lens.sigma for name, lens in refined.items()}
            )
        camera = camera.perturbed(changes)
    return outcome, problem.camera


def _wide_sigmas(camera: CameraModel) -> dict[str, float]:
    focal, centre = _FOCAL_SIGMA_FRACTION * float(camera.matrix[0, 0]), _CENTRE_SIGMA_FRACTION * camera.width_px
    names = COEFFICIENT_NAMES[: camera.distortion.size]
    return {
        "fx": focal,
        "fy": focal,
        "cx": centre,
        "cy": centre,
        **{name: _TANGENTIAL_SIGMA.get(name, _RADIAL_SIGMA) for name in names},
    }
