"""Coded square markers: reading them, where unread ones crowd, and whether their bits stand where they should."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray

from eyebolt.board.light import Pixels
from eyebolt.board.median import median
from eyebolt.board.plane import Plane
from eyebolt.board.window import Window
from eyebolt.geometry.rigid import Array

# Side of a block that the adaptive threshold looks at: one is quick, all three find what the library finds.
QUICK_BLOCKS = (5, 5, 4)
CLOSER_BLOCKS = (7, 7, 4)
THOROUGH_BLOCKS = (3, 23, 10)
# A crowd: squares of about the same size, not further from each other than this many of their sides.
_NEIGHBOUR_SIDES = 4.0
_CROWD = 4
# Correlation of a marker's cells with what it should show; chance gives less than half of this.
_CONFIRMED = 0.55


@dataclass(frozen=True)
class MarkersSeen:
    """``ids`` (M,), ``corners_px`` (M, 4, 2) clockwise from the marker's upper left, in pixels of the whole picture;
    ``squares_px`` (S, 4, 2): dark squares that could not be read."""

    ids: NDArray[np.int64]
    corners_px: Array
    squares_px: Array


def board_dictionary(whole: cv2.aruco.Dictionary, count: int) -> cv2.aruco.Dictionary:
    """The first ``count`` markers alone: a marker that the board does not have cannot be read by mistake."""
    return cv2.aruco.Dictionary(whole.bytesList[:count], whole.markerSize, whole.maxCorrectionBits)


def read_markers(
    window: Window, dictionary: cv2.aruco.Dictionary, blocks: tuple[int, int, int], least_side_px: float
) -> MarkersSeen:
    """Markers with sides of ``least_side_px`` pixels of the window or more."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin, parameters.adaptiveThreshWinSizeMax, step = blocks
    parameters.adaptiveThreshWinSizeStep = step
    # The library takes its smallest marker as a share of the picture, a wrong measure on a large sensor.
    parameters.minMarkerPerimeterRate = 4 * least_side_px / max(window.picture.shape)
    parameters.minDistanceToBorder = 1
    if blocks == QUICK_BLOCKS:
        parameters.perspectiveRemovePixelPerCell = 3
    corners, ids, rejected = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(window.picture)
    none = np.zeros((0, 4, 2))
    read = np.asarray(corners, dtype=np.float64).reshape(-1, 4, 2) if ids is not None and len(ids) else none
    squares = (
        np.asarray(rejected, dtype=np.float64).reshape(-1, 4, 2) if rejected is not None and len(rejected) else none
    )
    numbers = np.asarray(ids, dtype=np.int64).reshape(-1) if len(read) else np.zeros(0, np.int64)
    return MarkersSeen(numbers, window.to_whole(read), window.to_whole(squares))


@dataclass(frozen=True)
class Crowd:
    """Where squares crowd together: ``low_px``, ``high_px`` (2,), the median ``side_px`` of the squares, ``count``."""

    low_px: Array
    high_px: Array
    side_px: float
    count: int


def largest_crowd(seen: MarkersSeen) -> Crowd | None:
    """Where most squares of about one size stand close together, read or not; None if they do not."""
    squares = np.concatenate([seen.corners_px, seen.squares_px])
    if len(squares) < _CROWD:
        return None
    middles = squares.mean(axis=1)
    sides = np.linalg.norm(squares - np.roll(squares, 1, axis=1), axis=2).mean(axis=1)
    apart = np.linalg.norm(middles[:, None] - middles, axis=2)
    ratio = sides[:, None] / sides
    near = (apart < _NEIGHBOUR_SIDES * np.minimum(sides[:, None], sides)) & (ratio > 0.5) & (ratio < 2)
    _, label = scipy.sparse.csgraph.connected_components(near, directed=False)
    largest = int(np.argmax(np.bincount(label)))
    chosen = squares[label == largest]
    # Concentric outlines of one marker do not make a crowd.
    count = len(np.unique(np.round(middles[label == largest] / (0.5 * median(sides[label == largest]))), axis=0))
    if count < _CROWD:
        return None
    points = chosen.reshape(-1, 2)
    return Crowd(points.min(axis=0), points.max(axis=0), float(median(sides[label == largest])), count)


def confirmed_markers(
    gray: Pixels, plane: Plane, upper_left: Array, side: float, bits: NDArray[np.uint8]
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
    level, wanted = gray.ravel().take(place_in_rows.astype(np.int64)).astype(np.float32), bits.reshape(count, -1)
    level, wanted = (part - part.mean(axis=1, dtype=np.float32, keepdims=True) for part in (level, wanted))
    both, levels, wants = (np.einsum("mc,mc->m", a, b) for a, b in ((level, wanted), (level, level), (wanted, wanted)))
    agreement = both / np.sqrt(np.maximum(levels * wants, 1e-9))
    inside = np.asarray(fits, dtype=bool)
    return np.asarray(inside & (agreement > _CONFIRMED), dtype=bool), inside


def marker_bits(dictionary: cv2.aruco.Dictionary, count: int) -> NDArray[np.uint8]:
    """(count, n, n): each marker with its black border of one cell; 1 is white."""
    side = dictionary.markerSize + 2
    drawn = [cv2.aruco.generateImageMarker(dictionary, k, side, borderBits=1) for k in range(count)]
    return (np.asarray(drawn, dtype=np.uint8) > 127).astype(np.uint8)


def paint_markers(
    image: NDArray[np.uint8], bits: NDArray[np.uint8], places: NDArray[np.intp], size: int, share: float, edge: float
) -> None:
    """Paints marker k of ``bits`` (m, n, n), 1 is white, into the square (``size`` px) at row, column ``places[k]``.

    A marker is ``share`` of its square wide and begins at ``edge`` of it; each pixel takes the colour at its centre.
    """
    for cells, (row, column) in zip(bits, places, strict=False):
        place = ((np.arange(size) + 0.5) / size - edge) / share * len(cells)
        index = np.floor(place).astype(int)
        within = (index >= 0) & (index < len(cells))
        square = np.full((size, size), 255, np.uint8)
        square[np.ix_(within, within)] = cells[np.ix_(index[within], index[within])] * 255
        image[row * size : (row + 1) * size, column * size : (column + 1) * size] = square
