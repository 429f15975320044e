"""The homography of a flat board with a smooth local correction: predicts its points in the image from known ones."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.geometry import Array

# Points closer to one line than this, relative to their spread, determine no homography.
_DEGENERATE = 1e-6
# Outliers beyond three median residuals are rejected in at most four rounds, as long as 60 % of the points remain.
_MAX_REJECTION_ROUNDS, _REJECTION_MEDIANS, _MIN_INLIER_SHARE = 4, 3.0, 0.6


@dataclass(frozen=True)
class PlaneHomography:
    """A homography with the residuals of the points that it was fitted to.

    Lens distortion displaces the board smoothly, so a predicted point is corrected by the residuals nearby.
    """

    image_H_board: Array
    """(3, 3), board units to pixels."""
    reference_points: Array
    """(N, 2), board units."""
    residual_px: Array
    """(N, 2), observed minus predicted by the homography."""

    @property
    def max_residual_px(self) -> float:
        """The largest residual, as a distance."""
        return float(np.hypot(*self.residual_px.T).max())

    def predict(self, points: Array) -> tuple[Array, Array, Array]:
        """Pixels of board points (K, 2), and their derivatives by the board's x and y, px per unit, each (K, 2)."""
        h = self.image_H_board
        project_flat, depth = self._project_flat(points)
        return (
            project_flat + self._local_distortion(points),
            (h[:2, 0] - project_flat * h[2, 0]) / depth,
            (h[:2, 1] - project_flat * h[2, 1]) / depth,
        )

    def predict_around(self, centres: Array, offsets: Array) -> Array:
        """Pixels (2, M, P) of points ``centres`` (M, 2) + ``offsets`` (P, 2), with the correction of their centres."""
        h = self.image_H_board
        x, y, depth = (h[:, :2] @ centres.T + h[:, 2:])[:, :, None] + (h[:, :2] @ offsets.T)[:, None]
        out: Array = np.stack([x, y]) / _not_zero(depth)
        out += self._local_distortion(centres).T[:, :, None]
        return out

    def project_flat(self, points: Array) -> Array:
        """Pixels of board points (K, 2) by the homography alone, without the local correction."""
        return self._project_flat(points)[0]

    def _project_flat(self, points: Array) -> tuple[Array, Array]:
        h = self.image_H_board
        top = points @ h[:2, :2].T + h[:2, 2]
        depth = _not_zero(points @ h[2, :2] + h[2, 2])[:, None]
        return top / depth, depth

    def _local_distortion(self, points: Array) -> Array:
        """Mean residual (K, 2) of the reference points, weighted by exp(-distance^2 / 2) in board units."""
        here, there = points.astype(np.float32), self.reference_points.astype(np.float32)
        # -distance^2 / 2 up to a constant per point, which the normalisation cancels.
        weight = here @ there.T
        weight -= (there**2).sum(axis=1) / 2
        weight -= weight.max(axis=1, keepdims=True)
        np.exp(weight, out=weight)
        out: Array = weight @ self.residual_px.astype(np.float32) / weight.sum(axis=1, keepdims=True)
        return out


def _not_zero(depth: Array) -> Array:
    out: Array = np.where(np.abs(depth) < 1e-9, 1e-9, depth)
    return out


def fit_plane(
    points: Array, pixels: Array, inlier_limit_px: float | None = None
) -> tuple[PlaneHomography, NDArray[np.bool_]] | None:
    """The homography of board points (N, 2) observed at ``pixels`` (N, 2), and the inlier mask (N,).

    ``inlier_limit_px``: largest residual of an inlier; None: every point is one. None as result if the points determine
    no homography.
    """
    if len(points) < 4:
        return None
    plane = _fit_homography(points, pixels)
    is_inlier = np.ones(len(points), dtype=bool)
    if inlier_limit_px is not None and (plane is None or plane.max_residual_px > inlier_limit_px):
        is_inlier = _inlier_mask(points, pixels, plane, inlier_limit_px)
        plane = _fit_homography(points[is_inlier], pixels[is_inlier]) if is_inlier.sum() >= 4 else None
    return None if plane is None else (plane, is_inlier)


