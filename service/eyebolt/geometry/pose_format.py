"""How a controller writes a pose: units of length and angle, and what the rotation numbers mean.

Euler letters follow SciPy: capitals are intrinsic rotations (about the moving axes), small letters extrinsic ones
(about the fixed axes); the angles of ``euler-ZYX`` come in the order of the letters. ``angle-z`` is the single angle
about the vertical of the base, of arms whose flange rotates about nothing else.

``PoseFormat.field_sigmas`` states the uncertainty of a pose in the same numbers; ``propagate`` is the general law.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy
from numpy.typing import ArrayLike

from eyebolt.errors import InputFault
from eyebolt.geometry import se3
from eyebolt.geometry.se3 import Array

LENGTH_UNITS_M = {"mm": 1e-3, "m": 1.0, "um": 1e-6}
"""Metres per unit of length."""
ANGLE_UNITS_RAD = {"deg": math.pi / 180, "rad": 1.0, "1e-4deg": math.pi / 180 * 1e-4}
"""Radians per unit of angle."""

_EULER_SEQUENCES = ["".join(s) for s in itertools.product("XYZ", repeat=3) if s[0] != s[1] and s[1] != s[2]]
EULER_KINDS = tuple(f"euler-{s}" for s in _EULER_SEQUENCES) + tuple(f"euler-{s.lower()}" for s in _EULER_SEQUENCES)
"""The 24 Euler conventions: 12 sequences, intrinsic and extrinsic."""
ROTATION_KINDS = ("quaternion-wxyz", "quaternion-xyzw", "rotation-vector", "angle-z", *EULER_KINDS)
"""Every way in which a controller may write a rotation."""

# One step of the last digit is at most 1 um, or 4 um at the end of a 2 m arm: below what any arm repeats.
_LENGTH_DECIMALS = {"mm": 3, "m": 6, "um": 0}
_ANGLE_DECIMALS = {"deg": 4, "rad": 6, "1e-4deg": 0}
_QUATERNION_DECIMALS = 6

# Standard deviation of an unknown angle: uniform over a full rotation.
_UNIFORM_ANGLE_SIGMA_RAD = 2 * math.pi / math.sqrt(12)

# A controller prints a unit quaternion with at least three digits; a norm further from 1 is another convention.
_QUATERNION_NORM_TOLERANCE = 0.02


@dataclass(frozen=True)
class PoseFormat:
    """How one controller writes a pose: three lengths, then the numbers of the rotation."""

    length: str = "mm"
    """Unit of length, a key of LENGTH_UNITS_M."""
    rotation: str = "quaternion-wxyz"
    """Convention of the rotation, one of ROTATION_KINDS."""
    angle: str = "deg"
    """Unit of angle, a key of ANGLE_UNITS_RAD; without effect on a quaternion."""

    @property
    def field_count(self) -> int:
        """Numbers in one pose: 4 for ``angle-z``, 7 for a quaternion, else 6."""
        if self.rotation == "angle-z":
            return 4
        return 7 if self.is_quaternion else 6

    @property
    def is_quaternion(self) -> bool:
        """Whether the rotation is written as four numbers of length 1, which have no unit."""
        return self.rotation.startswith("quaternion")

    @property
    def decimals(self) -> tuple[int, ...]:
        """Decimals (field_count,) worth printing of each number of a pose: a last digit of at most 4 um at 2 m."""
        rotation = _QUATERNION_DECIMALS if self.is_quaternion else _ANGLE_DECIMALS[self.angle]
        return (_LENGTH_DECIMALS[self.length],) * 3 + (rotation,) * (self.field_count - 3)

    @property
    def description(self) -> str:
        """The format in the words of the station file: "mm, euler-ZYX deg"; a quaternion has no unit of angle."""
        return f"{self.length}, {self.rotation}" + ("" if self.is_quaternion else f" {self.angle}")

    def to_matrix(self, fields: Sequence[float]) -> se3.Array:
        """The pose (4, 4), metres, of ``fields`` (field_count,), in the controller's units.

        Raises InputFault ``pose-numbers`` if the count is wrong, a number is not finite or the norm of a quaternion is
        not 1.
        """
        if len(fields) != self.field_count:
            raise InputFault(
                "pose-numbers",
                f"a pose written as {self.rotation} has {self.field_count} numbers, this one has {len(fields)}",
                "send the pose as stated by [robot] length, rotation and angle of the station file, or change these.",
                count=len(fields),
            )
        numbers = np.asarray(fields, dtype=float)
        if not np.isfinite(numbers).all():
            raise InputFault("pose-numbers", "a pose number is not finite", "send plain decimal numbers.")
        return self.to_matrices(numbers)

    def to_matrices(self, numbers: se3.Array) -> se3.Array:
        """Poses (..., 4, 4), metres, of ``numbers`` (..., field_count), which are finite.

        Raises InputFault ``pose-numbers`` if the norm of a quaternion is not 1.
        """
        rotations = self._rotation_matrices(numbers[..., 3:])
        return se3.compose_parts(rotations, numbers[..., :3] * LENGTH_UNITS_M[self.length])

    def _rotation_matrices(self, numbers: se3.Array) -> se3.Array:
        unit = ANGLE_UNITS_RAD[self.angle]
        if self.is_quaternion:
            sizes = np.linalg.norm(numbers, axis=-1)
            size = float(sizes.flat[np.argmax(np.abs(sizes - 1))]) if np.ndim(sizes) else float(sizes)
            if abs(size - 1) > _QUATERNION_NORM_TOLERANCE:
                raise InputFault(
                    "pose-numbers",
                    f"the four rotation numbers have length {size:.4f}, a quaternion has 1",
                    "check [robot] rotation in the station file against what the robot program sends.",
                    norm=size,
                )
            ordered = numbers if self.rotation == "quaternion-wxyz" else np.roll(numbers, 1, axis=-1)
            return se3.rotation_from_quaternion_wxyz(ordered)
        if self.rotation == "rotation-vector":
            return se3.exp_rotation(numbers * unit)
        if self.rotation == "angle-z":
            return se3.exp_rotation(numbers * unit * np.array([0.0, 0.0, 1.0]))
        letters = self.rotation.removeprefix("euler-")
        rotations = [
            se3.exp_rotation(np.eye(3)["xyz".index(letter.lower())] * numbers[..., [k]] * unit)
            for k, letter in enumerate(letters)
        ]
        first, second, third = rotations if letters.isupper() else reversed(rotations)
        return first @ second @ third

    def to_fields(self, base_T_flange: se3.Array) -> list[float]:
        """The numbers (field_count,), in the controller's units, of a pose (4, 4) in metres.

        ``angle-z`` keeps only the rotation about z. At a singular Euler triple the third angle is 0; within 1e-7 rad of
        one it is as well, and the written rotation differs by up to 2e-7 rad.
        """
        lengths = [float(v) / LENGTH_UNITS_M[self.length] for v in base_T_flange[:3, 3]]
        return lengths + self._rotation_fields(base_T_flange[:3, :3])

    def printed(self, target_T_source: se3.Array) -> se3.Array:
        """The pose (4, 4), metres, that the numbers of a pose (4, 4) describe once printed with ``decimals``."""
        fields = zip(self.to_fields(target_T_source), self.decimals, strict=True)
        return self.to_matrices(np.array([round(value, decimals) for value, decimals in fields]))

    def _rotation_fields(self, rotation: se3.Array) -> list[float]:
        unit = ANGLE_UNITS_RAD[self.angle]
        if self.is_quaternion:
            q = se3.quaternion_wxyz(rotation)
            return [float(v) for v in (q if self.rotation == "quaternion-wxyz" else np.roll(q, -1))]
        if self.rotation == "rotation-vector":
            return [float(v) / unit for v in se3.log_rotation(rotation)]
        if self.rotation == "angle-z":
            return [math.atan2(rotation[1, 0], rotation[0, 0]) / unit]
        letters: Any = self.rotation.removeprefix("euler-")
        angles = scipy.spatial.transform.Rotation.from_matrix(rotation).as_euler(letters, suppress_warnings=True)
        return [float(v) / unit for v in angles]

    def field_sigmas(self, target_T_source: se3.Array, covariance: se3.Array) -> list[float]:
        """Standard deviation of each number that ``to_fields`` writes for a pose (4, 4), in the same units.

        ``covariance`` (6, 6) of the pose, perturbed on the right, (translation m, rotation rad). First order (see
        ``propagate``). Near a singular Euler triple only the sum or difference of the first and third angle is well
        determined: their sigmas grow, are capped at that of an unknown angle, and are set to it where the triple may be
        singular within one sigma of the rotation.
        """
        nominal_fields = np.array(self.to_fields(target_T_source))

        def unwrapped_fields(xi: se3.Array) -> se3.Array:
            return self._unwrapped(np.array(self.to_fields(target_T_source @ se3.exp(xi))), nominal_fields)

        _, fields_covariance = propagate(unwrapped_fields, np.zeros(6), covariance)
        sigma = np.sqrt(np.maximum(np.diagonal(fields_covariance), 0.0))
        if not self.is_quaternion:
            uniform_sigma = _UNIFORM_ANGLE_SIGMA_RAD / ANGLE_UNITS_RAD[self.angle]
            sigma[3:] = np.minimum(sigma[3:], uniform_sigma)
            rotation_sigma_rad = math.sqrt(float(np.diagonal(covariance)[3:].max()))
            if (
                self.rotation.startswith("euler")
                and self._distance_to_singularity_rad(nominal_fields[4]) < rotation_sigma_rad
            ):
                sigma[[3, 5]] = uniform_sigma
        return [float(v) for v in sigma]

    def _unwrapped(self, fields: se3.Array, reference: se3.Array) -> se3.Array:
        """The numbers (field_count,) of the same pose that are nearest to ``reference``.

        A pose has several: a quaternion and its negative, angles modulo a full rotation, two Euler triples. A
        derivative by differences needs numbers without a jump between them.
        """
        full_rotation = 2 * math.pi / ANGLE_UNITS_RAD[self.angle]
        numbers, other = fields[3:], reference[3:]
        if self.is_quaternion:
            candidates = [numbers, -numbers]
        elif self.rotation == "rotation-vector":
            size = float(np.linalg.norm(numbers))
            # The same rotation with the opposite sense, which near the identity is never the nearer one.
            candidates = [numbers, numbers * (1 - full_rotation / size)] if size > full_rotation / 4 else [numbers]
        else:
            candidates = [numbers]
            if self.rotation != "angle-z":
                candidates.append(self._alternate_euler_triple(numbers, full_rotation / 2))
            candidates = [c - full_rotation * np.round((c - other) / full_rotation) for c in candidates]
        nearest = min(candidates, key=lambda c: float(np.abs(c - other).max()))
        return np.concatenate([fields[:3], nearest])

    def _distance_to_singularity_rad(self, middle: float) -> float:
        """Distance, radians, of the middle Euler angle from where the first and third rotate about the same axis."""
        angle, letters = middle * ANGLE_UNITS_RAD[self.angle], self.rotation.removeprefix("euler-")
        return abs(math.asin(math.sin(angle) if letters[0] == letters[2] else math.cos(angle)))

    def _alternate_euler_triple(self, angles: se3.Array, half_turn: float) -> se3.Array:
        """The second Euler triple of the same rotation: the middle angle mirrored, the others plus half a turn."""
        letters = self.rotation.removeprefix("euler-")
        middle = -angles[1] if letters[0] == letters[2] else half_turn - angles[1]
        return np.array([angles[0] + half_turn, middle, angles[2] + half_turn])


# Steps of a tenth of a sigma keep the curvature out of the slope. The relative step is the optimum of a central
# difference in double precision, eps ** (1/3): below it rounding dominates.
_STEP_SIGMAS = 0.1
_RELATIVE_STEP = float(np.finfo(float).eps) ** (1 / 3)


def propagate(function: Callable[[Array], ArrayLike], mean: ArrayLike, covariance: ArrayLike) -> tuple[Array, Array]:
    """Value (m,) of ``function`` at ``mean`` (n,), and its covariance (m, m) for ``covariance`` (n, n) of the inputs.

    Law of propagation of uncertainty, first order: JCGM 100:2008, 5.2.2, equations (13) and (16), written for several
    outputs as J C J^T. J by central differences; the step of each input is a tenth of its standard deviation, or more
    where that would be lost in rounding. An input without variance is exact and has no step. A negative variance makes
    the whole covariance NaN.
    """
    nominal = np.asarray(mean, dtype=float)
    fields_covariance = np.asarray(covariance, dtype=float)
    variances = np.diagonal(fields_covariance)
    value = np.asarray(function(nominal), dtype=float)
    if (variances < 0).any():
        return value, np.full((value.size, value.size), np.nan)
    jacobian = np.zeros((value.size, nominal.size))
    for k in np.flatnonzero(variances != 0):
        step = max(_STEP_SIGMAS * float(np.sqrt(variances[k])), _RELATIVE_STEP * abs(float(nominal[k])))
        forward, backward = nominal.copy(), nominal.copy()
        forward[k] += step
        backward[k] -= step
        difference = np.asarray(function(forward), dtype=float) - np.asarray(function(backward), dtype=float)
        # The step after rounding.
        jacobian[:, k] = difference / (forward[k] - backward[k])
    return value, jacobian @ fields_covariance @ jacobian.T
