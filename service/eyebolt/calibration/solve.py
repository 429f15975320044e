"""The whole way from a problem to a solution or a refusal.

The lens estimated from the pairs beside the transform: only on request, since a lens is better measured by itself.

Every parameter is set free within wide limits and carried along like any lens doubt; the lens is moved to what the
pairs say, and again, until it stays. The answer's error then counts what is not known of the lens.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from eyebolt.calibration.diagnosis import diagnose, findings_on_corner_numbers, prioritized
from eyebolt.calibration.estimation import (
    HeldOutError,
    InitialEstimate,
    JointEstimate,
    Observations,
    describe_missing_height,
    held_out_error,
    leave_one_out,
    linearize,
    resolve_tilt_branches,
    rotation_spread,
    slide_to_height,
    unobservable_directions,
    unused_pair_residuals,
)
from eyebolt.calibration.problem import Problem
from eyebolt.calibration.robust import MIN_PAIRS, InlierEstimate, robust_estimate
from eyebolt.calibration.solution import ExcludedPair, ParameterDeviation, Refusal, Solution
from eyebolt.calibration.uncertainty import (
    apply_touches,
    expected_error,
    findings_on_error_budget,
    p95_of_covariance,
    pick_error,
    predictive_model,
)
from eyebolt.geometry import COEFFICIENT_NAMES, Array, CameraModel, FlangeRotation
from eyebolt.observations import (
    MIN_CORNERS,
    CornerObservations,
    Pair,
    PlacedBoard,
    downweight_outlier_corners,
    fit_board_poses,
)

_MORE_ROTATION = "tilt the board (or the camera) by 20 deg and more about two different axes between waypoints."


def solve(problem: Problem, checks: Sequence[Pair] = (), placed: Sequence[PlacedBoard] = ()) -> Solution | Refusal:
    """Solves ``problem``; ``checks`` are pairs that only test the result. Never raises on bad data.

    ``placed``: boards that lay still, and where they were touched: never pairs, see ``touches``.
    """
    usable = [p for p in problem.pairs if len(p.ids) >= MIN_CORNERS]
    excluded = [
        ExcludedPair(p.index, f"only {len(p.ids)} corners, {MIN_CORNERS} are needed")
        for p in problem.pairs
        if len(p.ids) < MIN_CORNERS
    ]
    observations, usable = _observations(problem, usable, excluded)
    if observations is None or len(usable) < MIN_PAIRS:
        return Refusal(
            "too-few-pairs",
            f"{len(usable)} usable pairs, at least {MIN_PAIRS} are needed",
            "capture more waypoints with the board well in view.",
            len(usable),
            excluded=tuple(excluded),
            findings=findings_on_corner_numbers(problem, problem.pairs),
        )
    try:
        with np.errstate(all="ignore"):
            inlier_estimate = robust_estimate(problem, observations)
    except np.linalg.LinAlgError:
        inlier_estimate = None
    outcome = _solved(problem, observations, usable, excluded, checks, placed, inlier_estimate)
    with np.errstate(all="ignore"):
        solved = inlier_estimate if isinstance(outcome, Solution) else None
        diagnosed = diagnose(problem, observations, usable, solved)
    return replace(outcome, findings=prioritized((*diagnosed, *outcome.findings)))


def _solved(
    problem: Problem,
    observations: Observations,
    usable: list[Pair],
    excluded: list[ExcludedPair],
    checks: Sequence[Pair],
    placed: Sequence[PlacedBoard],
    found: InlierEstimate | None,
) -> Solution | Refusal:
    if found is None:
        return _not_converged(len(usable), excluded)
    joint, used = found.joint, found.used
    excluded += [ExcludedPair(usable[s.row].index, s.reason) for s in found.excluded]
    pairs_used = int(used.sum())
    if 2 * pairs_used < len(usable) and not found.change_points:
        return _not_converged(pairs_used, excluded)
    if not (joint.converged and np.isfinite(joint.covariance).all() and np.isfinite(joint.X).all()):
        unobservable = _unobservable_directions(problem, joint) if np.isfinite(joint.normal).all() else ()
        if unobservable:
            return _insufficient_rotation(observations.A[used], unobservable, pairs_used, excluded)
        return _not_converged(pairs_used, excluded)
    unobservable = _unobservable_directions(problem, joint)
    if unobservable:
        return _insufficient_rotation(observations.A[used], unobservable, pairs_used, excluded)
    reported = np.array([p.base_T_flange for p in usable])[used]
    # What was checked on the other side of a move tells of another place of board or camera.
    for change_point in found.change_points:
        moved_at = usable[change_point.row].index
        checks = [check for check in checks if (check.index < moved_at) == change_point.kept_before]
    return _solution(problem, joint, observations.corners[used], reported, excluded, checks, placed)


def _observations(
    problem: Problem, usable: list[Pair], excluded: list[ExcludedPair]
) -> tuple[Observations | None, list[Pair]]:
    """Views with a usable board pose; the others go to ``excluded``."""
    if not usable:
        return None, usable
    stack = CornerObservations.from_pairs(usable, problem.board_corners_m)
    poses = fit_board_poses(problem.camera, stack)
    good = np.isfinite(poses.rss_px2)
    excluded += [
        ExcludedPair(p.index, "the corners allow no board pose (in a line, or outside the lens model)")
        for p, fine in zip(usable, good, strict=True)
        if not fine
    ]
    rows = np.flatnonzero(good)
    usable = [usable[k] for k in rows]
    if not usable:
        return None, usable
    A = problem.mount.chain(np.array([p.base_T_flange for p in usable]))
    return Observations.of(problem, A, *downweight_outlier_corners(problem.camera, stack[rows], poses[rows])), usable


def _unobservable_directions(problem: Problem, joint: JointEstimate) -> tuple[str, ...]:
    return tuple(d.description for d in unobservable_directions(problem, joint))


def _insufficient_rotation(
    A: Array, unobservable: tuple[str, ...], pairs_used: int, excluded: list[ExcludedPair]
) -> Refusal:
    turned = np.rad2deg(rotation_spread(A))
    message = (
        f"the waypoints turn too little to solve: {unobservable[0]} cannot be known from these {pairs_used} pairs"
        f" (turning about the three axes, RMS: {turned[0]:.1f}, {turned[1]:.1f}, {turned[2]:.1f} deg)"
    )
    return Refusal("insufficient-rotation", message, _MORE_ROTATION, pairs_used, unobservable, tuple(excluded))


def _not_converged(pairs_used: int, excluded: list[ExcludedPair]) -> Refusal:
    return Refusal(
        "not-converged",
        f"no transform fits these {pairs_used} pairs",
        "check that poses and pictures belong together and that mount, units and rotation are stated rightly.",
        pairs_used,
        excluded=tuple(excluded),
    )


def _solution(
    problem: Problem,
    joint: JointEstimate,
    stack: CornerObservations,
    reported: Array,
    excluded: list[ExcludedPair],
    checks: Sequence[Pair],
    placed: Sequence[PlacedBoard],
) -> Solution:
    board_scale, focal_length, proof = _scale_and_focal(problem, joint)
    X, Y = joint.X, joint.Y
    A = problem.mount.chain(reported)
    if problem.flange_rotation is FlangeRotation.VERTICAL:
        X, Y = slide_to_height(problem, A, X, Y)
    touched = apply_touches(problem, joint, X, Y, A, placed, proof)
    best = joint.noise.best
    summary, error_map = expected_error(problem, touched.joint)
    arm = pick_error(problem, joint, reported, touched.height_update)
    residual = joint.board_poses.residual_px
    held_out = held_out_error(leave_one_out(joint), problem.board_corners_m)
    return Solution(
        mount=problem.mount,
        transform_name=problem.mount.transform_name,
        board_transform_name=problem.mount.board_transform_name,
        X=touched.X,
        Y=touched.Y,
        covariance=touched.joint.covariance[:6, :6],
        expected_error_mm=summary,
        error_map=error_map,
        expected_pick_error_mm=arm.pick,
        held_out=held_out,
        checks=_checks(problem, joint, checks),
        corner_rms_px=float(np.sqrt((residual**2).sum() / max(np.count_nonzero(residual), 1))),
        robot_noise_mm=best.translation_m * 1e3,
        robot_noise_deg=float(np.rad2deg(best.rotation_rad)),
        robot_noise_stated=joint.noise.stated,
        board_scale=board_scale,
        focal_length=focal_length,
        p95_with_nuisances_mm=touched.p95_with_nuisances_mm,
        pairs_used=len(reported),
        excluded=tuple(sorted(excluded, key=lambda p: p.pair)),
        findings=(*touched.findings, *findings_on_error_budget(problem, joint, arm, stack)),
        unobservable=(describe_missing_height(problem),) if touched.height_is_missing else (),
        touches=touched.check,
        height=touched.height,
        lens=_lens(problem, joint),
        prediction=predictive_model(problem.mount, joint, held_out),
    )


def _lens(problem: Problem, joint: JointEstimate) -> dict[str, ParameterDeviation]:
    """How far the pairs see each lens parameter of stated sigma off its value."""
    p = joint.model.observable_basis.shape[1]
    sigma = np.sqrt(np.maximum(np.diagonal(joint.fits.covariance[0])[p:], 0.0))
    return {
        name: ParameterDeviation(float(value), float(uncertainty))
        for name, value, uncertainty in zip(problem.camera.sigma, joint.fits.z[0, p:], sigma, strict=True)
    }


def _scale_and_focal(problem: Problem, joint: JointEstimate) -> tuple[ParameterDeviation, ParameterDeviation, float]:
    """Board scale and focal length estimated beside the transform, and the p95 when both are free."""
    model = joint.model
    fitted = joint.with_scale_and_focal_free(problem.camera)
    covariance = fitted.covariance[0]
    count = model.observable_basis.shape[1]
    sigma = np.sqrt(np.maximum(np.diagonal(covariance), 0.0))
    scale, focal = (ParameterDeviation(float(fitted.z[0, k]), float(sigma[k])) for k in (count, count + 1))
    # Widened where the mixture is wider than the fit at the most likely noise, element by element.
    of_X = model.observable_basis[:6] @ covariance[:count, :count] @ model.observable_basis[:6].T
    widened = of_X + np.maximum(joint.covariance_excess(slice(6)), 0)
    return scale, focal, p95_of_covariance(problem, widened)


def _checks(problem: Problem, joint: JointEstimate, checks: Sequence[Pair]) -> HeldOutError | None:
    observations, _ = _observations(problem, [p for p in checks if len(p.ids) >= MIN_CORNERS], [])
    if observations is None:
        return None
    observations = resolve_tilt_branches(problem, observations, InitialEstimate(joint.X, joint.Y, "estimate"))
    model = linearize(problem, observations.board_poses, observations.A, joint.X, joint.Y)
    return held_out_error(unused_pair_residuals(joint, model), problem.board_corners_m)


# How far a lens file may be off, as standard deviations: shares of the focal length and of the picture's width, and
# plain numbers for what bends the picture. Common practice, no source.
_FOCAL_SIGMA_FRACTION, _CENTRE_SIGMA_FRACTION, _TANGENTIAL_SIGMA = 0.05, 0.03, {"p1": 0.01, "p2": 0.01}
_RADIAL_SIGMA = 0.3
_MAX_ROUNDS = 8
_CONVERGED_SIGMAS = 0.05


def solve_with_free_intrinsics(
    problem: Problem, checks: Sequence[Pair] = (), placed: Sequence[PlacedBoard] = ()
) -> tuple[Solution | Refusal, CameraModel]:
    """The solution with the lens free, and the lens that it found, with the standard deviations that the pairs give."""
    camera = replace(problem.camera, sigma=_with_wide_sigmas(problem.camera))
    for round_number in range(_MAX_ROUNDS):
        outcome = solve(replace(problem, camera=camera), checks, placed)
        if isinstance(outcome, Refusal):
            break
        changes = {name: lens.deviation for name, lens in outcome.lens.items()}
        converged = all(abs(lens.deviation) < _CONVERGED_SIGMAS * lens.sigma for lens in outcome.lens.values())
        if converged or round_number == _MAX_ROUNDS - 1:
            return outcome, replace(
                camera.perturbed(changes), sigma={name: lens.sigma for name, lens in outcome.lens.items()}
            )
        camera = camera.perturbed(changes)
    return outcome, problem.camera


def _with_wide_sigmas(camera: CameraModel) -> dict[str, float]:
    focal, centre = _FOCAL_SIGMA_FRACTION * float(camera.matrix[0, 0]), _CENTRE_SIGMA_FRACTION * camera.width_px
    names = COEFFICIENT_NAMES[: camera.distortion.size]
    return {
        "fx": focal,
        "fy": focal,
        "cx": centre,
        "cy": centre,
        **{name: _TANGENTIAL_SIGMA.get(name, _RADIAL_SIGMA) for name in names},
    }
