"""The calibration problem: pairs, camera, board, mount, and the stated noise of the arm.

Both mounts share one equation, ``camera_T_board = inverse(X) @ A @ Y``; ``geometry.Mount`` states which transforms
X, A and Y are. X is wanted, Y is estimated beside it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from eyebolt.calibration.nuisance_prior import NuisancePrior, stated_prior
from eyebolt.geometry import Array, CameraModel, FlangeRotation, Mount, PickPosture, PoseFormat, SerialArm, se3
from eyebolt.observations import Pair, PointerTip

STATED_NOISE_DOF = 3.0
"""Degrees of freedom of a stated noise. The logarithm of a standard deviation with nu degrees of freedom has a standard
deviation of 1 / sqrt(2 nu); for nu = 3 that is 0.41, a factor of 1.5, about what a statement is good to."""


@dataclass(frozen=True)
class RobotNoise:
    """Standard deviation of a reported flange pose, per axis: independent errors of a perturbation at the flange."""

    translation_m: float
    """Standard deviation of a translation, metres."""
    rotation_rad: float
    """Standard deviation of a rotation, radians."""


@dataclass(frozen=True)
class PoseConvention:
    """How the reported numbers were turned into flange poses; diagnosis needs it to test other conventions."""

    pose_format: PoseFormat
    """Convention of the numbers."""
    flange_T_tool: Array | None = None
    """(4, 4), metres: tool that the controller includes in its poses; None if it reports the flange."""

    def remove_tool(self, reported: Array) -> Array:
        """base_T_flange (..., 4, 4) of ``reported`` poses (..., 4, 4), which include the tool if there is one."""
        return reported if self.flange_T_tool is None else reported @ se3.inverse(self.flange_T_tool)


@dataclass(frozen=True)
class JointConvention:
    """How the joints behind a pose are written, and the model of the arm that they belong to."""

    arm: SerialArm
    """The nominal model, one joint for each number."""
    units: tuple[str, ...]
    """Unit of each number: "deg", "rad" or "mm"."""
    names: tuple[str, ...]
    """Name of each joint."""


CORRELATED_ERROR_RANGE_M = 1e-3
"""Arms that nobody has measured are accurate to some tenths of a millimetre up to one. Common practice, no source; half
the range widens the stated error of clean sessions by 2 to 8 %."""


@dataclass(frozen=True)
class WorkingVolume:
    """The camera's field of view between two distances along its optical axis: where the error is stated."""

    near_m: float
    """Nearest distance, metres."""
    far_m: float
    """Farthest distance, metres."""

    @property
    def middle_m(self) -> float:
        """The middle of the working distance, metres."""
        return (self.near_m + self.far_m) / 2

    def axes(self, camera: CameraModel) -> tuple[Array, Array, Array]:
        """Columns u (9,) and rows v (9,) in pixels, and distances (5,) in metres, of the grid points."""
        u_px, v_px = np.linspace(0, camera.width_px - 1, 9), np.linspace(0, camera.height_px - 1, 9)
        return u_px, v_px, np.linspace(self.near_m, self.far_m, 5)

    def grid(self, camera: CameraModel) -> Array:
        """9 x 9 x 5 points (405, 3), camera frame, metres; distance by row by column.

        Fewer where the lens has no ray for a pixel (corners of a strong wide-angle lens, ``CameraModel.rays``): what no
        pixel sees is no part of the volume. If none of the pixels has one, the optical axis stands for the volume.
        """
        rays = self._rays(camera)
        rays = rays[np.isfinite(rays).all(axis=-1)]
        if not len(rays):
            rays = np.array([[0.0, 0.0, 1.0]])
        depths = self.axes(camera)[2]
        return (rays[None, :, :] * depths[:, None, None]).reshape(-1, 3)

    def is_seen(self, camera: CameraModel) -> NDArray[np.bool_]:
        """(9, 9), row by column: whether the lens has a ray for the pixel of the grid."""
        out: NDArray[np.bool_] = np.isfinite(self._rays(camera)).all(axis=-1).reshape(9, 9)
        return out

    def _rays(self, camera: CameraModel) -> Array:
        u, v = np.meshgrid(*self.axes(camera)[:2])
        return camera.rays(np.stack([u.ravel(), v.ravel()], axis=-1))


