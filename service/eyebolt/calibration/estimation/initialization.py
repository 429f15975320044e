"""Initial estimates of X and Y in closed form, robust against gross outliers, and the coarse residuals they leave.

All solve ``X P_i = A_i Y`` for P_i = camera_T_board as fitted to view i alone. The rotation is found first, then both
translations by linear least squares. Two ways to the rotation fail in different places: one works on the rotation
matrices (unaffected by half turns, but noisy for small rotations), one on the rotation vectors of the motions between
waypoints (accurate for small rotations, undefined near half a turn). A third, on translations, serves arms that did not
rotate; it only has to be good enough to name what is unobservable.

One gross outlier spoils a closed form over all pairs. ``consensus_start`` therefore lets minimal sets of pairs propose
estimates and takes the one with the least median residual (least median of squares: P. J. Rousseeuw, J. American
Statistical Association 79, 1984).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eyebolt.calibration.estimation.linearization import Observations
from eyebolt.calibration.estimation.vertical_axis import one_axis_estimates, slide_to_plausible, vertical_directions
from eyebolt.calibration.problem import Problem
from eyebolt.geometry import Array, FlangeRotation, se3

Mask = NDArray[np.bool_]

# Rotation vectors near half a turn have an uncertain sign.
_MAX_ROTATION_RAD = np.deg2rad(170.0)
# Below this the arm counts as not rotating.
_NO_ROTATION_RAD = np.deg2rad(2.0)
# Of the motions between pairs; a bounded number keeps long sessions fast.
_MAX_MOTIONS = 2000
# Where 35 % are outliers, a set of four pairs is free of them with probability 0.65^4 = 0.18, and one of sixty all but
# certainly.
_MINIMAL_SETS = 60
# A start with a larger median, or a pair this many medians off, calls for the search over minimal sets; an outlier of
# the start lies this many medians off. Common practice, no source.
_POOR_RESIDUAL_M = 0.005
_SUSPECT_MEDIANS, _OUTLIER_MEDIANS = 4, 8
# A tilt branch is worth considering while its residual sum of squares is within this factor of the other's: of a dozen
# corners or more, an F ratio beyond any chance. Common practice, no source.
_AMBIGUOUS_RSS_RATIO = 4

GROSS_RESIDUAL_M = 0.004
"""Median coarse residual, metres, above which a fault affects all pairs. Common practice, no source."""
PLAUSIBLE_RESIDUAL_M = 0.003
"""Median coarse residual, metres, below which poses and images may correspond. Common practice, no source."""


@dataclass(frozen=True)
class InitialEstimate:
    """An estimate to start from."""

    X: Array
    """(4, 4), metres."""
    Y: Array
    """(4, 4), metres."""
    method: str
    """Name of the closed form, or where else the estimate is from."""


def closed_form_estimates(A: Array, P: Array) -> list[InitialEstimate]:
    """Closed-form estimates from transforms of the arm ``A`` and board poses ``P``, both (n, 4, 4), n >= 2."""
    rotations = [("rotation-matrices", _rotation_from_matrices(A, P)), ("motion-vectors", _rotation_from_motions(A, P))]
    if not _rotates(A):
        rotations.append(("translation-vectors", _rotation_from_translations(A, P)))
    return [_solve_translations(A, P, rotation, method) for method, rotation in rotations]


def initial_estimates(problem: Problem, A: Array, P: Array) -> list[InitialEstimate]:
    """The closed forms that suit the arm; one with a vertical axis only has its own (``one_axis_estimates``)."""
    if problem.flange_rotation is FlangeRotation.FREE:
        return closed_form_estimates(A, P)
    starts = []
    for R_X, translations in one_axis_estimates(A, P, vertical_directions(problem, A)[0]):
        X = se3.compose_parts(R_X, translations[:3])
        Y = se3.compose_parts(_board_rotation(A, P, R_X), translations[3:])
        starts.append(InitialEstimate(X, Y, "one-axis"))
    if not _rotates(A):
        starts.append(_solve_translations(A, P, _rotation_from_translations(A, P), "translation-vectors"))
    return [InitialEstimate(*slide_to_plausible(problem, A, s.X, s.Y), s.method) for s in starts]


def _rotates(A: Array) -> bool:
    """Whether the arm rotates between the waypoints."""
    return bool(se3.rotation_angle(A[0, :3, :3].T @ A[:, :3, :3]).max() >= _NO_ROTATION_RAD)


def _board_rotation(A: Array, P: Array, R_X: Array) -> Array:
    """The mean R_Y (3, 3) of all pairs under ``R_X`` (3, 3)."""
    return se3.nearest_rotation((np.swapaxes(A[:, :3, :3], -1, -2) @ R_X @ P[:, :3, :3]).sum(axis=0))


def _rotation_from_matrices(A: Array, P: Array) -> Array:
    """R_X that maximises sum tr(R_Y^T R_Ai^T R_X R_Pi) over matrices of unit norm, projected onto the rotations.

    With row-wise vec the sum is vec(R_Y)^T K vec(R_X), K = sum R_Ai^T (x) R_Pi^T; it is largest for the leading pair of
    singular vectors of K.
    """
    RA, RP = A[:, :3, :3], P[:, :3, :3]
    # entry ((i, j), (k, l)) = sum_n RA[n, k, i] RP[n, l, j]
    K = np.einsum("nki,nlj->ijkl", RA, RP).reshape(9, 9)
    _, _, Vt = np.linalg.svd(K)
    R = Vt[0].reshape(3, 3)
    return se3.nearest_rotation(R if np.linalg.det(R) > 0 else -R)


def _rotation_from_motions(A: Array, P: Array) -> Array:
    """R_X that best maps the rotation vectors of the camera's motions to those of the arm (orthogonal Procrustes)."""
    first, second = np.triu_indices(len(A), k=1)
    if len(first) > _MAX_MOTIONS:
        chosen = np.linspace(0, len(first) - 1, _MAX_MOTIONS).astype(int)
        first, second = first[chosen], second[chosen]
    a = se3.log_rotation(A[first, :3, :3] @ np.swapaxes(A[second, :3, :3], -1, -2))
    p = se3.log_rotation(P[first, :3, :3] @ np.swapaxes(P[second, :3, :3], -1, -2))
    usable = np.maximum(np.linalg.norm(a, axis=1), np.linalg.norm(p, axis=1)) < _MAX_ROTATION_RAD
    if usable.sum() < 2:
        usable[:] = True
    return se3.nearest_rotation(a[usable].T @ p[usable])


