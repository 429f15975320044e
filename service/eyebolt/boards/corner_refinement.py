"""The corners of a board with markers, measured where a plane predicts them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.corner_fit import DEFAULT_BLUR_PX, CornerFits
from eyebolt.boards.detection import SearchImage
from eyebolt.boards.edge_samples import MarkerClearance
from eyebolt.boards.homography import PlaneHomography, fit_plane
from eyebolt.boards.numeric import median
from eyebolt.geometry import Array

# The fit begins within a pixel or so; one that wanders off has found something else.
_MAX_MOVE_SQUARES = 0.25
_MAX_SIGMA_PX = 0.3
_MIN_STEP_RATIO = 0.3
_MAX_RESIDUAL_RATIO, _RESIDUAL_STEP_RATIO = 2.5, 0.1
# In a blurred picture the borders of markers may reach into what the fit looks at, if less than this is left.
_BLURRED_PX, _MIN_CLEARANCE_PX = 1.1, 2.5
_SHIFTED_PX, _SHIFTED_SQUARES = 0.5, 0.04
# Where a fit saw an even surface and no edge, along two lines longer than this, there is none so near either.
_EMPTY_RADIUS_PX = 8.0
# How far a corner may lie from where its neighbours put it.
_OUTLIER_PX, _OUTLIER_SQUARES = 0.3, 0.03
_MAX_PASSES = 4


@dataclass(frozen=True)
class MarkerPattern:
    """A board with markers, in board units of one square (or one marker and its gap).

    ``dictionary`` holds its markers only; ``marker_corners`` (M, 4, 2) clockwise from the upper left; ``bits``
    (M, n, n). ``corners`` (K, 2) in the order of their numbers; ``first``, ``second`` (K, 2): what the fit takes as the
    two directions at each corner, x to y turning clockwise; ``sign`` (K,): whether the square between the two is the
    brighter one. ``clearance``, ``fit``: how corners are fitted. ``tracked_unit_px``: size of a unit at which a
    moved board is looked for, so that a corner stands alone in its window.
    """

    dictionary: cv2.aruco.Dictionary
    marker_corners: Array
    bits: NDArray[np.uint8]
    corners: Array
    first: Array
    second: Array
    sign: Array
    clearance: MarkerClearance
    fit: Callable[..., CornerFits]
    tracked_unit_px: float = 10.0

    @cached_property
    def neighbour_weights(self) -> Array:
        """How much corners say about each other, exp(-distance^2 / 2), nothing about themselves: (K, K)."""
        apart2 = ((self.corners[:, None] - self.corners) ** 2).sum(axis=2)
        weight: Array = np.exp(-apart2 / 2)
        np.fill_diagonal(weight, 0.0)
        return weight

    @property
    def side(self) -> float:
        """Side of a marker in board units."""
        return float(self.marker_corners[0, 1, 0] - self.marker_corners[0, 0, 0])


class CornerRefinement:
    """The corners of a board as one plane predicts them, fitted; ``valid`` (K,) or None if there are none."""

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
            # Seen from behind: a mirror image.
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
            # The borders of the markers reach further towards the edges than assumed.
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
            # Something lies over it, or its edges are not those of a board.
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
        """Sound corners that lie elsewhere than their neighbours say: an edge of a marker, a crack, a cable."""
        ids = np.flatnonzero(valid)
        residual_px = plane.residual_px
        middle = median(residual_px)
        if np.abs(residual_px - middle).max() < _OUTLIER_PX / 2:
            return ids[:0]
        spread = 0.05 + 1.5 * median(np.abs(residual_px - middle))
        # A stray one must not drag its neighbours with it.
        clipped = np.zeros((len(valid), 3))
        clipped[ids, :2] = np.clip(residual_px, middle - 5 * spread, middle + 5 * spread)
        clipped[ids, 2] = 1.0
        neighbour_px = (self._pattern.neighbour_weights @ clipped)[ids]
        neighbour_px = neighbour_px[:, :2] / np.maximum(neighbour_px[:, 2:], 1e-12)
        limit = np.maximum(_OUTLIER_PX, _OUTLIER_SQUARES * self._square_px[ids])
        out: NDArray[np.int64] = ids[np.hypot(*(residual_px - neighbour_px).T) > limit]
        return out

    def extend(self) -> None:
        """Corners that were not sound, where the sound ones now put them, if that is somewhere else; and again while
        that finds more: from a few markers in the middle a board is found towards its ends step by step."""
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
        """The plane through the sound corners, once those that lie astray are sound no more."""
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
        """Fits what is not ``valid`` (K,) where ``plane`` puts it, if that is somewhere else."""
        before = self._start_px
        self._start_px, first_px, second_px, square_px = self._predict(plane)
        height, width = self._search_image.gray.shape
        within = ((self._start_px > 1) & (self._start_px < (width - 2, height - 2))).all(axis=1)
        shifted_px = np.where(self._empty, _EMPTY_RADIUS_PX, np.maximum(_SHIFTED_PX, _SHIFTED_SQUARES * square_px))
        has_moved = np.hypot(*(self._start_px - before).T) > shifted_px
        self.visible = within & (cross(first_px, second_px) > 0)
        self._fit(np.flatnonzero(self.visible & ~valid & has_moved), first_px, second_px, square_px, 0.4)


def cross(a: Array, b: Array) -> Array:
    """z of the cross products of (K, 2) and (K, 2): positive where b is clockwise of a in the picture."""
    out: Array = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    return out
