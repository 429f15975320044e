"""Rigid transforms as (..., 4, 4) arrays and the one perturbation rule of the project.

``target_T_source`` takes source coordinates to target. A small change is always ``T * exp(xi)`` with
``xi = (translation, rotation)`` in metres and radians, and every covariance is in that order.
All functions accept leading batch dimensions.

Formulas of exp, log and the Jacobian of SE(3): J. Sola, J. Deray, D. Atchuthan, "A micro Lie theory for state
estimation in robotics", 2018, equations 145-150 and 172-180.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.floating[Any]]
RowSelection = NDArray[np.bool_] | NDArray[np.intp]
"""A selection of n rows: a mask (n,) or row numbers."""
Row4 = tuple[float, float, float, float]
Matrix4 = tuple[Row4, Row4, Row4, Row4]
"""A transform as nested tuples, for records."""

# Below these angles the closed forms lose more digits than their series.
_SMALL_RAD = 1e-4
_SERIES_RAD = 0.3
_IDENTITY = np.eye(3)
_LAST_ROW = np.array([0.0, 0.0, 0.0, 1.0])


def skew(vector: ArrayLike) -> Array:
    """Cross-product matrix (..., 3, 3) of ``vector`` (..., 3)."""
    v = np.asarray(vector, dtype=float)
    out = np.zeros((*v.shape[:-1], 3, 3))
    out[..., 0, 1], out[..., 0, 2] = -v[..., 2], v[..., 1]
    out[..., 1, 0], out[..., 1, 2] = v[..., 2], -v[..., 0]
    out[..., 2, 0], out[..., 2, 1] = -v[..., 1], v[..., 0]
    return out


def compose_parts(rotation: ArrayLike, translation_m: ArrayLike) -> Array:
    """(..., 4, 4) from rotation (..., 3, 3) and translation (..., 3) in metres."""
    R = np.asarray(rotation, dtype=float)
    t = np.asarray(translation_m, dtype=float)
    out = np.empty((*np.broadcast_shapes(R.shape[:-2], t.shape[:-1]), 4, 4))
    out[..., :3, :3] = R
    out[..., :3, 3] = t
    out[..., 3, :] = _LAST_ROW
    return out


def to_matrix4(target_T_source: Array) -> Matrix4:
    """A transform (4, 4) as nested tuples, in the unit that it has."""
    a, b, c, d = (tuple(row) for row in target_T_source.tolist())
    return a, b, c, d


def inverse(target_T_source: ArrayLike) -> Array:
    """source_T_target, (..., 4, 4)."""
    T = np.asarray(target_T_source, dtype=float)
    Rt = np.swapaxes(T[..., :3, :3], -1, -2)
    out = np.empty(T.shape)
    out[..., :3, :3] = Rt
    out[..., :3, 3:] = -Rt @ T[..., :3, 3:]
    out[..., 3, :] = _LAST_ROW
    return out


def apply(target_T_source: ArrayLike, points_m: ArrayLike) -> Array:
    """Points (..., K, 3), metres, transformed from source to target coordinates."""
    T = np.asarray(target_T_source, dtype=float)
    p = np.asarray(points_m, dtype=float)
    out: Array = p @ np.swapaxes(T[..., :3, :3], -1, -2) + T[..., None, :3, 3]
    return out


def _coefficients(angle_rad: Array) -> tuple[Array, Array, Array]:
    """sin(a)/a, (1-cos a)/a^2, (a-sin a)/a^3 with their series near zero."""
    a2 = angle_rad**2
    small = angle_rad < _SMALL_RAD
    safe = np.where(small, 1.0, angle_rad)
    first = np.where(small, 1 - a2 / 6, np.sin(safe) / safe)
    # 1 - cos(a) loses digits for small a; 2 sin^2(a/2) does not.
    second = np.where(small, 0.5 - a2 / 24, 2 * np.sin(safe / 2) ** 2 / safe**2)
    # a - sin(a) cancels where its series is still good to 14 digits.
    series = 1 / 6 - a2 / 120 + a2**2 / 5040 - a2**3 / 362880 + a2**4 / 39916800
    third = np.where(angle_rad < _SERIES_RAD, series, (safe - np.sin(safe)) / safe**3)
    return first, second, third


def exp_rotation(rotation_vector_rad: ArrayLike) -> Array:
    """Rotation matrix (..., 3, 3) of a rotation vector (..., 3) in radians."""
    w = np.asarray(rotation_vector_rad, dtype=float)
    first, second, _ = _coefficients(np.linalg.norm(w, axis=-1))
    K = skew(w)
    out: Array = np.eye(3) + first[..., None, None] * K + second[..., None, None] * (K @ K)
    return out


def log_rotation(rotation: ArrayLike) -> Array:
    """Rotation vector (..., 3) in radians, length in [0, pi], of rotation matrices (..., 3, 3).

    Up to 120 degrees from the skew-symmetric part of the matrix. That part vanishes towards 180 degrees, so larger
    angles go through the quaternion whose largest component is computed first (S. W. Shepperd, J. Guidance and Control
    1(3), 1978), which is accurate at 180 degrees too; one such matrix sends the whole batch that way.
    """
    R = np.asarray(rotation, dtype=float)
    # Twice the axis times the sine, and twice the cosine.
    across = R[..., (2, 0, 1), (1, 2, 0)] - R[..., (1, 2, 0), (2, 0, 1)]
    along = np.trace(R, axis1=-2, axis2=-1) - 1
    if (along < -1.0).any():
        q = quaternion_wxyz(R)
        return 2 * _by_tangent(q[..., 1:], q[..., 0])
    return _by_tangent(across, along)


def _by_tangent(across: Array, along: Array) -> Array:
    """Vectors (..., 3) along ``across`` whose length is the angle with tangent |across| / ``along``."""
    size = np.sqrt((across**2).sum(axis=-1))
    tiny = size < 1e-12
    # The limit at the identity, where the angle tends to |across| / along.
    scale = np.where(tiny, 1 / np.where(tiny, along, 1.0), np.arctan2(size, along) / np.where(tiny, 1.0, size))
    out: Array = across * scale[..., None]
    return out


def quaternion_wxyz(rotation: ArrayLike) -> Array:
    """Unit quaternion (..., 4), order w x y z with w >= 0, of rotation matrices (..., 3, 3)."""
    R = np.asarray(rotation, dtype=float)
    d = np.diagonal(R, axis1=-2, axis2=-1)
    trace = d.sum(axis=-1)
    squares = np.stack([1 + trace, *(1 + 2 * d[..., k] - trace for k in range(3))], axis=-1)
    a, b, c = R[..., 2, 1] - R[..., 1, 2], R[..., 0, 2] - R[..., 2, 0], R[..., 1, 0] - R[..., 0, 1]
    e, f, g = R[..., 1, 0] + R[..., 0, 1], R[..., 2, 0] + R[..., 0, 2], R[..., 2, 1] + R[..., 1, 2]
    columns = np.stack(
        [
            np.stack([squares[..., 0], a, b, c], axis=-1),
            np.stack([a, squares[..., 1], e, f], axis=-1),
            np.stack([b, e, squares[..., 2], g], axis=-1),
            np.stack([c, f, g, squares[..., 3]], axis=-1),
        ],
        axis=-2,
    )
    best = np.argmax(squares, axis=-1)
    q = np.take_along_axis(columns, best[..., None, None], axis=-2)[..., 0, :]
    q = q / np.linalg.norm(q, axis=-1, keepdims=True)
    out: Array = np.where(q[..., :1] < 0, -q, q)
    return out


def rotation_from_quaternion_wxyz(quaternion: ArrayLike) -> Array:
    """Rotation matrix (..., 3, 3) of quaternions (..., 4), order w x y z; they are normalised first."""
    q = np.asarray(quaternion, dtype=float)
    q = q / np.linalg.norm(q, axis=-1, keepdims=True)
    w, v = q[..., 0, None, None], q[..., 1:]
    K = skew(v)
    out: Array = np.eye(3) + 2 * w * K + 2 * (K @ K)
    return out


def exp(xi: ArrayLike) -> Array:
    """(..., 4, 4) of a twist (..., 6) = (translation m, rotation rad)."""
    x = np.asarray(xi, dtype=float)
    rho, w = x[..., :3], x[..., 3:]
    first, second, third = (c[..., None, None] for c in _coefficients(np.linalg.norm(w, axis=-1)))
    K = skew(w)
    K2 = K @ K
    rotation = _IDENTITY + first * K + second * K2
    left_jacobian = _IDENTITY + second * K + third * K2
    return compose_parts(rotation, (left_jacobian @ rho[..., None])[..., 0])


def log(target_T_source: ArrayLike) -> Array:
    """Twist (..., 6) = (translation m, rotation rad) with ``exp(log(T)) == T``."""
    T = np.asarray(target_T_source, dtype=float)
    w = log_rotation(T[..., :3, :3])
    t = T[..., :3, 3:]
    angle = np.sqrt((w**2).sum(axis=-1))
    a2 = angle**2
    # (1 - a/2 cot(a/2)) / a^2, which cancels where its series is still good to 13 digits.
    small = angle < _SERIES_RAD
    half = np.where(small, 1.0, angle / 2)
    series = 1 / 12 + a2 / 720 + a2**2 / 30240 + a2**3 / 1209600 + a2**4 / 47900160
    share = np.where(small, series, (1 - half / np.tan(half)) / (4 * half**2))
    # The inverse of the left Jacobian of the rotation, applied to the translation.
    K = skew(w)
    Kt = K @ t
    rho = t - Kt / 2 + share[..., None, None] * (K @ Kt)
    return np.concatenate([rho[..., 0], w], axis=-1)


def adjoint(target_T_source: ArrayLike) -> Array:
    """(..., 6, 6) with ``T exp(xi) T^-1 == exp(adjoint(T) xi)``, order (translation, rotation)."""
    T = np.asarray(target_T_source, dtype=float)
    R = T[..., :3, :3]
    out = np.zeros((*T.shape[:-2], 6, 6))
    out[..., :3, :3] = R
    out[..., 3:, 3:] = R
    out[..., :3, 3:] = skew(T[..., :3, 3]) @ R
    return out


def rotation_angle(rotation: ArrayLike) -> Array:
    """Angle in radians, 0..pi, of rotation matrices (..., 3, 3)."""
    out: Array = np.linalg.norm(log_rotation(rotation), axis=-1)
    return out


def pose_distance(first: ArrayLike, second: ArrayLike) -> tuple[Array, Array]:
    """Distance of poses (..., 4, 4): between their origins (...,), metres, and of their rotations (...,), radians."""
    T, U = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    translation_m: Array = np.linalg.norm(T[..., :3, 3] - U[..., :3, 3], axis=-1)
    return translation_m, rotation_angle(np.swapaxes(T[..., :3, :3], -1, -2) @ U[..., :3, :3])


def nearest_rotation(matrix: ArrayLike) -> Array:
    """The rotation (..., 3, 3) closest to ``matrix`` (..., 3, 3) in the Frobenius norm.

    Singular value decomposition with the sign of the determinant corrected (S. Umeyama, IEEE PAMI 13(4), 1991).
    """
    U, _, Vt = np.linalg.svd(np.asarray(matrix, dtype=float))
    U = U.copy()
    U[..., :, 2] *= np.linalg.det(U @ Vt)[..., None]
    out: Array = U @ Vt
    return out


def orthogonality_error(rotation: ArrayLike) -> float:
    """Deviation of (3, 3) from a rotation: largest entry of R R^T - I, infinite for a reflection."""
    R = np.asarray(rotation, dtype=float)
    if np.linalg.det(R) <= 0:
        return float("inf")
    return float(np.abs(R @ R.T - np.eye(3)).max())
