"""Kinematics of a six-axis arm with a published parameter table, and the small kinematic errors of a real one.

PUMA 560, standard Denavit-Hartenberg parameters as in P. Corke, "Robotics, Vision and Control": a2 0.4318, a3 0.0203,
d3 0.15005, d4 0.4318 m; alpha 90 0 -90 90 -90 0 deg; d1 = 0: the base frame is in the shoulder, the flange frame in the
wrist.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import Rotation

from eyebolt_sim.transforms import Array

LINK_LENGTH_M = np.array([0.0, 0.4318, 0.0203, 0.0, 0.0, 0.0])
LINK_OFFSET_M = np.array([0.0, 0.0, 0.15005, 0.4318, 0.0, 0.0])
# Cosine and sine of the twists alpha: 90, 0, -90, 90, -90, 0 degrees.
_TWISTS = ((0.0, 1.0), (1.0, 0.0), (0.0, -1.0), (0.0, 1.0), (0.0, -1.0), (1.0, 0.0))

# Approximate, for the zero position of this table; they only keep waypoints plausible.
JOINT_LIMITS_RAD = np.deg2rad([[-160, 160], [-45, 225], [-225, 45], [-110, 170], [-100, 100], [-266, 266]])


@dataclass(frozen=True)
class Arm:
    """Forward kinematics of an arm; ``Arm()`` is the nominal one, which the controller computes with."""

    joint_offsets_deg: Array = field(default_factory=lambda: np.zeros(6))
    """constant errors of the joint angles, (6,), deg"""
    link_errors_mm: Array = field(default_factory=lambda: np.zeros((6, 2)))
    """constant errors of link length a and link offset d, (6, 2), mm"""

    def forward(self, joints_rad: ArrayLike) -> Array:
        """base_T_flange (4, 4), m, at joint angles (6,), rad."""
        joints = np.asarray(joints_rad, dtype=float) + np.deg2rad(self.joint_offsets_deg)
        lengths = LINK_LENGTH_M + self.link_errors_mm[:, 0] * 1e-3
        offsets = LINK_OFFSET_M + self.link_errors_mm[:, 1] * 1e-3
        pose = np.eye(4)
        for angle, offset, length, (cos_twist, sin_twist) in zip(joints, offsets, lengths, _TWISTS, strict=True):
            c, s = math.cos(angle), math.sin(angle)
            # Rz(angle) Tz(offset) Tx(length) Rx(twist), the standard form.
            link = [
                [c, -s * cos_twist, s * sin_twist, length * c],
                [s, c * cos_twist, -c * sin_twist, length * s],
                [0.0, sin_twist, cos_twist, offset],
                [0.0, 0.0, 0.0, 1.0],
            ]
            pose = pose @ np.array(link)
        return pose


def faulty_arm(rng: np.random.Generator, offset_deg: float, link_mm: float) -> Arm:
    """An arm with Gaussian joint offsets and link errors of the standard deviations ``offset_deg``, ``link_mm``."""
    return Arm(rng.normal(size=6) * offset_deg, rng.normal(size=(6, 2)) * link_mm)


def inverse_kinematics(base_T_flange: Array) -> list[Array]:
    """All joint angles (6,), rad, within the joint limits at which the nominal arm reaches ``base_T_flange`` (4, 4).

    The three wrist axes intersect in the flange origin (Pieper 1968): the first three joints determine its position,
    the last three the orientation.
    """
    solutions = []
    for first_three in _first_three_joints(base_T_flange[:3, 3]):
        elbow = Arm().forward([*first_three, 0, 0, 0])[:3, :3]
        # Joints 4 to 6 rotate by Rz(q4) Ry(-q5) Rz(q6).
        wrist = Rotation.from_matrix(elbow.T @ base_T_flange[:3, :3]).as_euler("ZYZ", suppress_warnings=True)
        for fourth, bend, sixth in (
            (wrist[0], wrist[1], wrist[2]),
            (wrist[0] + math.pi, -wrist[1], wrist[2] + math.pi),
        ):
            wrapped_joints = _within_limits(np.array([*first_three, fourth, -bend, sixth]))
            if wrapped_joints is not None:
                solutions.append(wrapped_joints)
    return solutions


def _first_three_joints(position_m: Array) -> list[tuple[float, float, float]]:
    x, y, z = (float(v) for v in position_m)
    a2, a3, d3, d4 = LINK_LENGTH_M[1], LINK_LENGTH_M[2], LINK_OFFSET_M[2], LINK_OFFSET_M[3]
    forearm, bend_at_zero = math.hypot(a3, d4), math.atan2(d4, a3)
    outward_squared = x * x + y * y - d3 * d3
    if outward_squared < 0:
        return []
    solutions_rad = []
    for outward in (math.sqrt(outward_squared), -math.sqrt(outward_squared)):
        first = math.atan2(y, x) - math.atan2(-d3, outward)
        cosine = (outward**2 + z * z - a2 * a2 - forearm**2) / (2 * a2 * forearm)
        if abs(cosine) > 1:
            continue
        for bend in (math.acos(cosine), -math.acos(cosine)):
            second = math.atan2(z, outward) - math.atan2(forearm * math.sin(bend), a2 + forearm * math.cos(bend))
            solutions_rad.append((first, second, bend - bend_at_zero))
    return solutions_rad


def _within_limits(joints_rad: Array) -> Array | None:
    """The joint angles plus whole revolutions so that they are within the limits; None where that is impossible."""
    low, high = JOINT_LIMITS_RAD.T
    wrapped: Array = low + np.mod(joints_rad - low, 2 * math.pi)
    return wrapped if bool((wrapped <= high).all()) else None
