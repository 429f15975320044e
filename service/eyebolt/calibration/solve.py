"""The whole way from a problem to a solution or a refusal.

The lens estimated from the pairs beside the transform: only on request, since a lens is better measured by itself.

Every parameter is set free within wide limits and carried along like any lens doubt; the lens is moved to what the
pairs say, and again, until it stays. The answer's error then counts what is not known of the lens.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from eyebolt.calibration.diagnosis import diagnose, findings_on_numbers, in_order
from eyebolt.calibration.estimation import (
    HeldOut,
    JointEstimate,
    Start,
    Views,
    held_out_error,
    leave_one_out,
    linearise,
    missing_height,
    settle_branches,
    slide_to_height,
    turning_about_axes,
    unknown_directions,
    unused_pairs,
)
from eyebolt.calibration.problem import Problem, chain_of
from eyebolt.calibration.robust import FEWEST, Belonging, estimate_without_strangers
from eyebolt.calibration.solution import Estimate, LeftOutPair, Refusal, Solution
from eyebolt.calibration.uncertainty import (
    arm_errors,
    expectation_of,
    expected_error,
    findings_on_limits,
    p95_of_covariance,
    with_touches,
)
from eyebolt.geometry import COEFFICIENT_NAMES, Array, CameraModel
from eyebolt.observations import FEWEST_CORNERS, Pair, PlacedBoard, ViewStack, fit_board_poses, soften_strays

_MORE_TURNING = "tilt the board (or the camera) by 20 deg and more about two different axes between waypoints."


def solve(problem: Problem, checks: Sequence[Pair] = (), placed: Sequence[PlacedBoard] = ()) -> Solution | Refusal:
    """Solves ``problem``; ``checks`` are pairs that only test the result. Never raises on bad data.

    ``placed``: boards that lay still, and where they were touched: never pairs, see ``touches``.
    """
    usable = [p for p in problem.pairs if len(p.ids) >= FEWEST_CORNERS]
    left_out = [
        LeftOutPair(p.index, f"only {len(p.ids)} corners, {FEWEST_CORNERS} are needed")
        for p in problem.pairs
        if len(p.ids) < FEWEST_CORNERS
    ]
    views, usable = _views(problem, usable, left_out)
    if views is None or len(usable) < FEWEST:
        return Refusal(
            "too-few-pairs",
            f"{len(usable)} usable pairs, at least {FEWEST} are needed",
            "capture more waypoints with the board well in view.",
            len(usable),
            left_out=tuple(left_out),
            findings=findings_on_numbers(problem, problem.pairs),
        )
    try:
        with np.errstate(all="ignore"):
            belonging = estimate_without_strangers(problem, views)
    except np.linalg.LinAlgError:
        belonging = None
    outcome = _solved(problem, views, usable, left_out, checks, placed, belonging)
    with np.errstate(all="ignore"):
        solved = belonging if isinstance(outcome, Solution) else None
        diagnosed = diagnose(problem, views, usable, solved)
    return replace(outcome, findings=in_order((*diagnosed, *outcome.findings)))


def _solved(
    problem: Problem,
    views: Views,
    usable: list[Pair],
    left_out: list[LeftOutPair],
    checks: Sequence[Pair],
    placed: Sequence[PlacedBoard],
    found: Belonging | None,
) -> Solution | Refusal:
    if found is None:
        return _not_converged(len(usable), left_out)
    joint, used = found.joint, found.used
    left_out += [LeftOutPair(usable[s.row].index, s.reason) for s in found.left_out]
    kept = int(used.sum())
    if 2 * kept < len(usable) and not found.partings:
        return _not_converged(kept, left_out)
    if not (joint.converged and np.isfinite(joint.covariance).all() and np.isfinite(joint.X).all()):
        unknown = _unknown_words(problem, joint) if np.isfinite(joint.normal).all() else ()
        if unknown:
            return _turns_too_little(views.A[used], unknown, kept, left_out)
        return _not_converged(kept, left_out)
    unknown = _unknown_words(problem, joint)
    if unknown:
        return _turns_too_little(views.A[used], unknown, kept, left_out)
    reported = np.array([p.base_T_flange for p in usable])[used]
    # What was checked on the other side of a move tells of another place of board or camera.
    for parting in found.partings:
        moved_at = usable[parting.row].index
        checks = [check for check in checks if (check.index < moved_at) == parting.kept_before]
    return _solution(problem, joint, views.stack[used], reported, left_out, checks, placed)


def _views(problem: Problem, usable: list[Pair], left_out: list[LeftOutPair]) -> tuple[Views | None, list[Pair]]:
    """Views with a usable board pose; the others go to ``left_out``."""
    if not usable:
        return None, usable
    stack = ViewStack.of(usable, problem.board_corners_m)
    poses = fit_board_poses(problem.camera, stack)
    good = np.isfinite(poses.rss_px2)
    left_out += [
        LeftOutPair(p.index, "the corners allow no board pose (in a line, or outside the lens model)")
        for p, fine in zip(usable, good, strict=True)
        if not fine
    ]
    rows = np.flatnonzero(good)
    usable = [usable[k] for k in rows]
    if not usable:
        return None, usable
    A = chain_of(problem.mount, np.array([p.base_T_flange for p in usable]))
    return Views.of(problem, A, *soften_strays(problem.camera, stack[rows], poses[rows])), usable


def _unknown_words(problem: Problem, joint: JointEstimate) -> tuple[str, ...]:
    return tuple(d.says for d in unknown_directions(problem, joint))


def _turns_too_little(A: Array, unknown: tuple[str, ...], kept: int, left_out: list[LeftOutPair]) -> Refusal:
    turned = np.rad2deg(turning_about_axes(A))
    says = (
        f"the waypoints turn too little to solve: {unknown[0]} cannot be known from these {kept} pairs"
        f" (turning about the three axes, RMS: {turned[0]:.1f}, {turned[1]:.1f}, {turned[2]:.1f} deg)"
    )
    return Refusal("turns-too-little", says, _MORE_TURNING, kept, unknown, tuple(left_out))


def _not_converged(kept: int, left_out: list[LeftOutPair]) -> Refusal:
    return Refusal(
        "not-converged",
        f"no transform fits these {kept} pairs",
        "check that poses and pictures belong together and that mount, units and rotation are stated rightly.",
        kept,
        left_out=tuple(left_out),
    )


def _solution(
    problem: Problem,
    joint: JointEstimate,
    stack: ViewStack,
    reported: Array,
    left_out: list[LeftOutPair],
    checks: Sequence[Pair],
    placed: Sequence[PlacedBoard],
) -> Solution:
    scale, focal, proof = _scale_and_focal(problem, joint)
    X, Y = joint.X, joint.Y
    A = chain_of(problem.mount, reported)
    if problem.turns == "vertical":
        X, Y = slide_to_height(problem, A, X, Y)
    touched = with_touches(problem, joint, X, Y, A, placed, proof)
    best = joint.noise.best
    statement, error_map = expected_error(problem, touched.joint)
    arm = arm_errors(problem, joint, reported, touched.closing)
    residual = joint.seen.residual_px
    held_out = held_out_error(leave_one_out(joint), problem.board_corners_m)
    return Solution(
        mount=problem.mount,
        transform_name=problem.transform_name,
        board_name=problem.board_name,
        X=touched.X,
        Y=touched.Y,
        covariance=touched.joint.covariance[:6, :6],
        expected_error_mm=statement,
        error_map=error_map,
        expected_pick_mm=arm.pick,
        held_out=held_out,
        checks=_checks(problem, joint, checks),
        corner_rms_px=float(np.sqrt((residual**2).sum() / max(np.count_nonzero(residual), 1))),
        robot_noise_mm=best.translation_m * 1e3,
        robot_noise_deg=float(np.rad2deg(best.rotation_rad)),
        robot_noise_stated=joint.noise.stated,
        scale=scale,
        focal=focal,
        proof_p95_mm=touched.proof_p95_mm,
        kept=len(reported),
        left_out=tuple(sorted(left_out, key=lambda p: p.pair)),
        findings=(*touched.findings, *findings_on_limits(problem, joint, arm, stack)),
        unknown=(missing_height(problem),) if touched.height_is_missing else (),
        touches=touched.check,
        height=touched.height,
        lens=_lens(problem, joint),
        expectation=expectation_of(problem.mount, joint, held_out),
    )


def _lens(problem: Problem, joint: JointEstimate) -> dict[str, Estimate]:
    """How far the pairs see each lens parameter of stated sigma off its value."""
    p = joint.model.free.shape[1]
    sigma = np.sqrt(np.maximum(np.diagonal(joint.fits.covariance[0])[p:], 0.0))
    return {
        name: Estimate(float(value), float(doubt))
        for name, value, doubt in zip(problem.camera.sigma, joint.fits.z[0, p:], sigma, strict=True)
    }


def _scale_and_focal(problem: Problem, joint: JointEstimate) -> tuple[Estimate, Estimate, float]:
    """Board scale and focal length estimated beside the transform, and the p95 when both are free."""
    model = joint.model
    fitted = joint.with_scale_and_focal_free(problem.camera)
    covariance = fitted.covariance[0]
    count = model.free.shape[1]
    sigma = np.sqrt(np.maximum(np.diagonal(covariance), 0.0))
    scale, focal = (Estimate(float(fitted.z[0, k]), float(sigma[k])) for k in (count, count + 1))
    # The mixture is wider than the covariance at the most likely noise; keep the wider one.
    of_X = model.free[:6] @ covariance[:count, :count] @ model.free[:6].T
    plain = model.free[:6] @ joint.fits.covariance[0, :count, :count] @ model.free[:6].T
    widened = of_X + np.maximum(joint.covariance[:6, :6] - plain, 0)
    return scale, focal, p95_of_covariance(problem, widened)


def _checks(problem: Problem, joint: JointEstimate, checks: Sequence[Pair]) -> HeldOut | None:
    views, _ = _views(problem, [p for p in checks if len(p.ids) >= FEWEST_CORNERS], [])
    if views is None:
        return None
    views = settle_branches(problem, views, Start(joint.X, joint.Y, "estimate"))
    model = linearise(problem, views.seen, views.A, joint.X, joint.Y)
    return held_out_error(unused_pairs(joint, model), problem.board_corners_m)


# How far a lens file may be off, as standard deviations: shares of the focal length and of the picture's width, and
# plain numbers for what bends the picture. Common practice, no source.
_FOCAL_SHARE, _CENTRE_SHARE, _BENDING = 0.05, 0.03, {"p1": 0.01, "p2": 0.01}
_ANY_BENDING = 0.3
_MOST_ROUNDS = 8
_STAYS = 0.05


def solve_with_lens(
    problem: Problem, checks: Sequence[Pair] = (), placed: Sequence[PlacedBoard] = ()
) -> tuple[Solution | Refusal, CameraModel]:
    """The solution with the lens free, and the lens that it found, with the standard deviations that the pairs give."""
    camera = replace(problem.camera, sigma=_wide(problem.camera))
    for round_number in range(_MOST_ROUNDS):
        outcome = solve(replace(problem, camera=camera), checks, placed)
        if isinstance(outcome, Refusal):
            break
        changes = {name: lens.estimate for name, lens in outcome.lens.items()}
        settled = all(abs(lens.estimate) < _STAYS * lens.sigma for lens in outcome.lens.values())
        if settled or round_number == _MOST_ROUNDS - 1:
            return outcome, replace(
                camera.changed(changes), sigma={name: lens.sigma for name, lens in outcome.lens.items()}
            )
        camera = camera.changed(changes)
    return outcome, problem.camera


def _wide(camera: CameraModel) -> dict[str, float]:
    focal, centre = _FOCAL_SHARE * float(camera.matrix[0, 0]), _CENTRE_SHARE * camera.width_px
    names = COEFFICIENT_NAMES[: camera.distortion.size]
    return {
        "fx": focal,
        "fy": focal,
        "cx": centre,
        "cy": centre,
        **{name: _BENDING.get(name, _ANY_BENDING) for name in names},
    }