def _inlier_mask(
    points: Array, pixels: Array, plane: PlaneHomography | None, inlier_limit_px: float
) -> NDArray[np.bool_]:
    """The points (N,) that lie on one plane.

    A few outliers are rejected by their residuals; more of them take RANSAC, which OpenCV seeds deterministically.
    """
    for _ in range(_MAX_REJECTION_ROUNDS):
        if plane is None:
            break
        residual_px = np.hypot(*(pixels - plane.project_flat(points)).T)
        if plane.max_residual_px <= inlier_limit_px:
            return np.asarray(residual_px <= inlier_limit_px, dtype=bool)
        is_inlier = residual_px <= max(inlier_limit_px, _REJECTION_MEDIANS * float(np.median(residual_px)))
        if is_inlier.mean() < _MIN_INLIER_SHARE:
            break
        plane = _fit_homography(points[is_inlier], pixels[is_inlier])
    found, inliers = cv2.findHomography(points, pixels, cv2.RANSAC, inlier_limit_px)
    return np.zeros(len(points), dtype=bool) if found is None else np.asarray(inliers).ravel().astype(bool)


def _fit_homography(points: Array, pixels: Array) -> PlaneHomography | None:
    h = _dlt(points, pixels)
    if h is None:
        return None
    return PlaneHomography(h, points, pixels - PlaneHomography(h, points, np.zeros_like(points)).project_flat(points))


def _dlt(points: Array, pixels: Array) -> Array | None:
    """The direct linear transformation with normalised coordinates (Hartley, IEEE PAMI 19(6), 1997), last element 1.

    Least squares on the equations multiplied by their denominators; None if the points determine no homography.
    """
    both = np.concatenate([points, pixels], axis=1)
    centroid = both.mean(axis=0)
    both -= centroid
    sizes = np.sqrt((both**2).mean(axis=0).reshape(2, 2).mean(axis=1)).clip(1e-9)
    both /= np.repeat(sizes, 2)
    # Every sum of the normal equations is a product of two of these columns: x, y, 1; u x, u y; v x, v y; u, v.
    columns = np.ones((len(points), 9))
    columns[:, :2] = both[:, :2]
    columns[:, 3:5] = both[:, 2:3] * both[:, :2]
    columns[:, 5:7] = both[:, 3:4] * both[:, :2]
    columns[:, 7:] = both[:, 2:]
    sums = columns.T @ columns / len(points)
    if min(sums[k, k] * sums[k + 1, k + 1] - sums[k, k + 1] ** 2 for k in (0, 7)) < _DEGENERATE:
        return None
    normal, rhs = np.zeros((8, 8)), np.empty(8)
    normal[:3, :3] = normal[3:6, 3:6] = sums[:3, :3]
    normal[:3, 6:], normal[3:6, 6:] = -sums[:3, 3:5], -sums[:3, 5:7]
    normal[6:, :6] = normal[:6, 6:].T
    normal[6:, 6:] = sums[3:5, 3:5] + sums[5:7, 5:7]
    rhs[:3], rhs[3:6], rhs[6:] = sums[:3, 7], sums[:3, 8], -(sums[3:5, 7] + sums[5:7, 8])
    try:
        unit = np.append(np.linalg.solve(normal, rhs), 1.0).reshape(3, 3)
    except np.linalg.LinAlgError:
        return None
    (size_b, size_p), (x, y, u, v) = sizes, centroid
    onto_pixels = np.array([[size_p, 0, u], [0, size_p, v], [0, 0, 1]])
    from_board = np.array([[1 / size_b, 0, -x / size_b], [0, 1 / size_b, -y / size_b], [0, 0, 1]])
    out: Array = onto_pixels @ unit @ from_board
    return out
