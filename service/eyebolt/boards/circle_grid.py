"""An asymmetric grid of black circles, detected as a whole only: its corners are the centres of the circles.

The image of a tilted circle is an ellipse whose centre is not the image of the circle's centre. The latter follows
exactly from the conic Q of the ellipse and the vanishing line l of the board's plane, whatever the circle's size: it is
the pole Q^-1 l (Hartley and Zisserman, Multiple View Geometry, 2nd edition, section 2.2.3: projection preserves pole
and polar, and the centre of a circle is the pole of the line at infinity of its plane).

The circles are numbered by growing a lattice from one blob to its neighbours and matching it with the board's corners.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.artwork import Artwork, Disc
from eyebolt.boards.board import Board, LocatedCorners
from eyebolt.boards.exposure import GrayImage
from eyebolt.boards.homography import PlaneHomography, fit_plane
from eyebolt.boards.roi import SearchImage, downsampled, pyramid_factor
from eyebolt.geometry import Array

# Longest sides of the images searched, one after the other.
_SIZES_PX = (820, 1640)
_MIN_BLOB_PX2 = 12.0
# Of more blobs only the largest are used: noise has tens of thousands of small ones, whose distances fill the memory.
_MAX_BLOBS = 1500
# A circle of the board has at least so many others of its size within so many of its diameters.
_MIN_NEIGHBOURS, _NEIGHBOUR_DIAMETERS = 1, 4.0
# Rays from the centre of a circle, and samples along each, in spacings: the next circle begins about 0.9 away.
_RAYS, _SAMPLES, _FIRST, _LAST = 32, 48, 0.12, 0.72
# Half-width, in samples, of the interval over which the position of an edge is averaged.
_EDGE_SAMPLES = 4
_MAX_EDGE_RESIDUAL_PX = 0.5
# Share of the circles that must be measured; number of circles around one that define its local homography.
_MIN_VALID_SHARE, _NEIGHBOURS = 0.7, 12
_MAX_RESIDUAL_SPACINGS = 0.25
# Deviation of a neighbour from its predicted place, as a share of the lattice step.
_MAX_STEP_DEVIATION = 0.3
# Blobs near the middle from which the lattice is grown, until one succeeds.
_MAX_SEEDS = 6
# Diameter of a circle as it is drawn, in spacings; detection works with others too.
_DRAWN_DIAMETER = 1.0
# OpenCV accepts x and y in one map or in two; its type stubs have the second form only.
_NO_MAP: Any = None


@dataclass(frozen=True)
class CircleGrid(Board):
    """Circles in rows ``spacing_m`` apart; circles of one row are twice that apart, every second row is set off by it.

    Columns: circles in a row. Origin: the centre of the first circle. Corners: the centres of the circles, row by row.
    """

    kind: ClassVar[str] = "circles"
    min_count: ClassVar[int] = 3
    counted: ClassVar[str] = "circles in a row (columns) and the rows of circles"

    spacing_m: float
    """Distance between rows, m."""

    @property
    def pitch_m(self) -> float:
        """Distance between rows, m."""
        return self.spacing_m

    @property
    def half_turn_ambiguous(self) -> bool:
        """With an even number of rows the last one is set off as the first one is not."""
        return self.rows % 2 == 0

    def corners(self) -> Array:
        """Centres (K, 2) in spacings; whole numbers."""
        row, column = np.divmod(np.arange(self.columns * self.rows), self.columns)
        return np.column_stack([2.0 * column + row % 2, row.astype(float)])

    def artwork(self) -> Artwork:
        """The circles, as wide as their rows are apart."""
        centres, radius = self.corners(), _DRAWN_DIAMETER / 2
        x, y = centres.max(axis=0)
        discs = tuple(Disc(float(x), float(y), _DRAWN_DIAMETER) for x, y in centres)
        return Artwork((-radius, -radius), (float(x) + radius, float(y) + radius), discs=discs)

    def locate(self, search_image: SearchImage) -> LocatedCorners | None:
        """The centres of at least 70 % of the circles; None unless all of the board is in view."""
        points = self.corners()
        start = _search(search_image, points)
        if start is None:
            return None
        edges = _edges(search_image.gray, start, points)
        conics, valid = _conics(edges)
        if valid.sum() < max(_NEIGHBOURS, _MIN_VALID_SHARE * len(points)):
            return None
        # The vanishing line follows from the centres and the centres from the line; two rounds converge.
        centres_px = projected_centres(conics, edges.centre_px, start.image_H_board)
        for _ in range(2):
            centres_px = projected_centres(conics, edges.centre_px, _local_homographies(points, centres_px, valid))
        ids = np.flatnonzero(valid)
        return LocatedCorners(ids, centres_px[ids], float(np.median(edges.blur_px[ids])))


def projected_centres(conics: Array, origin_px: Array, image_H_board: Array) -> Array:
    """Images (K, 2) of the circles' centres, px: the poles of the vanishing line.

    ``conics`` (K, 3, 3): the ellipses, in pixels relative to ``origin_px`` (K, 2). ``image_H_board``: homography of the
    plane, (3, 3) or one for each circle (K, 3, 3).
    """
    vanishing = np.broadcast_to(np.linalg.inv(image_H_board)[..., 2, :], (len(conics), 3))
    # Last coefficient of the line in coordinates relative to origin_px.
    last = (origin_px * vanishing[:, :2]).sum(axis=1) + vanishing[:, 2]
    poles = np.linalg.solve(conics, np.column_stack([vanishing[:, :2], last])[..., None])[..., 0]
    out: Array = origin_px + poles[:, :2] / poles[:, 2:]
    return out


def ellipse_centres(conics: Array, origin_px: Array) -> Array:
    """Centres of the ellipses (K, 2), px: the poles of the image's own line at infinity, not the circles' centres."""
    poles = np.linalg.solve(conics, np.tile([0.0, 0.0, 1.0], (len(conics), 1))[..., None])[..., 0]
    out: Array = origin_px + poles[:, :2] / poles[:, 2:]
    return out


def _local_homographies(points: Array, centres_px: Array, valid: NDArray[np.bool_]) -> Array:
    """A homography for each circle (K, 3, 3) from the circles around it, which follows the distortion of the lens."""
    known = np.flatnonzero(valid)
    distance2 = ((points[:, None] - points[known]) ** 2).sum(axis=2)
    global_fit = fit_plane(points[known], centres_px[known])
    out = np.tile(np.eye(3) if global_fit is None else global_fit[0].image_H_board, (len(points), 1, 1))
    for k, order in enumerate(np.argsort(distance2, axis=1, kind="stable")[:, :_NEIGHBOURS]):
        near = known[order]
        plane_fit = fit_plane(points[near], centres_px[near])
        if plane_fit is not None:
            out[k] = plane_fit[0].image_H_board
    return out


def _search(search_image: SearchImage, points: Array) -> PlaneHomography | None:
    image = search_image.gray_8bit
    sizes_px = _SIZES_PX[:1] if search_image.is_quick else _SIZES_PX
    factors = {pyramid_factor(2 * max(image.shape) / size - 1e-9) for size in sizes_px}
    for factor in sorted(factors, reverse=True):
        region = downsampled(image, factor)
        blobs = _blobs(region.image)
        found = index_lattice(blobs, points) if len(blobs) >= len(points) else None
        plane_fit = None if found is None else fit_plane(points, region.to_full_image(found))
        if plane_fit is not None and _is_plausible(plane_fit[0], points):
            return plane_fit[0]
    return None


def _is_plausible(plane: PlaneHomography, points: Array) -> bool:
    """The points lie in one plane that is seen from its front."""
    _, along_x, along_y = plane.predict(points)
    area = along_x[:, 0] * along_y[:, 1] - along_x[:, 1] * along_y[:, 0]
    residual = np.linalg.norm(plane.residual_px, axis=1) / np.sqrt(np.maximum(np.abs(area), 1e-9))
    return bool((area > 0).all() and residual.max() < _MAX_RESIDUAL_SPACINGS)


def _blobs(image: NDArray[np.uint8]) -> Array:
    """Centres (N, 2) of dark blobs that have neighbours of about their size."""
    keypoints = _blob_detector(image.size).detect(image)
    blobs = np.array([(*blob.pt, blob.size) for blob in keypoints], dtype=np.float64).reshape(-1, 3)
    if len(blobs) > _MAX_BLOBS:
        blobs = blobs[np.sort(np.argsort(-blobs[:, 2], kind="stable")[:_MAX_BLOBS])]
    size = blobs[:, 2]
    distance = np.linalg.norm(blobs[:, None, :2] - blobs[:, :2], axis=2)
    ratio = size[:, None] / np.maximum(size, 1e-9)
    is_alike = (distance < _NEIGHBOUR_DIAMETERS * size[:, None]) & (ratio > 0.6) & (ratio < 1 / 0.6)
    out: Array = blobs[is_alike.sum(axis=1) > _MIN_NEIGHBOURS, :2]
    return out


def _blob_detector(size: int) -> Any:
    parameters = cv2.SimpleBlobDetector_Params()  # type: ignore[attr-defined]
    parameters.minArea = _MIN_BLOB_PX2
    parameters.maxArea = size / 20
    parameters.minDistBetweenBlobs = 3
    parameters.filterByInertia = False
    parameters.minConvexity = 0.85
    return cv2.SimpleBlobDetector_create(parameters)  # type: ignore[attr-defined]


@dataclass(frozen=True)
class _EdgePoints:
    """Points on the outline of every circle."""

    centre_px: Array
    """(K, 2), approximate centres."""
    offset_px: Array
    """(K, R, 2), edge points relative to the centre."""
    strength: Array
    """(K, R), brightness step at each edge point, grey levels."""
    blur_px: Array
    """(K,), width of the edge."""


def _edges(gray: GrayImage, plane: PlaneHomography, points: Array) -> _EdgePoints:
    """Edge points on rays from the predicted centre of each circle: the centroid of the steepest rise in brightness."""
    centre_px, along_x, along_y = plane.predict(points)
    angle = np.arange(_RAYS) * (2 * np.pi / _RAYS)
    ray = np.cos(angle)[:, None] * along_x[:, None] + np.sin(angle)[:, None] * along_y[:, None]
    lattice = np.linspace(_FIRST, _LAST, _SAMPLES)
    at = (centre_px[:, None, None] + ray[:, :, None] * lattice[:, None]).astype(np.float32)
    flat = at.reshape(len(points), -1, 2)
    level = cv2.remap(gray, flat, _NO_MAP, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    rise = np.diff(np.asarray(level, dtype=np.float64).reshape(len(points), _RAYS, _SAMPLES), axis=2)
    # All circles have one radius in board units, which narrows the search on every ray.
    common_peak = int(np.argmax(rise.clip(0).sum(axis=(0, 1))))
    index = np.arange(_SAMPLES - 1)
    reach = 2 * _EDGE_SAMPLES
    coarse = np.where(np.abs(index - common_peak) <= reach, rise, 0).clip(0)
    peak = np.argmax(coarse, axis=2)
    weight = np.where(np.abs(index - peak[..., None]) <= _EDGE_SAMPLES, rise, 0).clip(0)
    strength = weight.sum(axis=2)
    total = np.maximum(strength, 1e-9)
    centre = (weight * index).sum(axis=2) / total
    edge_width = np.sqrt(np.maximum((weight * (index - centre[..., None]) ** 2).sum(axis=2) / total, 0))
    step = lattice[1] - lattice[0]
    radius = lattice[0] + (centre + 0.5) * step
    blur_px = np.median(edge_width * step * np.linalg.norm(ray, axis=2), axis=1)
    return _EdgePoints(centre_px, ray * radius[..., None], strength, blur_px)


def _conics(edges: _EdgePoints) -> tuple[Array, NDArray[np.bool_]]:
    """Ellipses (K, 3, 3) through the edge points, a x^2 + b x y + c y^2 + d x + e y = 1, and which fits are valid (K,).

    Linear least squares, repeated once without outlier edge points.
    """
    size = np.linalg.norm(edges.offset_px, axis=2).mean(axis=1)
    x, y = (edges.offset_px[..., k] / size[:, None] for k in (0, 1))
    weight = (edges.strength > 0.3 * np.median(edges.strength)).astype(float)
    design = np.stack([x * x, x * y, y * y, x, y], axis=-1)
    for _ in range(2):
        weighted = design * weight[..., None]
        normal = np.swapaxes(weighted, 1, 2) @ design + 1e-9 * np.eye(5)
        flat = np.linalg.solve(normal, weighted.sum(axis=1)[..., None])[..., 0]
        # To first order the distance of a point from the ellipse is half its algebraic residual, in radii.
        residual_px = (np.einsum("krn,kn->kr", design, flat) - 1) / 2 * size[:, None]
        weight = weight * (np.abs(residual_px) < _MAX_EDGE_RESIDUAL_PX)
    a, b, c, d, e = flat.T
    ones = np.ones(len(a))
    unit = np.array([[a, b / 2, d / 2], [b / 2, c, e / 2], [d / 2, e / 2, -ones]])
    scale = np.stack([1 / size, 1 / size, ones])
    conics = np.moveaxis(unit * scale[:, None] * scale[None], 2, 0)
    valid = (weight.mean(axis=1) > 0.7) & (a * c - b * b / 4 > 0.05)
    return conics, valid


def index_lattice(blobs: Array, target_points: Array) -> Array | None:
    """The blobs (K, 2), px, at the board's ``target_points`` (K, 2), whole numbers in spacings.

    ``blobs`` (N, 2), px. None unless every point has a blob. Of several rotations that fit, the first is taken; mirror
    images never fit.
    """
    centre = np.median(blobs, axis=0)
    for start in np.argsort(np.linalg.norm(blobs - centre, axis=1))[:_MAX_SEEDS]:
        steps = _steps(blobs, int(start))
        if steps is None:
            continue
        lattice = _grow_lattice(blobs, int(start), steps)
        if len(lattice) < len(target_points):
            continue
        found = _match_points(blobs, lattice, target_points)
        if found is not None:
            return found
    return None


def _steps(blobs: Array, start: int) -> tuple[Array, Array] | None:
    """The two diagonal lattice steps from a blob to its neighbours; the second is clockwise of the first."""
    away = blobs - blobs[start]
    near = np.argsort(np.linalg.norm(away, axis=1))[1:7]
    for first in near[:2]:
        for second in near:
            area = float(away[first, 0] * away[second, 1] - away[first, 1] * away[second, 0])
            lengths = np.linalg.norm(away[[first, second]], axis=1)
            if area > 0.35 * lengths.prod():
                return away[first], away[second]
    return None


def _grow_lattice(blobs: Array, start: int, steps: tuple[Array, Array]) -> dict[tuple[int, int], int]:
    """Blob index by lattice coordinates, grown from ``start``; the steps are updated on the way, for perspective."""
    lattice = {(0, 0): start}
    taken = {start}
    frontier: list[tuple[tuple[int, int], Array, Array]] = [((0, 0), steps[0], steps[1])]
    while frontier:
        (a, b), first, second = frontier.pop(0)
        for axis, sign in ((0, 1), (0, -1), (1, 1), (1, -1)):
            to = (a + sign, b) if axis == 0 else (a, b + sign)
            if to in lattice:
                continue
            step = sign * (first if axis == 0 else second)
            distance = np.linalg.norm(blobs - blobs[lattice[a, b]] - step, axis=1)
            nearest = int(np.argmin(distance))
            if nearest in taken or distance[nearest] > _MAX_STEP_DEVIATION * np.linalg.norm(step):
                continue
            lattice[to] = nearest
            taken.add(nearest)
            observed_step = sign * (blobs[nearest] - blobs[lattice[a, b]])
            frontier.append((to, observed_step if axis == 0 else first, second if axis == 0 else observed_step))
    return lattice


def _match_points(blobs: Array, lattice: dict[tuple[int, int], int], target_points: Array) -> Array | None:
    """The blobs at the points under the first rotation and shift that put every point on the lattice, or None.

    The two lattice steps are the shortest ones or, on a tilted board, one of them and the diagonal beside it: each
    rotation is tried with each such shear.
    """
    x, y = target_points.astype(int).T
    # In diagonal steps (x, y) = a (1, -1) + b (1, 1); the second step is clockwise of the first.
    a, b = (x - y) // 2, (x + y) // 2
    rotations = ((a, b), (-b, a), (-a, -b), (b, -a))
    sheared = [(p + k * q, q + m * p) for p, q in rotations for k, m in ((0, 0), (1, 0), (-1, 0), (0, 1), (0, -1))]
    for rotated_a, rotated_b in sheared:
        rotated = list(zip(rotated_a.tolist(), rotated_b.tolist(), strict=True))
        for shift_a, shift_b in lattice:
            # Most shifts fail at one of their first points.
            if all((p + shift_a, q + shift_b) in lattice for p, q in rotated):
                return blobs[[lattice[p + shift_a, q + shift_b] for p, q in rotated]]
    return None
