"""Detection of boards with coded markers, and their verification by the bits of the markers.

The search goes from coarse to fine: a small version of the whole image first, then the regions in which dark squares
cluster at a larger scale, the whole image at full size last. Markers read at any of these scales give a homography; the
corners it predicts are measured in the full image. MarkerPattern holds all that differs between the kinds of boards.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray

from eyebolt.boards.board import LocatedCorners
from eyebolt.boards.corner_refinement import CornerRefinement, MarkerPattern
from eyebolt.boards.exposure import GrayImage
from eyebolt.boards.homography import PlaneHomography, fit_plane
from eyebolt.boards.roi import ImageRegion, SearchImage, crop, downsampled, pyramid_factor, upsampled
from eyebolt.geometry import Array

# Longest side of the first, smallest image searched, and of the second.
_SMALL_PX, _MIDDLE_PX = 640, 1300
_MIN_SIDE_PX = 5.0
# Markers of this size are read reliably; smaller ones are enlarged if the image has the pixels.
_RELIABLE_SIDE_PX = 20.0
_UPSAMPLE_BELOW_PX = 14.0
# Smallest marker that OpenCV detects by default: side as a share of the longest side of the image.
_LIBRARY_MIN_SHARE = 0.03 / 4
# As many markers that agree on one homography are trusted; fewer must show their bits.
_MIN_TRUSTED_MARKERS = 4
_MIN_VERIFIED_SHARE = 0.3
# A sample of so many markers, spread over the board, decides as reliably as hundreds.
_MAX_VERIFIED_MARKERS = 30
# Inlier limit of the homography, in squares: wider than lens distortion, narrower than the place of another marker.
_MISREAD_SQUARES = 1.5
_MAX_CONTRADICTING_SHARE = 0.08
# A larger median residual, in squares, than lens distortion causes may mean markers of another board.
_MAX_RESIDUAL_SQUARES = 0.1
# With a smaller share of the corners expected in the image, the next pass may find more.
_MIN_VISIBLE_SHARE = 0.5
# Block sizes of the adaptive threshold (smallest, largest, step): the fast one has one size, the thorough ones are
# OpenCV's defaults.
FAST_THRESHOLD_BLOCKS = (5, 5, 4)
CLOSE_THRESHOLD_BLOCKS = (7, 7, 4)
THOROUGH_THRESHOLD_BLOCKS = (3, 23, 10)
# A cluster: squares of similar size, at most this many of their sides apart.
_NEIGHBOUR_SIDES = 4.0
_MIN_CLUSTER = 4
# Correlation of a marker's cells in the image with its bits; unrelated cells reach less than half of this.
_MIN_CORRELATION = 0.55


def detect_marker_board(search_image: SearchImage, pattern: MarkerPattern) -> LocatedCorners | None:
    """Corners of the board with most corners in any pass of the search; None if there is none in the image."""
    best: LocatedCorners | None = None
    for region, markers in _search_passes(search_image, pattern):
        found = _refine(search_image, pattern, markers, region.scale)
        if found is None:
            continue
        located, visible_share = found
        if best is None or len(located.ids) > len(best.ids):
            best = located
        if visible_share >= _MIN_VISIBLE_SHARE:
            break
    return best


def _search_passes(search_image: SearchImage, pattern: MarkerPattern) -> Iterator[tuple[ImageRegion, DetectedMarkers]]:
    """Regions with the markers read in them, the cheapest and most promising first."""
    image = search_image.gray_8bit
    longest = max(image.shape)
    done: list[float] = []
    for size_px in (_SMALL_PX,) if search_image.is_quick else (_SMALL_PX, _MIDDLE_PX):
        factor = pyramid_factor(2 * longest / size_px - 1e-9)
        if factor in done:
            continue
        done.append(factor)
        region = downsampled(image, factor)
        detected = read_markers(region, pattern.dictionary, FAST_THRESHOLD_BLOCKS, _MIN_SIDE_PX)
        if len(detected.ids) >= _MIN_TRUSTED_MARKERS:
            yield region, detected
        cluster = largest_cluster(detected)
        if cluster is None:
            continue
        margin = 3 * cluster.side_px
        scale = min(pyramid_factor(cluster.side_px / _RELIABLE_SIDE_PX), factor)
        closer = crop(image, cluster.low_px - margin, cluster.high_px + margin, scale)
        if cluster.side_px < _UPSAMPLE_BELOW_PX:
            closer = upsampled(closer, 2)
        for threshold_blocks in (CLOSE_THRESHOLD_BLOCKS, THOROUGH_THRESHOLD_BLOCKS):
            detected = read_markers(closer, pattern.dictionary, threshold_blocks, _MIN_SIDE_PX)
            if len(detected.ids) >= _MIN_TRUSTED_MARKERS or threshold_blocks == THOROUGH_THRESHOLD_BLOCKS:
                yield closer, detected
    if search_image.is_quick:
        return
    region = downsampled(image, 1)
    yield (
        region,
        read_markers(region, pattern.dictionary, THOROUGH_THRESHOLD_BLOCKS, max(5.0, _LIBRARY_MIN_SHARE * longest)),
    )


def _verify_bits(search_image: SearchImage, pattern: MarkerPattern, plane: PlaneHomography) -> tuple[int, int]:
    subset = slice(None, None, -(-len(pattern.bits) // _MAX_VERIFIED_MARKERS))
    upper_left, bits = pattern.marker_corners[subset, 0], pattern.bits[subset]
    verified, inside = verify_markers(search_image.gray, plane, upper_left, pattern.side, bits)
    return int(verified.sum()), int(inside.sum())


def _consensus_plane(pattern: MarkerPattern, detected: DetectedMarkers) -> tuple[PlaneHomography, int, float] | None:
    """The homography on which most markers agree, their number, and their median residual in squares."""
    board = pattern.marker_corners[detected.ids].reshape(-1, 2)
    pixels = detected.corners_px.reshape(-1, 2)
    sides = np.linalg.norm(np.diff(detected.corners_px, axis=1), axis=2)
    square_px = float(np.median(sides.ravel())) / pattern.side
    plane_fit = fit_plane(board, pixels, max(4.0, _MISREAD_SQUARES * square_px))
    if plane_fit is None:
        return None
    plane, is_inlier = plane_fit
    contradicting = len(detected.ids) - int(is_inlier.reshape(-1, 4).all(axis=1).sum())
    if contradicting > max(1, _MAX_CONTRADICTING_SHARE * len(detected.ids)):
        # Another board with some markers in the same places: its corners would get wrong numbers.
        return None
    residual_squares = float(np.median(np.linalg.norm(plane.residual_px, axis=1))) / square_px
    return plane, int(is_inlier.reshape(-1, 4).all(axis=1).sum()), residual_squares


def _refine(
    search_image: SearchImage, pattern: MarkerPattern, detected: DetectedMarkers, scale: float
) -> tuple[LocatedCorners, float] | None:
    """Corners predicted by the markers and measured, and the share of valid ones among those within the image."""
    if not len(detected.ids):
        return None
    consensus = _consensus_plane(pattern, detected)
    if consensus is None:
        return None
    plane, count, residual_squares = consensus
    return _refine_on(
        search_image,
        pattern,
        plane,
        scale,
        verify=count < _MIN_TRUSTED_MARKERS or residual_squares > _MAX_RESIDUAL_SQUARES,
    )


def _refine_on(
    search_image: SearchImage, pattern: MarkerPattern, plane: PlaneHomography, scale: float, verify: bool
) -> tuple[LocatedCorners, float] | None:
    # Marker corners are accurate to a fraction of a pixel of the region in which they were read.
    start_sigma_px = max(0.4, 0.3 * scale)
    attempt = CornerRefinement(search_image, pattern, plane, start_sigma_px)
    if attempt.valid is None:
        return None
    attempt.extend()
    valid = attempt.valid
    if not valid.any():
        return None
    if verify:
        plane_fit = fit_plane(pattern.corners[valid], attempt.corners_px[valid])
        if plane_fit is None:
            return None
        verified, inside = _verify_bits(search_image, pattern, plane_fit[0])
        if verified < max(1, _MIN_VERIFIED_SHARE * inside):
            return None
    ids = np.flatnonzero(valid)
    located = LocatedCorners(ids, attempt.corners_px[ids], float(np.median(attempt.blur_px[ids])))
    return located, len(ids) / max(1, int(attempt.visible.sum()))


@dataclass(frozen=True)
class DetectedMarkers:
    """Markers read in one region."""

    ids: NDArray[np.int64]
    """(M,), numbers in the dictionary."""
    corners_px: Array
    """(M, 4, 2), clockwise from the marker's upper left, full-image pixels."""
    unread_squares_px: Array
    """(S, 4, 2), dark squares that were not identified as a marker, full-image pixels."""