@dataclass(frozen=True)
class PrintError:
    """How far the printed corners of the board are from their stated places (see ``estimation.print_error``)."""

    sigma_m: float
    """Standard deviation of a corner along each axis of the board, metres."""
    length_m: float
    """Distance over which the correlation of two corners falls to 1/e, metres; 0: they are independent."""
    pose_like: Mapping[str, float]
    """Prior standard deviations of those parts that look like another pose, by name (PRINT_PARAMETERS)."""


@dataclass(frozen=True)
class Problem:
    """One calibration problem."""

    mount: Mount
    """Where the camera is."""
    camera: CameraModel
    """Intrinsics as stated; they are estimated with the prior of their ``sigma``, or of the default."""
    board_corners_m: Array
    """(K, 3), metres, board frame: every corner of the board, by its number."""
    pairs: Sequence[Pair]
    """Pairs in order of capture."""
    volume: WorkingVolume
    """Where the error of the result is stated."""
    flange_rotation: FlangeRotation = FlangeRotation.FREE
    """Rotations of the arm; with VERTICAL one height is unobservable, see ``estimation.vertical_axis``."""
    robot_noise: RobotNoise | None = None
    """Noise of the arm as stated, a prior of its estimate; None: estimated from the pairs alone."""
    robot_noise_dof: float = STATED_NOISE_DOF
    """Degrees of freedom of ``robot_noise``; a very large number states it as exact."""
    height_m: float | None = None
    """Height of the board origin above the flange (camera fixed) or the base (camera on the arm), metres; only used
    with FlangeRotation.VERTICAL."""
    tip: PointerTip | None = None
    """Pointer that the touches were made with."""
    pick: PickPosture = field(default_factory=PickPosture)
    """The pick for which an error is stated."""
    pose_convention: PoseConvention | None = None
    """How the poses were read, where they came as numbers of a controller."""
    joint_convention: JointConvention | None = None
    """How the joints were written, where the model of the arm is stated; it is only checked."""
    board_scale_sigma: float | None = None
    """Relative standard deviation of the board scale; None: as a ruler determines it."""
    board_bow_sigma_m: float | None = None
    """Standard deviation of each parameter of the bow of the board, metres; None: that of a board of its size."""
    drift_sigma_m: float | None = None
    """Standard deviation of a displacement by which camera or board may creep during the session, metres; 0: nothing
    creeps, None: a prior over scales, see ``estimation.drift``."""
    correlated_error_range_m: float = CORRELATED_ERROR_RANGE_M
    """Range over which the standard deviation of a pose-correlated error of the arm is expected, metres; 0: there is
    none. Only the error of X depends on it, see ``uncertainty.transform_error``."""
    prior_override: NuisancePrior | None = None
    """Prior of the nuisance parameters in place of ``stated_prior``."""

    print_error: PrintError | None = None
    """Errors of the printed corners, as estimated from the images; None: there are none."""

    @cached_property
    def stated_prior(self) -> NuisancePrior:
        """Prior of board scale and lens as stated, with the defaults for what is not."""
        return stated_prior(self.camera, self.board_corners_m, self.board_scale_sigma, self.board_bow_sigma_m)

    @property
    def nuisance_prior(self) -> NuisancePrior:
        """Prior of the nuisance parameters that every estimate includes."""
        return self.stated_prior if self.prior_override is None else self.prior_override

    def chain(self) -> Array:
        """A (n, 4, 4) of the shared equation, one per pair."""
        return self.mount.chain(np.array([p.base_T_flange for p in self.pairs]).reshape(-1, 4, 4))

    @cached_property
    def grid(self) -> Array:
        """(405, 3), metres: points of the working volume, camera frame; fewer where the lens has no ray for a pixel."""
        return self.volume.grid(self.camera)

    @cached_property
    def displacement_metric(self) -> Array:
        """M (6, 6), the mean of J^T J over the working volume, J (3, 6) the Jacobian of a point by a perturbation of X.

        ``sum(M * C)`` is the mean squared displacement, square metres, for a covariance C (6, 6) of X.
        """
        lever = np.concatenate([np.broadcast_to(np.eye(3), (len(self.grid), 3, 3)), -se3.skew(self.grid)], axis=-1)
        out: Array = np.einsum("gai,gaj->ij", lever, lever) / len(self.grid)
        return out
