"""Serial arms of six axes: forward kinematics from a Denavit-Hartenberg table, inverse kinematics by Newton's method.

The arm's controller commands joints by the nominal table while the links obey a table with errors. Tables: the
PUMA 560 as P. Corke, "Robotics, Vision and Control", prints it (spherical wrist), and an invented arm with three
parallel axes and an offset wrist. Standard convention: Rz(theta) Tz(d) Tx(a) Rx(alpha).
"""

from dataclasses import dataclass, replace

import numpy as np

_STEPS = 60
_DAMPING = 1e-6
# Beyond what finite precision leaves after convergence, far below any error that matters here.
_CONVERGED = 1e-9
# Smallest singular value of the Jacobian (m and rad): nearer to a singular pose an arm is not programmed.
_SINGULAR = 0.03


@dataclass(frozen=True)
class SerialArm:
    """One DH table."""

    d: np.ndarray
    """(6,) m: offsets along the joint axes."""
    a: np.ndarray
    """(6,) m: link lengths."""
    alpha: np.ndarray
    """(6,) rad: link twists."""
    offset: np.ndarray
    """(6,) rad: added to the joint angles."""
    ready: np.ndarray
    """(6,) rad: joint angles from which inverse kinematics starts."""

    def forward(self, joints: np.ndarray) -> np.ndarray:
        """base_T_flange (..., 4, 4) at joint angles (..., 6)."""
        return self._frames(joints)[..., -1, :, :]

    def _frames(self, joints: np.ndarray) -> np.ndarray:
        """Poses (..., 7, 4, 4) of the base and after every link."""
        angles = joints + self.offset
        out = np.zeros((*angles.shape[:-1], 7, 4, 4))
        out[..., 0, :, :] = np.eye(4)
        for k in range(6):
            c, s = np.cos(angles[..., k]), np.sin(angles[..., k])
            ca, sa = np.cos(self.alpha[k]), np.sin(self.alpha[k])
            link = np.zeros((*angles.shape[:-1], 4, 4))
            link[..., 0, 0], link[..., 0, 1], link[..., 0, 2], link[..., 0, 3] = c, -s * ca, s * sa, self.a[k] * c
            link[..., 1, 0], link[..., 1, 1], link[..., 1, 2], link[..., 1, 3] = s, c * ca, -c * sa, self.a[k] * s
            link[..., 2, 1], link[..., 2, 2], link[..., 2, 3], link[..., 3, 3] = sa, ca, self.d[k], 1.0
            out[..., k + 1, :, :] = out[..., k, :, :] @ link
        return out

    def jacobian(self, joints: np.ndarray) -> np.ndarray:
        """Geometric Jacobian (..., 6, 6): velocity of the flange origin and rotation rate, base axes."""
        frames = self._frames(joints)
        axes, origins = frames[..., :6, :3, 2], frames[..., :6, :3, 3]
        arms = frames[..., 6:7, :3, 3] - origins
        return np.swapaxes(np.concatenate([np.cross(axes, arms), axes], axis=-1), -1, -2)

    def joints_for(self, poses: np.ndarray) -> np.ndarray:
        """Joint angles (m, 6) of flange poses (m, 4, 4) on the branch that ``ready`` leads to; NaN: out of reach."""
        joints = np.tile(self.ready, (len(poses), 1)).astype(float)
        for _ in range(_STEPS):
            error = self._pose_error(joints, poses)
            if not (np.abs(error) > _CONVERGED).any():
                break
            J = self.jacobian(joints)
            JT = np.swapaxes(J, -1, -2)
            step = (JT @ np.linalg.solve(J @ JT + _DAMPING * np.eye(6), error[..., None]))[..., 0]
            # At most 0.5 rad a step keeps the iteration on its branch.
            joints += step / np.maximum(np.abs(step).max(axis=-1, keepdims=True) / 0.5, 1.0)
        good = (np.abs(self._pose_error(joints, poses)) < 1e3 * _CONVERGED).all(axis=-1)
        good &= np.linalg.svd(self.jacobian(joints), compute_uv=False)[..., -1] > _SINGULAR
        good &= (np.abs(joints - self.ready) < np.pi).all(axis=-1)
        return np.where(good[:, None], joints, np.nan)

    def _pose_error(self, joints: np.ndarray, poses: np.ndarray) -> np.ndarray:
        """(m, 6): translation and (sine of the) rotation from the pose at ``joints`` to ``poses``, base axes."""
        now = self.forward(joints)
        between = poses[:, :3, :3] @ np.swapaxes(now[:, :3, :3], -1, -2)
        turn = 0.5 * np.stack(
            [
                between[:, 2, 1] - between[:, 1, 2],
                between[:, 0, 2] - between[:, 2, 0],
                between[:, 1, 0] - between[:, 0, 1],
            ],
            axis=-1,
        )
        # Beyond a quarter turn the sine falls again; a full-length vector keeps the direction.
        beyond = np.trace(between, axis1=1, axis2=2) < 1.0
        length = np.linalg.norm(turn, axis=-1)
        turn = np.where(beyond[:, None], turn / np.maximum(length, 1e-9)[:, None], turn)
        return np.concatenate([poses[:, :3, 3] - now[:, :3, 3], turn], axis=-1)

    def with_errors(self, rng: np.random.Generator, joint_deg: float, link_mm: float) -> "SerialArm":
        """The arm as it really is: Gaussian errors of joint offsets, and of the lengths d and a."""
        return replace(
            self,
            offset=self.offset + np.deg2rad(joint_deg) * rng.normal(size=6),
            d=self.d + 1e-3 * link_mm * rng.normal(size=6),
            a=self.a + 1e-3 * link_mm * rng.normal(size=6),
        )


def _arm(d, a, alpha_deg, ready_deg) -> SerialArm:
    return SerialArm(
        np.array(d), np.array(a), np.deg2rad(np.array(alpha_deg, dtype=float)), np.zeros(6), np.deg2rad(ready_deg)
    )


PUMA_560 = _arm(
    (0, 0, 0.15005, 0.4318, 0, 0), (0, 0.4318, 0.0203, 0, 0, 0), (90, 0, -90, 90, -90, 0), (0.0, 50, 190, 0, -60, 0)
)
OFFSET_WRIST = _arm(
    (0.10, 0, 0, 0.13, 0.11, 0.09), (0, -0.48, -0.44, 0, 0, 0), (90, 0, 0, 90, -90, 0), (180.0, -80, -80, -110, 90, 0)
)
ARMS = {"puma-560": PUMA_560, "offset-wrist": OFFSET_WRIST}
