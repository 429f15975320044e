"""Finding a board with coded markers: small first, then larger where squares crowd, the whole picture last.

Any board whose markers say where they are on it is found this way; ``MarkerPattern`` is what differs between them. The
corners are measured in the whole picture, whatever was searched.

Coded square markers: reading them, where unread ones crowd, and whether their bits stand where they should.

Marker dictionaries by the names that are printed with boards.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray

from eyebolt.boards.corner_refinement import CornerRefinement, MarkerPattern
from eyebolt.boards.detection import LocatedCorners, SearchImage
from eyebolt.boards.exposure import GrayImage
from eyebolt.boards.homography import PlaneHomography, fit_plane, unit_px
from eyebolt.boards.numeric import median
from eyebolt.boards.roi import ImageRegion, crop, downsampled, pyramid_factor, upsampled
from eyebolt.errors import InputFault
from eyebolt.geometry import Array

# Longest side of the first, small picture, and of the second one.
_SMALL_PX, _MIDDLE_PX = 640, 1300
_MIN_SIDE_PX = 5.0
# Markers this large in a window are read without fail; smaller ones are enlarged if they can be.
_RELIABLE_SIDE_PX = 20.0
_UPSAMPLE_BELOW_PX = 14.0
# The library's own smallest marker: a share of the picture.
_LIBRARY_MIN_SHARE = 0.03 / 4
# With so many markers agreeing on the place there is no doubt; fewer must show their bits.
_MIN_TRUSTED_MARKERS = 4
_MIN_VERIFIED_SHARE = 0.3
# So many of them, all over the board, tell as much as hundreds.
_MAX_VERIFIED_MARKERS = 30
# Wide enough for a lens that bends the board, too narrow for a marker read as another.
_MISREAD_SQUARES = 1.5
_MAX_CONTRADICTING_SHARE = 0.08
# Markers further from their plane than a lens bends it may be those of another board.
_MAX_RESIDUAL_SQUARES = 0.1
# Half-window in which a moved corner is looked for.
_TRACKING_HALF_PX = 4
# Too little of what should be visible: another look may show more.
_MIN_VISIBLE_SHARE = 0.5


def detect_marker_board(search_image: SearchImage, pattern: MarkerPattern) -> LocatedCorners | None:
    """Corners of a board with markers; None if there is none in the picture."""
    best: LocatedCorners | None = None
    if search_image.near is not None:
        tracked = _track(search_image, pattern)
        if tracked is not None:
            return tracked
    for region, markers in _search_passes(search_image, pattern):
        found = _refine(search_image, pattern, markers, region.scale)
        if found is None:
            continue
        located, marker_ratio = found
        if best is None or len(located.ids) > len(best.ids):
            best = located
        if marker_ratio >= _MIN_VISIBLE_SHARE:
            break
    return best


def _search_passes(search_image: SearchImage, pattern: MarkerPattern) -> Iterator[tuple[ImageRegion, DetectedMarkers]]:
    """One window after the other with the markers read in it, the cheapest and likeliest first."""
    image = search_image.gray_8bit
    longest = max(image.shape)
    done: list[float] = []
    for size_px in (_SMALL_PX, _MIDDLE_PX):
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
    region = downsampled(image, 1)
    yield (
        region,
        read_markers(region, pattern.dictionary, THOROUGH_THRESHOLD_BLOCKS, max(5.0, _LIBRARY_MIN_SHARE * longest)),
    )


def _track(search_image: SearchImage, pattern: MarkerPattern) -> LocatedCorners | None:
    """The board near where it was last seen, if its markers stand there; no search."""
    near = search_image.near
    if near is None or len(near.ids) < 4 or near.ids.max() >= len(pattern.corners):
        return None
    board = pattern.corners[near.ids]
    factor = pyramid_factor(unit_px(board, near.corners_px) / pattern.tracked_unit_px)
    margin = pattern.tracked_unit_px * factor
    region = search_image.crop(near.corners_px.min(axis=0) - margin, near.corners_px.max(axis=0) + margin, factor)
    start = region.from_full_image(near.corners_px).astype(np.float32).reshape(-1, 1, 2)
    inside = ((start > 0) & (start < np.array(region.image.shape[::-1]) - 1)).all(axis=(1, 2))
    if inside.sum() < 4:
        return None
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 6, 0.1)
    half = _TRACKING_HALF_PX
    moved = cv2.cornerSubPix(region.image, start[inside], (half, half), (-1, -1), criteria)
    moved_px = region.to_full_image(np.asarray(moved, dtype=np.float64).reshape(-1, 2))
    plane_fit = fit_plane(board[inside], moved_px, factor * 1.5)
    if plane_fit is None or plane_fit[1].mean() < _MIN_VISIBLE_SHARE:
        return None
    verified, fits = _verify_bits(search_image, pattern, plane_fit[0])
    if not verified or verified < _MIN_VERIFIED_SHARE * fits:
        return None
    found = _refine_on(search_image, pattern, plane_fit[0], 0.3 * factor, verify=False)
    return None if found is None or found[1] < _MIN_VISIBLE_SHARE else found[0]


def _verify_bits(search_image: SearchImage, pattern: MarkerPattern, plane: PlaneHomography) -> tuple[int, int]:
    subset = slice(None, None, -(-len(pattern.bits) // _MAX_VERIFIED_MARKERS))
    upper_left, bits = pattern.marker_corners[subset, 0], pattern.bits[subset]
    verified, inside = verify_markers(search_image.gray, plane, upper_left, pattern.side, bits)
    return int(verified.sum()), int(inside.sum())


def _consensus_plane(pattern: MarkerPattern, detected: DetectedMarkers) -> tuple[PlaneHomography, int, float] | None:
    """The plane on which most markers agree, how many do, and how far they lie from it, in squares (median)."""
    board = pattern.marker_corners[detected.ids].reshape(-1, 2)
    pixels = detected.corners_px.reshape(-1, 2)
    sides = np.linalg.norm(np.diff(detected.corners_px, axis=1), axis=2)
    square_px = float(median(sides.ravel())) / pattern.side
    plane_fit = fit_plane(board, pixels, max(4.0, _MISREAD_SQUARES * square_px))
    if plane_fit is None:
        return None
    plane, is_inlier = plane_fit
    contradicting = len(detected.ids) - int(is_inlier.reshape(-1, 4).all(axis=1).sum())
    if contradicting > max(1, _MAX_CONTRADICTING_SHARE * len(detected.ids)):
        # Another board with some markers in the same places: numbers would be wrong.
        return None
    residual_squares = float(median(np.linalg.norm(plane.residual_px, axis=1))) / square_px
    return plane, int(is_inlier.reshape(-1, 4).all(axis=1).sum()), residual_squares


def _refine(
    search_image: SearchImage, pattern: MarkerPattern, detected: DetectedMarkers, scale: float
) -> tuple[LocatedCorners, float] | None:
    """Corners predicted by markers and measured, and the share of those in the picture that were sound."""
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
    # Outlines of markers are good to a fraction of a pixel of the window that they were read in.
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
    located = LocatedCorners(
        ids, attempt.corners_px[ids], float(median(attempt.blur_px[ids])), half_turn_ambiguous=False
    )
    return located, len(ids) / max(1, int(attempt.visible.sum()))


# Side of a block that the adaptive threshold looks at: one is quick, all three find what the library finds.
FAST_THRESHOLD_BLOCKS = (5, 5, 4)
CLOSE_THRESHOLD_BLOCKS = (7, 7, 4)
THOROUGH_THRESHOLD_BLOCKS = (3, 23, 10)
# A crowd: squares of about the same size, not further from each other than this many of their sides.
_NEIGHBOUR_SIDES = 4.0
_MIN_CLUSTER = 4
# Correlation of a marker's cells with what it should show; chance gives less than half of this.
_MIN_CORRELATION = 0.55


@dataclass(frozen=True)
class DetectedMarkers:
    """``ids`` (M,), ``corners_px`` (M, 4, 2) clockwise from the marker's upper left, in pixels of the whole picture;
    ``unread_squares_px`` (S, 4, 2): dark squares that could not be read."""

    ids: NDArray[np.int64]
    corners_px: Array
    unread_squares_px: Array


def truncated_dictionary(downsampled: cv2.aruco.Dictionary, count: int) -> cv2.aruco.Dictionary:
    """The first ``count`` markers alone: a marker that the board does not have cannot be read by mistake."""
    return cv2.aruco.Dictionary(downsampled.bytesList[:count], downsampled.markerSize, downsampled.maxCorrectionBits)


def read_markers(
    region: ImageRegion, dictionary: cv2.aruco.Dictionary, threshold_blocks: tuple[int, int, int], min_side_px: float
) -> DetectedMarkers:
    """Markers with sides of ``min_side_px`` pixels of the window or more."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin, parameters.adaptiveThreshWinSizeMax, step = threshold_blocks
    parameters.adaptiveThreshWinSizeStep = step
    # The library takes its smallest marker as a share of the picture, a wrong measure on a large sensor.
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
    """Where squares crowd together: ``low_px``, ``high_px`` (2,), the median ``side_px`` of the squares, ``count``."""

    low_px: Array
    high_px: Array
    side_px: float
    count: int


