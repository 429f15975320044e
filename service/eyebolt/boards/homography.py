"""Where a flat board's points lie in a picture, predicted from points of it that are known there."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.numeric import median
from eyebolt.geometry import Array

# Points closer to one line than this, in their own size, fix no plane.
_DEGENERATE = 1e-6
# Strangers are cast out in so many goes, each time those further off than so many medians, while most points stay.
_MAX_REJECTION_ROUNDS, _REJECTION_MEDIANS, _MIN_INLIER_SHARE = 4, 3.0, 0.6


@dataclass(frozen=True)
class PlaneHomography:
    """A homography, and how far the known points lie from it: a lens bends the board smoothly, so what is off nearby
    is off here too. ``reference_points`` (N, 2) in board units, ``residual_px`` (N, 2)."""

    image_H_board: Array
    reference_points: Array
    residual_px: Array

    @property
    def max_residual_px(self) -> float:
        """How far the known point that is off most lies from the homography."""
        return float(np.hypot(*self.residual_px.T).max())

    def predict(self, points: Array) -> tuple[Array, Array, Array]:
        """Pixels of board points (K, 2), and the picture's change per board unit along x and y, each (K, 2)."""
        h = self.image_H_board
        project_flat, depth = self._project_flat(points)
        return (
            project_flat + self._local_distortion(points),
            (h[:2, 0] - project_flat * h[2, 0]) / depth,
            (h[:2, 1] - project_flat * h[2, 1]) / depth,
        )

    def predict_around(self, centres: Array, offsets: Array) -> Array:
        """Pixels (2, M, P), x and y, of points ``centres`` (M, 2) + ``offsets`` (P, 2), bent as their middles are."""
        h = self.image_H_board
        x, y, depth = (h[:, :2] @ centres.T + h[:, 2:])[:, :, None] + (h[:, :2] @ offsets.T)[:, None]
        out: Array = np.stack([x, y]) / _not_zero(depth)
        out += self._local_distortion(centres).T[:, :, None]
        return out

    def project_flat(self, points: Array) -> Array:
        """Pixels of board points (K, 2) by the homography alone."""
        return self._project_flat(points)[0]

    def _project_flat(self, points: Array) -> tuple[Array, Array]:
        h = self.image_H_board
        top = points @ h[:2, :2].T + h[:2, 2]
        depth = _not_zero(points @ h[2, :2] + h[2, 2])[:, None]
        return top / depth, depth

    def _local_distortion(self, points: Array) -> Array:
        """What known points nearby are off by, weighted by exp(-distance^2 / 2)."""
        here, there = points.astype(np.float32), self.reference_points.astype(np.float32)
        # -distance^2 / 2 but for what all of a point's weights have in common.
        weight = here @ there.T
        weight -= (there**2).sum(axis=1) / 2
        weight -= weight.max(axis=1, keepdims=True)
        np.exp(weight, out=weight)
        out: Array = weight @ self.residual_px.astype(np.float32) / weight.sum(axis=1, keepdims=True)
        return out


def _not_zero(depth: Array) -> Array:
    out: Array = np.where(np.abs(depth) < 1e-9, 1e-9, depth)
    return out


def unit_px(points: Array, pixels: Array) -> float:
    """About how large a board unit is where board points (N, 2) are seen at ``pixels`` (N, 2); 0 if they lie on a
    line."""
    around = points - points.mean(axis=0)
    # The determinant of the linear map that fits best.
    (a, b), (c, d) = around.T @ around
    (e, f), (g, h) = around.T @ pixels
    area = a * d - b * c
    return float(np.sqrt(abs(e * h - f * g) / area)) if area > _DEGENERATE * max(a, d) ** 2 else 0.0


def fit_plane(
    points: Array, pixels: Array, inlier_limit_px: float | None = None
) -> tuple[PlaneHomography, NDArray[np.bool_]] | None:
    """The plane through board points (N, 2) seen at ``pixels`` (N, 2), and which of them it trusts.

    ``inlier_limit_px``: points further off belong to something else; None: all count.
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
    """Which points lie on one plane: a few strangers stand out at once, more take RANSAC (with the library's fixed
    seed)."""
    for _ in range(_MAX_REJECTION_ROUNDS):
        if plane is None:
            break
        residual_px = np.hypot(*(pixels - plane.project_flat(points)).T)
        if plane.max_residual_px <= inlier_limit_px:
            return np.asarray(residual_px <= inlier_limit_px, dtype=bool)
        is_inlier = residual_px <= max(inlier_limit_px, _REJECTION_MEDIANS * float(median(residual_px)))
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
    """Least squares on the equations without denominators, in coordinates of about one; None if they fix none.

    The direct linear transformation with normalised coordinates (Hartley, IEEE PAMI 19(6), 1997), last element 1.
    """
    both = np.concatenate([points, pixels], axis=1)
    centroid = both.mean(axis=0)
    both -= centroid
    sizes = np.sqrt((both**2).mean(axis=0).reshape(2, 2).mean(axis=1)).clip(1e-9)
    both /= np.repeat(sizes, 2)
    # Every sum that the equations need is a product of two of these columns: x, y, 1; u x, u y; v x, v y; u, v.
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
