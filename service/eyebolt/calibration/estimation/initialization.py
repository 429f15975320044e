"""A start value in closed form: X and Y from ``X P_i = A_i Y``, with P_i the board poses seen by the camera.

Two ways that fail in different places: one works on the rotation matrices themselves (half turns do no harm, but
small turns drown in noise), one on rotation vectors of the motions between waypoints (sharp for small turns, blind
near half a turn). The joint estimate decides which start it prefers.

Where most pairs agree: the start of the estimate, free of gross strangers, and each view's tilt branch.

One wrong picture would spoil a closed form over all pairs, so small groups of pairs each propose a solution and the
one that most pairs agree with is taken.

How far pictures and poses are apart before anything fine is estimated: gross faults show here.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eyebolt.calibration.estimation.linearization import Observations
from eyebolt.calibration.estimation.vertical_axis import one_axis_estimate, slide_to_plausible, vertical_directions
from eyebolt.calibration.problem import Problem
from eyebolt.geometry import Array, FlangeRotation, se3

_MAX_ROTATION_RAD = np.deg2rad(170.0)
_NO_ROTATION_RAD = np.deg2rad(2.0)


@dataclass(frozen=True)
class InitialEstimate:
    """``X`` and ``Y`` (4, 4), metres, and ``method``: which of the closed forms gave them."""

    X: Array
    Y: Array
    method: str


def closed_form_estimates(A: Array, P: Array) -> list[InitialEstimate]:
    """Start values from chain poses ``A`` (n, 4, 4) and board poses ``P`` (n, 4, 4); n >= 2."""
    rotations = [("rotation-matrices", _rotation_from_matrices(A, P)), ("motion-vectors", _rotation_from_motions(A, P))]
    if se3.rotation_angle(A[0, :3, :3].T @ A[:, :3, :3]).max() < _NO_ROTATION_RAD:
        rotations.append(("translation-vectors", _rotation_from_translations(A, P)))
    return [_solve_translations(A, P, rotation, method) for method, rotation in rotations]


def initial_estimates(problem: Problem, A: Array, P: Array) -> list[InitialEstimate]:
    """The starts that suit the arm: for one that turns about the vertical only, there is a way of its own."""
    if problem.flange_rotation is FlangeRotation.FREE:
        return closed_form_estimates(A, P)
    R_X, translations = one_axis_estimate(A, P, vertical_directions(problem, A)[0])
    R_Y = se3.nearest_rotation((np.swapaxes(A[:, :3, :3], -1, -2) @ R_X @ P[:, :3, :3]).sum(axis=0))
    X, Y = se3.compose_parts(R_X, translations[:3]), se3.compose_parts(R_Y, translations[3:])
    return [InitialEstimate(*slide_to_plausible(problem, A, X, Y), "one-axis")]


def _rotation_from_matrices(A: Array, P: Array) -> Array:
    """R_X that maximises sum tr(R_Y^T R_Ai^T R_X R_Pi) over matrices of unit size, then made a rotation.

    The sum is vec(R_Y)^T K vec(R_X) with K = sum R_Ai^T (x) R_Pi^T for row-wise vec; the best pair of vectors is the
    leading singular pair of K.
    """
    RA, RP = A[:, :3, :3], P[:, :3, :3]
    # entry ((i, j), (k, l)) = sum_n RA[n, k, i] RP[n, l, j]
    K = np.einsum("nki,nlj->ijkl", RA, RP).reshape(9, 9)
    _, _, Vt = np.linalg.svd(K)
    R = Vt[0].reshape(3, 3)
    return se3.nearest_rotation(R if np.linalg.det(R) > 0 else -R)


def _rotation_from_motions(A: Array, P: Array) -> Array:
    """R_X that best carries the rotation vectors of the camera's motions onto the arm's (orthogonal Procrustes)."""
    first, second = np.triu_indices(len(A), k=1)
    # Far-apart waypoints carry most; a bounded number of motions keeps long sessions fast.
    if len(first) > 2000:
        chosen = np.linspace(0, len(first) - 1, 2000).astype(int)
        first, second = first[chosen], second[chosen]
    a = se3.log_rotation(A[first, :3, :3] @ np.swapaxes(A[second, :3, :3], -1, -2))
    p = se3.log_rotation(P[first, :3, :3] @ np.swapaxes(P[second, :3, :3], -1, -2))
    usable = np.maximum(np.linalg.norm(a, axis=1), np.linalg.norm(p, axis=1)) < _MAX_ROTATION_RAD
    if usable.sum() < 2:
        usable[:] = True
    return se3.nearest_rotation(a[usable].T @ p[usable])


def _rotation_from_translations(A: Array, P: Array) -> Array:
    """R_X for an arm that only shifted: it carries the board's shifts, as the camera saw them, onto the arm's."""
    a, p = A[:, :3, 3], P[:, :3, 3]
    return se3.nearest_rotation((a - a.mean(axis=0)).T @ (p - p.mean(axis=0)))


def _solve_translations(A: Array, P: Array, R_X: Array, method: str) -> InitialEstimate:
    RA = A[:, :3, :3]
    R_Y = se3.nearest_rotation((np.swapaxes(RA, -1, -2) @ R_X @ P[:, :3, :3]).sum(axis=0))
    # R_Ai t_Y - t_X = R_X t_Pi - t_Ai
    design = np.concatenate([RA, np.broadcast_to(-np.eye(3), RA.shape)], axis=-1).reshape(-1, 6)
    wanted = (P[:, :3, 3] @ R_X.T - A[:, :3, 3]).reshape(-1)
    translations = np.linalg.lstsq(design, wanted, rcond=1e-10)[0]
    return InitialEstimate(se3.compose_parts(R_X, translations[3:]), se3.compose_parts(R_Y, translations[:3]), method)


Mask = NDArray[np.bool_]

_MINIMAL_SETS = 60
_POOR_RESIDUAL_M = 0.005


def consensus_start(problem: Problem, observations: Observations) -> tuple[InitialEstimate, Mask]:
    """The closed form that most pairs agree with, and which rows (n,) bool agree with it."""
    P = observations.pose_fits.camera_T_board
    starts = initial_estimates(problem, observations.A, P)
    residuals = [coarse_residuals_m(problem, observations, s) for s in starts]
    best = int(np.argmin([np.median(s) for s in residuals]))
    start, residual_m = starts[best], residuals[best]
    # Groups are tried only where the start is poor or a pair stands out; a clean session needs none.
    median = float(np.median(residual_m))
    if len(P) < 5 or (residual_m.max() < 4 * median and median < _POOR_RESIDUAL_M):
        return start, np.ones(len(P), dtype=bool)
    for minimal_set in _minimal_sets(len(P)):
        for candidate in initial_estimates(problem, observations.A[minimal_set], P[minimal_set]):
            trial_m = coarse_residuals_m(problem, observations, candidate)
            if np.median(trial_m) < 0.5 * np.median(residual_m):
                start, residual_m = candidate, trial_m
    inliers = residual_m < 8 * np.median(residual_m)
    return start, inliers


def _minimal_sets(count: int) -> Iterator[NDArray[np.intp]]:
    """Always the same small groups, so that a session gives the same answer every time."""
    generator = np.random.Generator(np.random.PCG64(7))
    for _ in range(_MINIMAL_SETS):
        yield generator.choice(count, size=4 if count > 5 else 3, replace=False)


def coarse_residuals_m(problem: Problem, observations: Observations, start: InitialEstimate) -> Array:
    """Distance in metres (n,) at the board between prediction and picture; the measure for coarse agreement."""
    predicted = se3.inverse(start.X) @ observations.A @ start.Y
    extent = problem.board_corners_m[[0, -1]]
    moved = se3.apply(predicted, extent) - se3.apply(observations.pose_fits.camera_T_board, extent)
    out: Array = np.sqrt((moved**2).sum(axis=-1).mean(axis=-1))
    return out


def resolve_tilt_branches(problem: Problem, observations: Observations, start: InitialEstimate) -> Observations:
    """Of each view's two planar tilt branches, the one that the other views agree with, where both are plausible."""
    poses = observations.pose_fits
    predicted = se3.inverse(start.X) @ observations.A @ start.Y
    ambiguous = poses.other_rss_px2 < 4 * poses.rss_px2 + 1e-12
    first = se3.rotation_angle(np.swapaxes(predicted, -1, -2)[..., :3, :3] @ poses.camera_T_board[..., :3, :3])
    second = se3.rotation_angle(np.swapaxes(predicted, -1, -2)[..., :3, :3] @ poses.other_branch[..., :3, :3])
    swap = ambiguous & (second < first)
    if not swap.any():
        return observations
    return Observations.of(problem, observations.A, observations.corners, poses.with_branches_swapped(swap))


# Medians at the board: pairs this bad have something wrong with all of them; pairs this good may be right.
GROSS_RESIDUAL_M, PLAUSIBLE_RESIDUAL_M = 0.004, 0.003


def best_initial_estimate(problem: Problem, observations: Observations) -> tuple[InitialEstimate, float]:
    """The closed form that fits ``observations`` best, and its misfit at the board in metres, median over the pairs."""
    starts = initial_estimates(problem, observations.A, observations.pose_fits.camera_T_board)
    residuals_m = [float(np.median(coarse_residuals_m(problem, observations, start))) for start in starts]
    best = int(np.argmin(residuals_m))
    return starts[best], residuals_m[best]
