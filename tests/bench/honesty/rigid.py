"""Rigid transforms as 4 x 4 matrices, rotations by SciPy; nothing here comes from the product or its simulator."""

import numpy as np
from scipy.spatial.transform import Rotation


def transform(rotation: Rotation, translation) -> np.ndarray:
    """(..., 4, 4) of rotations and translations (..., 3), metres."""
    matrices, translation = rotation.as_matrix(), np.asarray(translation, dtype=float)
    out = np.zeros((*np.broadcast_shapes(matrices.shape[:-2], translation.shape[:-1]), 4, 4))
    out[..., :3, :3], out[..., :3, 3], out[..., 3, 3] = matrices, translation, 1.0
    return out


def inverse(poses: np.ndarray) -> np.ndarray:
    """Inverse of transforms (..., 4, 4)."""
    out = np.zeros_like(poses)
    turned = np.swapaxes(poses[..., :3, :3], -1, -2)
    out[..., :3, :3], out[..., 3, 3] = turned, 1.0
    out[..., :3, 3] = -(turned @ poses[..., :3, 3, None])[..., 0]
    return out


def moved(poses: np.ndarray, change: np.ndarray) -> np.ndarray:
    """``poses`` (..., 4, 4) with a small ``change`` (..., 6) on the right: translation m, then rotation vector rad."""
    change = np.asarray(change, dtype=float)
    rotation = Rotation.from_rotvec(change[..., 3:].reshape(-1, 3)).as_matrix().reshape(*change.shape[:-1], 3, 3)
    step = np.zeros((*change.shape[:-1], 4, 4))
    step[..., :3, :3], step[..., :3, 3], step[..., 3, 3] = rotation, change[..., :3], 1.0
    return poses @ step


def apply(poses: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Points (..., K, 3) transformed by ``poses`` (..., 4, 4)."""
    return points @ np.swapaxes(poses[..., :3, :3], -1, -2) + poses[..., None, :3, 3]


def unit(rng: np.random.Generator) -> np.ndarray:
    """(3,): a direction, uniform over the sphere."""
    v = rng.normal(size=3)
    return v / np.linalg.norm(v)
