"""Forward kinematics of a serial arm from its table of Denavit-Hartenberg parameters.

Standard convention: J. Denavit, R. S. Hartenberg, "A kinematic notation for lower-pair mechanisms based on matrices",
Journal of Applied Mechanics 22, 1955. A joint and its link are Rz(theta) Tz(d) Tx(a) Rx(alpha); a revolute joint
adds its angle to theta, a prismatic one its displacement to d.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from eyebolt.geometry.se3 import Array

DhRow = tuple[float, float, float, float]
"""a mm, alpha deg, d mm, offset: deg added to the angle of a revolute joint; of a prismatic one, its theta in deg."""


@dataclass(frozen=True)
class SerialArm:
    """The nominal model of an arm of n joints, base to flange."""

    a_m: Array
    """(n,), metres: length of each link, along x."""
    alpha_rad: Array
    """(n,), radians: twist of each link, about x."""
    d_m: Array
    """(n,), metres: offset of each link along the axis of its joint, z."""
    offset_rad: Array
    """(n,), radians: angle theta of each joint at the reading zero; of a prismatic joint, its constant angle."""
    is_prismatic: NDArray[np.bool_]
    """(n,): joints that slide along z in place of rotating about it."""

    @classmethod
    def from_rows(cls, dh_mm_deg: Sequence[DhRow], is_prismatic: Sequence[bool] = ()) -> SerialArm:
        """The arm of the rows (a, alpha, d, offset), mm and deg; all joints are revolute without ``is_prismatic``."""
        rows = np.array(dh_mm_deg, dtype=float).reshape(-1, 4)
        prismatic = np.array(is_prismatic or [False] * len(rows), dtype=bool)
        angles = np.deg2rad(rows)
        return cls(rows[:, 0] / 1e3, angles[:, 1], rows[:, 2] / 1e3, angles[:, 3], prismatic)

    @property
    def joint_count(self) -> int:
        """n."""
        return len(self.a_m)

    def forward(self, joints: ArrayLike) -> Array:
        """base_T_flange (..., 4, 4), metres, at ``joints`` (..., n): radians, or metres of a prismatic joint."""
        return self.product(joints, 0, self.joint_count)

    def product(self, joints: ArrayLike, first: int, end: int) -> Array:
        """Product (..., 4, 4) of the links ``first`` to ``end`` - 1 at ``joints`` (..., n); the identity if none."""
        values = np.asarray(joints, dtype=float)
        pose = np.broadcast_to(np.eye(4), (*values.shape[:-1], 4, 4))
        for k in range(first, end):
            pose = pose @ self._link(k, values[..., k])
        return pose

    def _link(self, k: int, value: Array) -> Array:
        """Link ``k`` (..., 4, 4) at the reading ``value`` (...) of its joint."""
        sliding = bool(self.is_prismatic[k])
        theta = np.full_like(value, self.offset_rad[k]) if sliding else value + self.offset_rad[k]
        c, s = np.cos(theta), np.sin(theta)
        ca, sa = np.cos(self.alpha_rad[k]), np.sin(self.alpha_rad[k])
        a = self.a_m[k]
        link = np.zeros((*value.shape, 4, 4))
        link[..., 0, 0], link[..., 0, 1], link[..., 0, 2], link[..., 0, 3] = c, -s * ca, s * sa, a * c
        link[..., 1, 0], link[..., 1, 1], link[..., 1, 2], link[..., 1, 3] = s, c * ca, -c * sa, a * s
        link[..., 2, 1], link[..., 2, 2] = sa, ca
        link[..., 2, 3] = self.d_m[k] + (value if sliding else 0.0)
        link[..., 3, 3] = 1.0
        return link