def read_markers(
    region: ImageRegion, dictionary: cv2.aruco.Dictionary, threshold_blocks: tuple[int, int, int], min_side_px: float
) -> DetectedMarkers:
    """Markers of ``dictionary`` with sides of at least ``min_side_px`` pixels of the region."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin, parameters.adaptiveThreshWinSizeMax, step = threshold_blocks
    parameters.adaptiveThreshWinSizeStep = step
    # OpenCV states the smallest perimeter as a share of the image, which is too large on a large sensor.
    parameters.minMarkerPerimeterRate = 4 * min_side_px / max(region.image.shape)
    parameters.minDistanceToBorder = 1
    if threshold_blocks == FAST_THRESHOLD_BLOCKS:
        parameters.perspectiveRemovePixelPerCell = 3
    corners, ids, rejected = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(region.image)
    none = np.zeros((0, 4, 2))
    read = np.asarray(corners, dtype=np.float64).reshape(-1, 4, 2) if ids is not None and len(ids) else none
    squares = (
        np.asarray(rejected, dtype=np.float64).reshape(-1, 4, 2) if rejected is not None and len(rejected) else none
    )
    numbers = np.asarray(ids, dtype=np.int64).reshape(-1) if len(read) else np.zeros(0, np.int64)
    return DetectedMarkers(numbers, region.to_full_image(read), region.to_full_image(squares))


@dataclass(frozen=True)
class SquareCluster:
    """The bounding box of neighbouring squares of similar size."""

    low_px: Array
    """(2,), upper left of the cluster."""
    high_px: Array
    """(2,), lower right of the cluster."""
    side_px: float
    """Median side of the squares."""


def largest_cluster(detected: DetectedMarkers) -> SquareCluster | None:
    """The largest cluster of squares of similar size, read or not; None without a cluster."""
    squares = np.concatenate([detected.corners_px, detected.unread_squares_px])
    if len(squares) < _MIN_CLUSTER:
        return None
    centres = squares.mean(axis=1)
    sides = np.linalg.norm(squares - np.roll(squares, 1, axis=1), axis=2).mean(axis=1)
    distance = np.linalg.norm(centres[:, None] - centres, axis=2)
    ratio = sides[:, None] / sides
    near = (distance < _NEIGHBOUR_SIDES * np.minimum(sides[:, None], sides)) & (ratio > 0.5) & (ratio < 2)
    _, label = scipy.sparse.csgraph.connected_components(near, directed=False)
    largest = int(np.argmax(np.bincount(label)))
    chosen = squares[label == largest]
    # Concentric outlines of one marker are not a cluster.
    count = len(np.unique(np.round(centres[label == largest] / (0.5 * np.median(sides[label == largest]))), axis=0))
    if count < _MIN_CLUSTER:
        return None
    points = chosen.reshape(-1, 2)
    return SquareCluster(points.min(axis=0), points.max(axis=0), float(np.median(sides[label == largest])))


def verify_markers(
    gray: GrayImage, plane: PlaneHomography, upper_left: Array, side: float, bits: NDArray[np.uint8]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which markers show their own bits, and which lie within the image, each (M,).

    ``upper_left`` (M, 2) and ``side`` in board units; ``bits`` (M, n, n), 1 is white, black border included. Reads the
    centres of the cells where ``plane`` predicts them and correlates them with the bits, without any search.
    """
    count, n, _ = bits.shape
    place = ((np.arange(n) + 0.5) / n - 0.5) * side
    cells = np.column_stack([np.tile(place, n), np.repeat(place, n)])
    x, y = np.rint(plane.predict_around(upper_left + side / 2, cells))
    height, width = gray.shape
    fits = ((x >= 0) & (x < width) & (y >= 0) & (y < height)).all(axis=1)
    flat_index = np.clip(y, 0, height - 1) * width + np.clip(x, 0, width - 1)
    level, expected = gray.ravel().take(flat_index.astype(np.int64)).astype(np.float32), bits.reshape(count, -1)
    level, expected = (a - a.mean(axis=1, dtype=np.float32, keepdims=True) for a in (level, expected))
    both, levels, expected_norm = (
        np.einsum("mc,mc->m", a, b) for a, b in ((level, expected), (level, level), (expected, expected))
    )
    correlation = both / np.sqrt(np.maximum(levels * expected_norm, 1e-9))
    inside = np.asarray(fits, dtype=bool)
    return np.asarray(inside & (correlation > _MIN_CORRELATION), dtype=bool), inside