def _rotation_from_translations(A: Array, P: Array) -> Array:
    """R_X for an arm that only translated: it maps the translations of the board poses to those of the arm."""
    a, p = A[:, :3, 3], P[:, :3, 3]
    return se3.nearest_rotation((a - a.mean(axis=0)).T @ (p - p.mean(axis=0)))


def _solve_translations(A: Array, P: Array, R_X: Array, method: str) -> InitialEstimate:
    RA = A[:, :3, :3]
    R_Y = _board_rotation(A, P, R_X)
    # R_Ai t_Y - t_X = R_X t_Pi - t_Ai
    design = np.concatenate([RA, np.broadcast_to(-np.eye(3), RA.shape)], axis=-1).reshape(-1, 6)
    right = (P[:, :3, 3] @ R_X.T - A[:, :3, 3]).reshape(-1)
    translations = np.linalg.lstsq(design, right, rcond=1e-10)[0]
    return InitialEstimate(se3.compose_parts(R_X, translations[3:]), se3.compose_parts(R_Y, translations[:3]), method)


def coarse_residuals_m(problem: Problem, observations: Observations, start: InitialEstimate) -> Array:
    """(n,), metres: RMS distance of the board's first and last corner between prediction and observed pose."""
    predicted = se3.inverse(start.X) @ observations.A @ start.Y
    extent = problem.board_corners_m[[0, -1]]
    moved = se3.apply(predicted, extent) - se3.apply(observations.pose_fits.camera_T_board, extent)
    out: Array = np.sqrt((moved**2).sum(axis=-1).mean(axis=-1))
    return out


def best_initial_estimate(problem: Problem, observations: Observations) -> tuple[InitialEstimate, float]:
    """The closed form with the least median coarse residual over all pairs, and that median, metres."""
    starts = initial_estimates(problem, observations.A, observations.pose_fits.camera_T_board)
    residuals_m = [float(np.median(coarse_residuals_m(problem, observations, start))) for start in starts]
    best = int(np.argmin(residuals_m))
    return starts[best], residuals_m[best]


def consensus_start(problem: Problem, observations: Observations) -> tuple[InitialEstimate, Mask]:
    """The initial estimate that most pairs agree with, and the inliers (n,) of it."""
    P = observations.pose_fits.camera_T_board
    starts = initial_estimates(problem, observations.A, P)
    residuals = [coarse_residuals_m(problem, observations, s) for s in starts]
    best = int(np.argmin([np.median(s) for s in residuals]))
    start, residual_m = starts[best], residuals[best]
    median = float(np.median(residual_m))
    if len(P) < 5 or (residual_m.max() < _SUSPECT_MEDIANS * median and median < _POOR_RESIDUAL_M):
        return start, np.ones(len(P), dtype=bool)
    for minimal_set in _minimal_sets(len(P)):
        for candidate in initial_estimates(problem, observations.A[minimal_set], P[minimal_set]):
            trial_m = coarse_residuals_m(problem, observations, candidate)
            if np.median(trial_m) < 0.5 * np.median(residual_m):
                start, residual_m = candidate, trial_m
    inliers = residual_m < _OUTLIER_MEDIANS * np.median(residual_m)
    # Where the residuals overflow, none is smaller than the others.
    return start, inliers if inliers.any() else np.ones(len(P), dtype=bool)


def _minimal_sets(count: int) -> Iterator[NDArray[np.intp]]:
    """Random sets of rows from a fixed seed: the same session always has the same result."""
    generator = np.random.Generator(np.random.PCG64(7))
    for _ in range(_MINIMAL_SETS):
        yield generator.choice(count, size=4 if count > 5 else 3, replace=False)


def resolve_tilt_branches(problem: Problem, observations: Observations, start: InitialEstimate) -> Observations:
    """The observations with, for each view whose two planar tilt branches fit about equally well, the branch that is
    closer to the prediction of ``start``."""
    fits = observations.pose_fits
    predicted = se3.inverse(start.X) @ observations.A @ start.Y
    ambiguous = fits.other_rss_px2 < _AMBIGUOUS_RSS_RATIO * fits.rss_px2 + 1e-12
    first = se3.rotation_angle(np.swapaxes(predicted, -1, -2)[..., :3, :3] @ fits.camera_T_board[..., :3, :3])
    second = se3.rotation_angle(np.swapaxes(predicted, -1, -2)[..., :3, :3] @ fits.other_branch[..., :3, :3])
    swap = ambiguous & (second < first)
    if not swap.any():
        return observations
    return observations.seen_with(problem, observations.corners, fits.with_branches_swapped(swap))
