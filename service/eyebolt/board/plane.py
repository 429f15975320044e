"""Where a flat board's points lie in a picture, predicted from points of it that are known there."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.geometry.rigid import Array

# Points closer to one line than this, in their own size, fix no plane.
_FLATTEST = 1e-6


@dataclass(frozen=True)
class Plane:
    """A homography, and how far the known points lie from it: a lens bends the board smoothly, so what is off nearby
    is off here too. ``known`` (N, 2) in board units, ``off_px`` (N, 2)."""

    picture_T_board: Array
    known: Array
    off_px: Array

    def predict(self, points: Array) -> tuple[Array, Array, Array]:
        """Pixels of board points (K, 2), and the picture's change per board unit along x and y, each (K, 2)."""
        flat, along_x, along_y = self._flat(points)
        return flat + self._bend(points), along_x, along_y

    def predict_around(self, middles: Array, offsets: Array) -> Array:
        """Pixels (M, P, 2) of points ``middles`` (M, 2) + ``offsets`` (P, 2), bent as their middles are."""
        points = (middles[:, None] + offsets).reshape(-1, 2)
        return self._flat(points)[0].reshape(len(middles), -1, 2) + self._bend(middles)[:, None]

    def flat(self, points: Array) -> Array:
        """Pixels of board points (K, 2) by the homography alone."""
        return self._flat(points)[0]

    def _flat(self, points: Array) -> tuple[Array, Array, Array]:
        h = self.picture_T_board
        top = points @ h[:2, :2].T + h[:2, 2]
        depth = points @ h[2, :2] + h[2, 2]
        depth = np.where(np.abs(depth) < 1e-9, 1e-9, depth)[:, None]
        flat = top / depth
        return flat, (h[:2, 0] - flat * h[2, 0]) / depth, (h[:2, 1] - flat * h[2, 1]) / depth

    def _bend(self, points: Array) -> Array:
        """What known points nearby are off by, weighted by exp(-distance^2 / 2)."""
        distance2 = (points**2).sum(1)[:, None] + (self.known**2).sum(1) - 2 * points @ self.known.T
        weight = np.exp(np.maximum(distance2.min(axis=1, keepdims=True) - distance2, -60.0).astype(np.float32) / 2)
        out: Array = weight @ self.off_px.astype(np.float32) / weight.sum(axis=1, keepdims=True)
        return out


def plane_through(
    points: Array, pixels: Array, loose_px: float | None = None
) -> tuple[Plane, NDArray[np.bool_]] | None:
    """The plane through board points (N, 2) seen at ``pixels`` (N, 2), and which of them it trusts.

    ``loose_px``: points further off belong to something else (RANSAC with the library's fixed seed); None: all count.
    """
    if len(points) < 4:
        return None
    h = _homography(points, pixels)
    agrees = np.ones(len(points), dtype=bool)
    if loose_px is not None and (h is None or _farthest_px(h, points, pixels) > loose_px):
        found, inliers = cv2.findHomography(points, pixels, cv2.RANSAC, loose_px)
        if found is None or inliers is None:
            return None
        agrees = np.asarray(inliers).ravel().astype(bool)
        h = _homography(points[agrees], pixels[agrees]) if agrees.sum() >= 4 else None
    if h is None:
        return None
    bare = Plane(h, points[agrees], np.zeros((int(agrees.sum()), 2)))
    return Plane(h, points[agrees], pixels[agrees] - bare.flat(points[agrees])), agrees


def _homography(points: Array, pixels: Array) -> Array | None:
    """Least squares on the equations without denominators, in coordinates of about one; None if they fix none.

    The direct linear transformation with normalised coordinates (Hartley, IEEE PAMI 19(6), 1997), last element 1.
    """
    middle_b, middle_p = points.mean(axis=0), pixels.mean(axis=0)
    size_b, size_p = max(float(points.std()), 1e-9), max(float(pixels.std()), 1e-9)
    x, y = ((points - middle_b) / size_b).T
    u, v = ((pixels - middle_p) / size_p).T
    rows = np.zeros((2 * len(points), 8))
    rows[::2, 0], rows[::2, 1], rows[::2, 2] = x, y, 1
    rows[1::2, 3], rows[1::2, 4], rows[1::2, 5] = x, y, 1
    rows[::2, 6], rows[::2, 7] = -u * x, -u * y
    rows[1::2, 6], rows[1::2, 7] = -v * x, -v * y
    if x.var() * y.var() - np.mean(x * y) ** 2 < _FLATTEST or u.var() * v.var() - np.mean(u * v) ** 2 < _FLATTEST:
        return None
    try:
        flat = np.linalg.solve(rows.T @ rows, rows.T @ np.column_stack([u, v]).ravel())
    except np.linalg.LinAlgError:
        return None
    unit = np.append(flat, 1.0).reshape(3, 3)
    onto_pixels = np.array([[size_p, 0, middle_p[0]], [0, size_p, middle_p[1]], [0, 0, 1]])
    from_board = np.array([[1 / size_b, 0, -middle_b[0] / size_b], [0, 1 / size_b, -middle_b[1] / size_b], [0, 0, 1]])
    out: Array = onto_pixels @ unit @ from_board
    return out


def _farthest_px(h: Array, points: Array, pixels: Array) -> float:
    flat = Plane(h, points[:0], pixels[:0]).flat(points)
    return float(np.linalg.norm(flat - pixels, axis=1).max())
