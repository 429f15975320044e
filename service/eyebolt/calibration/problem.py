"""What is to be solved: pairs, camera, board, mount, and what is known of the arm's noise.

Both mounts share one equation, ``camera_T_board = inverse(X) @ A @ Y``: see ``geometry.Mount``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from eyebolt.geometry import Array, CameraModel, FlangeRotation, Mount, PoseFormat, se3
from eyebolt.observations import Pair, PointerTip


@dataclass(frozen=True)
class RobotNoise:
    """Standard deviation of a reported pose, per axis, perturbed at the flange: ``translation_m``, ``rotation_rad``."""

    translation_m: float
    rotation_rad: float


@dataclass(frozen=True)
class PoseConvention:
    """How the numbers of a pose were read: ``pose_format``, and the tool (4, 4) that was taken off, if it was in them."""

    pose_format: PoseFormat
    flange_T_tool: Array | None = None

    def remove_tool(self, reported: Array) -> Array:
        """base_T_flange (..., 4, 4) of poses ``reported`` (..., 4, 4): the tool taken off."""
        return reported if self.flange_T_tool is None else reported @ se3.inverse(self.flange_T_tool)


@dataclass(frozen=True)
class WorkingVolume:
    """The whole picture between two distances along the camera's axis, metres."""

    near_m: float
    far_m: float

    def axes(self, camera: CameraModel) -> tuple[Array, Array, Array]:
        """Columns u (9,) and rows v (9,) in pixels, and distances (5,) in metres, of the grid's points."""
        u_px, v_px = np.linspace(0, camera.width_px - 1, 9), np.linspace(0, camera.height_px - 1, 9)
        return u_px, v_px, np.linspace(self.near_m, self.far_m, 5)

    def grid(self, camera: CameraModel) -> Array:
        """9 x 9 x 5 points (405, 3), camera frame, over the picture and the depth: distance by row by column."""
        u_px, v_px, depths = self.axes(camera)
        u, v = np.meshgrid(u_px, v_px)
        rays = camera.rays(np.stack([u.ravel(), v.ravel()], axis=-1))
        # Where the lens model does not reach (a corner of a strong wide-angle lens), the pinhole ray is close enough.
        flat = np.stack([u.ravel(), v.ravel(), np.ones(u.size)], axis=-1) @ np.linalg.inv(camera.matrix).T
        rays = np.where(np.isfinite(rays), rays, flat)
        return (rays[None, :, :] * depths[:, None, None]).reshape(-1, 3)


@dataclass(frozen=True)
class Problem:
    """A calibration to be solved. ``board_corners_m`` (K, 3); ``robot_noise`` None means: estimate it.

    ``height_m``: for arms that turn about the vertical only, see ``vertical``. ``pose_convention``: how the poses were read, if
    they came as numbers of a controller. ``tip``: what touches were made with.
    """

    mount: Mount
    camera: CameraModel
    board_corners_m: Array
    pairs: Sequence[Pair]
    volume: WorkingVolume
    flange_rotation: FlangeRotation = FlangeRotation.FREE
    robot_noise: RobotNoise | None = None
    height_m: float | None = None
    tip: PointerTip | None = None
    pose_convention: PoseConvention | None = None

    def chain(self) -> Array:
        """A (n, 4, 4) of the shared equation for all pairs."""
        return self.mount.chain(np.array([p.base_T_flange for p in self.pairs]).reshape(-1, 4, 4))

    @cached_property
    def grid(self) -> Array:
        """(405, 3): the points of the working volume, camera frame."""
        return self.volume.grid(self.camera)

    @cached_property
    def displacement_metric(self) -> Array:
        """(6, 6): the mean over the volume of how a change of the camera's pose moves a point, squared.

        Its product with a covariance of the pose, summed over all entries, is the mean squared error in square metres.
        """
        lever = np.concatenate([np.broadcast_to(np.eye(3), (len(self.grid), 3, 3)), -se3.skew(self.grid)], axis=-1)
        out: Array = np.einsum("gai,gaj->ij", lever, lever) / len(self.grid)
        return out