def largest_cluster(detected: DetectedMarkers) -> SquareCluster | None:
    """Where most squares of about one size stand close together, read or not; None if they do not."""
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
    # Concentric outlines of one marker do not make a crowd.
    count = len(np.unique(np.round(centres[label == largest] / (0.5 * median(sides[label == largest]))), axis=0))
    if count < _MIN_CLUSTER:
        return None
    points = chosen.reshape(-1, 2)
    return SquareCluster(points.min(axis=0), points.max(axis=0), float(median(sides[label == largest])), count)


def verify_markers(
    gray: GrayImage, plane: PlaneHomography, upper_left: Array, side: float, bits: NDArray[np.uint8]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which markers show their own bits, and which lie in the picture, each (M,).

    ``upper_left`` (M, 2) and ``side`` in board units; ``bits`` (M, n, n), 1 is white, black border included. The
    cells' middles are read, so it costs next to nothing and depends on no search.
    """
    count, n, _ = bits.shape
    place = ((np.arange(n) + 0.5) / n - 0.5) * side
    cells = np.column_stack([np.tile(place, n), np.repeat(place, n)])
    x, y = np.rint(plane.predict_around(upper_left + side / 2, cells))
    height, width = gray.shape
    fits = ((x >= 0) & (x < width) & (y >= 0) & (y < height)).all(axis=1)
    place_in_rows = np.clip(y, 0, height - 1) * width + np.clip(x, 0, width - 1)
    level, expected = gray.ravel().take(place_in_rows.astype(np.int64)).astype(np.float32), bits.reshape(count, -1)
    level, expected = (crop - crop.mean(axis=1, dtype=np.float32, keepdims=True) for crop in (level, expected))
    both, levels, expected_norm = (
        np.einsum("mc,mc->m", a, b) for a, b in ((level, expected), (level, level), (expected, expected))
    )
    correlation = both / np.sqrt(np.maximum(levels * expected_norm, 1e-9))
    inside = np.asarray(fits, dtype=bool)
    return np.asarray(inside & (correlation > _MIN_CORRELATION), dtype=bool), inside


def marker_bits(dictionary: cv2.aruco.Dictionary, count: int) -> NDArray[np.uint8]:
    """(count, n, n): each marker with its black border of one cell; 1 is white."""
    side = dictionary.markerSize + 2
    drawn = [cv2.aruco.generateImageMarker(dictionary, k, side, borderBits=1) for k in range(count)]
    return (np.asarray(drawn, dtype=np.uint8) > 127).astype(np.uint8)


def draw_markers(
    image: NDArray[np.uint8],
    bits: NDArray[np.uint8],
    squares_at: NDArray[np.intp],
    size: int,
    marker_ratio: float,
    margin: float,
) -> None:
    """Paints marker k of ``bits`` (m, n, n), 1 is white, into the square (``size`` px) at row, column ``squares_at[k]``.

    A marker is ``marker_ratio`` of its square wide and begins at ``margin`` of it; each pixel takes the colour at its centre.
    """
    for cells, (row, column) in zip(bits, squares_at, strict=False):
        place = ((np.arange(size) + 0.5) / size - margin) / marker_ratio * len(cells)
        index = np.floor(place).astype(int)
        within = (index >= 0) & (index < len(cells))
        square = np.full((size, size), 255, np.uint8)
        square[np.ix_(within, within)] = cells[np.ix_(index[within], index[within])] * 255
        image[row * size : (row + 1) * size, column * size : (column + 1) * size] = square


def marker_dictionary(name: str) -> cv2.aruco.Dictionary:
    """OpenCV's predefined marker dictionary of that name, with or without its "DICT_".

    Raises InputFault ``board-dictionary`` listing the names there are.
    """
    known_names = _dictionary_names()
    expected = str(name).strip().upper().removeprefix("DICT_")
    if expected not in known_names:
        raise InputFault(
            "board-dictionary",
            f"no marker dictionary is called {name!r}",
            f"write one of {', '.join(sorted(known_names))}, as printed with the board.",
            known_names=sorted(known_names),
        )
    return cv2.aruco.getPredefinedDictionary(known_names[expected])


def check_dictionary(name: str | None, kind: str, layout: str, expected: int) -> None:
    """Raises InputFault ``board-dictionary`` unless ``name`` has the ``expected`` markers of a board of ``layout``."""
    if name is None:
        raise InputFault(
            "board-dictionary",
            f"a {kind} board needs the name of its marker dictionary",
            'write it as printed with the board, for instance dictionary = "5X5_100".',
        )
    available = len(marker_dictionary(name).bytesList)
    if expected > available:
        raise InputFault(
            "board-dictionary",
            f"{layout} need {expected} markers; {name} has {available}",
            "check the counts and the name of the dictionary.",
            expected=expected,
            available=available,
        )


@functools.cache
def _dictionary_names() -> dict[str, int]:
    names = (name for name in dir(cv2.aruco) if name.startswith("DICT_"))
    return {name.removeprefix("DICT_").upper(): int(getattr(cv2.aruco, name)) for name in names}
