"""The Cramer-Rao bound of a session, by finite differences of the generator: X, Y and the nuisances with their priors.

The arm's errors are eliminated view by view: the corners of a view have the covariance ``s^2 I + L V L^T``, V that of
the arm's error there and L the derivative of the corners by it.
"""

import numpy as np

from bench.honesty.generator import CORNER_PX, Lens, Session, chain, volume
from bench.honesty.rigid import apply, inverse, moved

# Steps of central differences, m, rad and px: far above rounding, far below where curvature shows.
_POSE_STEP, _SCALE_STEP = 1e-5, 1e-5
_LENS_STEPS = np.array([0.05, 0.05, 0.05, 0.05, 1e-4, 1e-4, 1e-5, 1e-5, 1e-4])


def corner_derivatives(session: Session) -> tuple[np.ndarray, np.ndarray]:
    """Derivatives of the corners, px: (n, 2 K, 22) by X, Y, board scale, lens, and (n, 2 K, 6) by the arm's error."""
    cell, n = session.cell, session.pairs

    def corners(X=cell.X, Y=cell.Y, flanges=cell.flanges, scale=0.0, lens=cell.lens):
        views = inverse(X) @ chain(cell.mount, flanges) @ Y
        return lens.project(apply(views, session.real_board * (1 + scale))).reshape(n, -1)

    def slope(make, step):
        return (corners(**make(step)) - corners(**make(-step))) / (2 * step)

    axes = np.eye(6)
    by_pose = [
        slope(lambda h, a=a, name=name, pose=pose: {name: moved(pose, h * a)}, _POSE_STEP)
        for name, pose in (("X", cell.X), ("Y", cell.Y))
        for a in axes
    ]
    by_scale = [slope(lambda h: {"scale": h}, _SCALE_STEP)]
    by_lens = [
        slope(lambda h, a=a: {"lens": Lens(cell.lens.parameters + h * a)}, step)
        for a, step in zip(np.eye(9), _LENS_STEPS, strict=True)
    ]
    by_arm = [slope(lambda h, a=a: {"flanges": moved(cell.flanges, np.tile(h * a, (n, 1)))}, _POSE_STEP) for a in axes]
    return np.stack(by_pose + by_scale + by_lens, axis=-1), np.stack(by_arm, axis=-1)


def covariance(session: Session, nuisance_root: np.ndarray | None = None) -> np.ndarray:
    """(6, 6): bound of X; ``nuisance_root`` (10, r) instead of the session's own."""
    root = session.nuisance_root if nuisance_root is None else nuisance_root
    by_shared, by_arm = corner_derivatives(session)
    J = np.concatenate([by_shared[..., :12], by_shared[..., 12:] @ root], axis=-1) / CORNER_PX
    L = by_arm @ np.linalg.cholesky(session.arm_covariance(session.cell.flanges, session.distances())) / CORNER_PX
    LT = np.swapaxes(L, -1, -2)
    # (I + L L^T)^-1 = I - L (I + L^T L)^-1 L^T
    weighted = J - L @ np.linalg.solve(np.eye(6) + LT @ L, LT @ J)
    information = (np.swapaxes(J, -1, -2) @ weighted).sum(axis=0)
    information[12:, 12:] += np.eye(root.shape[1])
    scale = 1 / np.sqrt(np.diagonal(information))
    return (np.linalg.inv(information * scale[:, None] * scale) * scale[:, None] * scale)[:6, :6]


def rms_mm(X_covariance: np.ndarray, lens: Lens) -> float:
    """RMS displacement over the working volume."""
    points = volume(lens)
    lever = np.zeros((len(points), 3, 6))
    lever[:, :, :3] = np.eye(3)
    for k in range(3):
        lever[:, :, 3 + k] = np.cross(np.eye(3)[k], points)
    return 1e3 * float(np.sqrt(np.einsum("gai,ij,gaj->", lever, X_covariance, lever) / len(points)))


def lens_covariance(lens: Lens, corners: np.ndarray, views: np.ndarray, noise_px: float) -> np.ndarray:
    """(9, 9): bound of the lens from pictures with the poses ``views`` (n, 4, 4), their poses eliminated."""
    n = len(views)

    def seen(parameters=lens.parameters, poses=views):
        return Lens(parameters).project(apply(poses, corners)).reshape(n, -1)

    by_lens = np.stack(
        [
            (seen(lens.parameters + h * a) - seen(lens.parameters - h * a)) / (2 * h)
            for a, h in zip(np.eye(9), _LENS_STEPS, strict=True)
        ],
        axis=-1,
    )
    by_pose = np.stack(
        [
            (
                seen(poses=moved(views, np.tile(_POSE_STEP * a, (n, 1))))
                - seen(poses=moved(views, np.tile(-_POSE_STEP * a, (n, 1))))
            )
            / (2 * _POSE_STEP)
            for a in np.eye(6)
        ],
        axis=-1,
    )
    T = np.swapaxes(by_pose, -1, -2)
    rest = by_lens - by_pose @ np.linalg.solve(T @ by_pose, T @ by_lens)
    information = (np.swapaxes(by_lens, -1, -2) @ rest).sum(axis=0) / noise_px**2
    scale = 1 / np.sqrt(np.diagonal(information))
    return np.linalg.inv(information * scale[:, None] * scale) * scale[:, None] * scale
