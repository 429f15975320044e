"""A start value in closed form: X and Y from ``X P_i = A_i Y``, with P_i the board poses seen by the camera.

Two ways that fail in different places: one works on the rotation matrices themselves (half turns do no harm, but
small turns drown in noise), one on rotation vectors of the motions between waypoints (sharp for small turns, blind
near half a turn). The joint estimate decides which start it prefers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eyebolt.geometry import rigid
from eyebolt.geometry.rigid import Array
from eyebolt.solve.problem import Problem
from eyebolt.solve.vertical import one_axis_start, slide_to_plausible, verticals

_LARGEST_TURN_RAD = np.deg2rad(170.0)
_NO_TURN_RAD = np.deg2rad(2.0)


@dataclass(frozen=True)
class Start:
    """``X`` and ``Y`` (4, 4), metres, and ``way``: which of the closed forms gave them."""

    X: Array
    Y: Array
    way: str


def closed_form_starts(A: Array, P: Array) -> list[Start]:
    """Start values from chain poses ``A`` (n, 4, 4) and board poses ``P`` (n, 4, 4); n >= 2."""
    rotations = [("rotation-matrices", _turn_from_matrices(A, P)), ("motion-vectors", _turn_from_motions(A, P))]
    if rigid.rotation_angle(A[0, :3, :3].T @ A[:, :3, :3]).max() < _NO_TURN_RAD:
        rotations.append(("shift-vectors", _turn_from_shifts(A, P)))
    return [_complete(A, P, rotation, way) for way, rotation in rotations]


def starts_for(problem: Problem, A: Array, P: Array) -> list[Start]:
    """The starts that suit the arm: for one that turns about the vertical only, there is a way of its own."""
    if problem.turns == "free":
        return closed_form_starts(A, P)
    R_X, shifts = one_axis_start(A, P, verticals(problem, A)[0])
    R_Y = rigid.nearest_rotation((np.swapaxes(A[:, :3, :3], -1, -2) @ R_X @ P[:, :3, :3]).sum(axis=0))
    X, Y = rigid.compose_parts(R_X, shifts[:3]), rigid.compose_parts(R_Y, shifts[3:])
    return [Start(*slide_to_plausible(problem, A, X, Y), "one-axis")]


def _turn_from_matrices(A: Array, P: Array) -> Array:
    """R_X that maximises sum tr(R_Y^T R_Ai^T R_X R_Pi) over matrices of unit size, then made a rotation.

    The sum is vec(R_Y)^T K vec(R_X) with K = sum R_Ai^T (x) R_Pi^T for row-wise vec; the best pair of vectors is the
    leading singular pair of K.
    """
    RA, RP = A[:, :3, :3], P[:, :3, :3]
    # entry ((i, j), (k, l)) = sum_n RA[n, k, i] RP[n, l, j]
    K = np.einsum("nki,nlj->ijkl", RA, RP).reshape(9, 9)
    _, _, Vt = np.linalg.svd(K)
    R = Vt[0].reshape(3, 3)
    return rigid.nearest_rotation(R if np.linalg.det(R) > 0 else -R)


def _turn_from_motions(A: Array, P: Array) -> Array:
    """R_X that best carries the rotation vectors of the camera's motions onto the arm's (orthogonal Procrustes)."""
    first, second = np.triu_indices(len(A), k=1)
    # Far-apart waypoints carry most; a bounded number of motions keeps long sessions fast.
    if len(first) > 2000:
        chosen = np.linspace(0, len(first) - 1, 2000).astype(int)
        first, second = first[chosen], second[chosen]
    a = rigid.log_rotation(A[first, :3, :3] @ np.swapaxes(A[second, :3, :3], -1, -2))
    p = rigid.log_rotation(P[first, :3, :3] @ np.swapaxes(P[second, :3, :3], -1, -2))
    usable = np.maximum(np.linalg.norm(a, axis=1), np.linalg.norm(p, axis=1)) < _LARGEST_TURN_RAD
    if usable.sum() < 2:
        usable[:] = True
    return rigid.nearest_rotation(a[usable].T @ p[usable])


def _turn_from_shifts(A: Array, P: Array) -> Array:
    """R_X for an arm that only shifted: it carries the board's shifts, as the camera saw them, onto the arm's."""
    a, p = A[:, :3, 3], P[:, :3, 3]
    return rigid.nearest_rotation((a - a.mean(axis=0)).T @ (p - p.mean(axis=0)))


def _complete(A: Array, P: Array, R_X: Array, way: str) -> Start:
    RA = A[:, :3, :3]
    R_Y = rigid.nearest_rotation((np.swapaxes(RA, -1, -2) @ R_X @ P[:, :3, :3]).sum(axis=0))
    # R_Ai t_Y - t_X = R_X t_Pi - t_Ai
    design = np.concatenate([RA, np.broadcast_to(-np.eye(3), RA.shape)], axis=-1).reshape(-1, 6)
    wanted = (P[:, :3, 3] @ R_X.T - A[:, :3, 3]).reshape(-1)
    shifts = np.linalg.lstsq(design, wanted, rcond=1e-10)[0]
    return Start(rigid.compose_parts(R_X, shifts[3:]), rigid.compose_parts(R_Y, shifts[:3]), way)
