"""Rigid transforms as 4x4 matrices, with SciPy; shares no code with ``eyebolt.geometry``."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.transform import Rotation

Array = NDArray[np.float64]

_SERIES_TERMS = 30


def matrix(rotation: Rotation | ArrayLike, translation_m: ArrayLike) -> Array:
    """(4, 4) from a SciPy rotation or a (3, 3) array, and a translation (3,) in metres."""
    out = np.eye(4)
    out[:3, :3] = rotation.as_matrix() if isinstance(rotation, Rotation) else np.asarray(rotation, dtype=float)
    out[:3, 3] = np.asarray(translation_m, dtype=float)
    return out


def inverse(target_T_source: ArrayLike) -> Array:
    """source_T_target, (..., 4, 4)."""
    out: Array = np.linalg.inv(np.asarray(target_T_source, dtype=float))
    return out


def transform_points(target_T_source: ArrayLike, points_m: ArrayLike) -> Array:
    """Points (K, 3), m, from source to target coordinates."""
    points = np.asarray(points_m, dtype=float)
    homogeneous = np.concatenate([points, np.ones((*points.shape[:-1], 1))], axis=-1)
    out: Array = (homogeneous @ np.asarray(target_T_source, dtype=float).T)[..., :3]
    return out


def exp_se3(translation_m: ArrayLike, rotation_rad: ArrayLike) -> Array:
    """exp of a twist (translation (3,) m, rotation (3,) rad), (4, 4).

    Evaluated as the power series (Horner scheme), accurate beyond rotations of 180 deg; no closed form is shared with
    the product.
    """
    x, y, z = np.asarray(rotation_rad, dtype=float)
    generator = np.zeros((4, 4))
    generator[:3, :3] = [[0, -z, y], [z, 0, -x], [-y, x, 0]]
    generator[:3, 3] = translation_m
    out = np.eye(4)
    for order in range(_SERIES_TERMS, 0, -1):
        out = np.eye(4) + generator @ out / order
    return out


def random_rotation(rng: np.random.Generator, max_deg: float) -> Rotation:
    """A rotation by a uniform angle up to ``max_deg`` about a uniformly distributed axis."""
    axis = rng.normal(size=3)
    return Rotation.from_rotvec(axis / np.linalg.norm(axis) * np.deg2rad(rng.uniform(0, max_deg)))


def looking_along(forward: ArrayLike, up: ArrayLike = (0.0, 0.0, 1.0)) -> Rotation:
    """base_R_camera of a camera that looks along ``forward`` (3,) with an upright image.

    Camera axes: z forward, x right, y down. Where ``forward`` is parallel to ``up``, base x is used as up.
    """
    z = np.asarray(forward, dtype=float)
    z = z / np.linalg.norm(z)
    x = np.cross(z, np.asarray(up, dtype=float))
    if np.linalg.norm(x) < 1e-6:
        x = np.cross(z, [1.0, 0.0, 0.0])
    x = x / np.linalg.norm(x)
    return Rotation.from_matrix(np.stack([x, np.cross(z, x), z], axis=1))
