"""The corners of a board with markers, measured where a homography predicts them, outliers rejected.

A few markers suffice to start: corners that were measured successfully improve the prediction of the others, until the
board is covered to its ends.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.corner_fit import DEFAULT_BLUR_PX, CornerFits
from eyebolt.boards.edge_samples import MarkerClearance, median
from eyebolt.boards.homography import PlaneHomography, fit_plane
from eyebolt.boards.roi import SearchImage
from eyebolt.geometry import Array

# The fit starts within a pixel or so of the corner; one that moves further has found another feature.
_MAX_MOVE_SQUARES = 0.25
# A larger standard deviation of a fitted corner means that two edges do not cross there.
_MAX_SIGMA_PX = 0.3
# Height of the edges as a share of the median: lower ones are shadows and print-through.
_MIN_STEP_RATIO = 0.3
# Residuals of the fit: up to 2.5 times the median over the corners, or up to a tenth of the height of the edge.
_MAX_RESIDUAL_RATIO, _RESIDUAL_STEP_RATIO = 2.5, 0.1
# In a blurred image with less clearance than this, the borders of the markers may reach into the pixels of the fit.
_BLURRED_PX, _MIN_CLEARANCE_PX = 1.1, 2.5
# A new prediction closer than this to the last one is not worth another fit.
_SHIFTED_PX, _SHIFTED_SQUARES = 0.5, 0.04
# A fit that finds an even surface along two lines of this length rules out a corner within that distance.
_EMPTY_RADIUS_PX = 8.0
# Deviation of a corner from the position interpolated between its neighbours.
_OUTLIER_PX, _OUTLIER_SQUARES = 0.3, 0.03
_MAX_PASSES = 4


@dataclass(frozen=True)
class MarkerPattern:
    """A board with markers as the detector uses it; lengths in board units (a square, or a marker with its gap)."""

    dictionary: cv2.aruco.Dictionary
    """The markers of the board only."""
    marker_corners: Array
    """(M, 4, 2), clockwise from the upper left."""
    bits: NDArray[np.uint8]
    """(M, n, n), cells of each marker with its border; 1 is white."""
    corners: Array
    """(K, 2), the numbered corners of the board."""
    first: Array
    """(K, 2), direction of the first edge at each corner."""
    second: Array
    """(K, 2), direction of the second edge, clockwise of the first."""
    sign: Array
    """(K,), 1 where the area between the two directions is the brighter one, -1 where it is the darker one."""
    clearance: MarkerClearance
    """Strip beside each edge that is free of marker cells."""
    fit: Callable[..., CornerFits]
    """``corner_fit.fit_corners`` for crossings or for L-junctions."""

    @cached_property
    def neighbour_weights(self) -> Array:
        """(K, K), exp(-distance^2 / 2) between corners, 0 on the diagonal: weights of the interpolation."""
        apart2 = ((self.corners[:, None] - self.corners) ** 2).sum(axis=2)
        weight: Array = np.exp(-apart2 / 2)
        np.fill_diagonal(weight, 0.0)
        return weight

    @property
    def side(self) -> float:
        """Side of a marker in board units."""
        return float(self.marker_corners[0, 1, 0] - self.marker_corners[0, 0, 0])


class CornerRefinement:
    """Corners predicted by a homography and fitted; ``valid`` (K,), or None if no corner is valid."""

    def __init__(
        self, search_image: SearchImage, pattern: MarkerPattern, plane: PlaneHomography, start_sigma_px: float
    ) -> None:
        self._search_image, self._pattern = search_image, pattern
        count = len(pattern.corners)
        self.corners_px = np.full((count, 2), np.nan)
        self.blur_px = np.full(count, np.nan)
        self._empty = np.zeros(count, dtype=bool)
        self._blur_px = DEFAULT_BLUR_PX
        self._residual_rms = np.full(count, np.nan)
        self._step = 0.0
        self.valid: NDArray[np.bool_] | None = None
        self._start_px, first_px, second_px, square_px = self._predict(plane)
        self._square_px = square_px
        facing = cross(first_px, second_px)
        if median(facing) <= 0:
            # A mirror image: boards are never seen from behind.
            return
        height, width = search_image.gray.shape
        within = (self._start_px > 1) & (self._start_px < (width - 2, height - 2))
        self.visible = within.all(axis=1) & (facing > 0)
        self.valid = np.zeros(count, dtype=bool)
        self._fit(np.flatnonzero(self.visible), first_px, second_px, square_px, start_sigma_px)
        if not self.valid.any():
            self.valid = None

    def _predict(self, plane: PlaneHomography) -> tuple[Array, Array, Array, Array]:
        at_px, along_x, along_y = plane.predict(self._pattern.corners)
        first, second = (d[:, :1] * along_x + d[:, 1:] * along_y for d in (self._pattern.first, self._pattern.second))
        square_px = np.sqrt(np.maximum(cross(along_x, along_y), 1e-12))
        return at_px, first, second, square_px

    def _fit(
        self, ids: NDArray[np.int64], first_px: Array, second_px: Array, square_px: Array, sigma_px: float
    ) -> None:
        if not len(ids) or self.valid is None:
            return
        clearance = self._pattern.clearance
        fits = self._fit_at(ids, first_px, second_px, clearance, sigma_px)
        blur_px = float(median(fits.blur_px))
        free_px = clearance.squares * float(median(square_px[ids])) - 2 * blur_px
        if blur_px > _BLURRED_PX and blur_px > 1.2 * self._blur_px and free_px < _MIN_CLEARANCE_PX:
            # The blurred borders of the markers reach further towards the edges than assumed.
            self._blur_px = blur_px
            fits = self._fit_at(ids, first_px, second_px, MarkerClearance(clearance.squares, 2 * blur_px), sigma_px)
        step = fits.step * self._pattern.sign[ids]
        self._step = self._step or float(median(np.abs(fits.step)))
        self._residual_rms[ids] = fits.residual_rms
        median_residual = float(median(self._residual_rms[~self.valid & np.isfinite(self._residual_rms)]))
        moved_px = np.hypot(*(fits.corners_px - self._start_px[ids]).T)
        good = (
            (fits.sigma_px < _MAX_SIGMA_PX)
            & (moved_px < np.maximum(1.5, _MAX_MOVE_SQUARES * square_px[ids]))
            & (step > _MIN_STEP_RATIO * self._step)
            # Otherwise the corner is occluded, or the edges are not those of a board.
            & (
                fits.residual_rms
                < np.maximum(_MAX_RESIDUAL_RATIO * median_residual, _RESIDUAL_STEP_RATIO * np.abs(fits.step))
            )
        )
        self.valid[ids] = good
        self._empty[ids] = np.isinf(fits.sigma_px) & (fits.residual_rms < _RESIDUAL_STEP_RATIO * self._step)
        self.corners_px[ids], self.blur_px[ids] = fits.corners_px, fits.blur_px

    def _fit_at(
        self, ids: NDArray[np.int64], first_px: Array, second_px: Array, clearance: MarkerClearance, sigma_px: float
    ) -> CornerFits:
        return self._pattern.fit(
            self._search_image.gray,
            self._start_px[ids],
            first_px[ids],
            second_px[ids],
            clearance,
            blur_px=self._blur_px,
            start_sigma_px=sigma_px,
            reference_step=self._step,
        )

    def _outliers(self, plane: PlaneHomography, valid: NDArray[np.bool_]) -> NDArray[np.int64]:
        """Valid corners that deviate from their neighbours: on the edge of a marker, a crack, a cable."""
        ids = np.flatnonzero(valid)
        residual_px = plane.residual_px
        middle = median(residual_px)
        if np.abs(residual_px - middle).max() < _OUTLIER_PX / 2:
            return ids[:0]
        spread = 0.05 + 1.5 * median(np.abs(residual_px - middle))
        # Clipped, so that an outlier does not shift the interpolation at its neighbours.
        clipped = np.zeros((len(valid), 3))
        clipped[ids, :2] = np.clip(residual_px, middle - 5 * spread, middle + 5 * spread)
        clipped[ids, 2] = 1.0
        neighbour_px = (self._pattern.neighbour_weights @ clipped)[ids]
        neighbour_px = neighbour_px[:, :2] / np.maximum(neighbour_px[:, 2:], 1e-12)
        limit = np.maximum(_OUTLIER_PX, _OUTLIER_SQUARES * self._square_px[ids])
        out: NDArray[np.int64] = ids[np.hypot(*(residual_px - neighbour_px).T) > limit]
        return out

    def extend(self) -> None:
        """Refit invalid corners where the valid ones now predict them, as long as that yields more valid corners."""
        for _ in range(_MAX_PASSES):
            plane = self._plane_through_valid()
            if plane is None or self.valid is None or self.valid.all():
                return
            before = self.valid.copy()
            self._fit_predicted(plane, before)
            if (self.valid == before).all():
                return
        self._plane_through_valid()

    def _plane_through_valid(self) -> PlaneHomography | None:
        """The homography of the valid corners; outliers among them are made invalid first."""
        if self.valid is None or self.valid.sum() < 4:
            return None
        plane_fit = fit_plane(self._pattern.corners[self.valid], self.corners_px[self.valid])
        if plane_fit is None:
            return None
        outliers = self._outliers(plane_fit[0], self.valid)
        if not len(outliers):
            return plane_fit[0]
        self.valid[outliers] = False
        plane_fit = fit_plane(self._pattern.corners[self.valid], self.corners_px[self.valid])
        return None if plane_fit is None else plane_fit[0]

    def _fit_predicted(self, plane: PlaneHomography, valid: NDArray[np.bool_]) -> None:
        """Fit the corners outside ``valid`` (K,) where ``plane`` predicts them, if the prediction has moved."""
        before = self._start_px
        self._start_px, first_px, second_px, square_px = self._predict(plane)
        height, width = self._search_image.gray.shape
        within = ((self._start_px > 1) & (self._start_px < (width - 2, height - 2))).all(axis=1)
        shifted_px = np.where(self._empty, _EMPTY_RADIUS_PX, np.maximum(_SHIFTED_PX, _SHIFTED_SQUARES * square_px))
        has_moved = np.hypot(*(self._start_px - before).T) > shifted_px
        self.visible = within & (cross(first_px, second_px) > 0)
        self._fit(np.flatnonzero(self.visible & ~valid & has_moved), first_px, second_px, square_px, 0.4)


def cross(a: Array, b: Array) -> Array:
    """z (K,) of the cross products of (K, 2) and (K, 2): positive where b is clockwise of a in the image."""
    out: Array = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    return out
