"""Markers of another board than the stated one: what is seen where no board is found.

Runs only after a failed search. The image is read at one reduced size, with the largest dictionary of each family.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.board import Board
from eyebolt.boards.charuco import CharucoBoard
from eyebolt.boards.detection import MarkerLayout, OtherMarkers
from eyebolt.boards.marker_detector import (
    CLOSE_THRESHOLD_BLOCKS,
    DetectedMarkers,
    largest_cluster,
    read_markers,
)
from eyebolt.boards.marker_dictionary import dictionary_family, dictionary_names, dictionary_size, marker_dictionary
from eyebolt.boards.marker_grid import MarkerGrid
from eyebolt.boards.roi import ImageRegion, SearchImage, downsampled, pyramid_factor
from eyebolt.geometry import Array

# Longest side of the image that is read.
_SIZE_PX = 1300
_MIN_SIDE_PX = 8.0
# Fewer markers may be misread; a board shows many more. From so many of the stated dictionary on, no other is tried.
_MIN_MARKERS, _CONCLUSIVE_MARKERS = 6, 12
# So many times the markers of any other dictionary; misreadings are few and spread over all of them.
_MIN_RATIO = 2.0
# Inlier limit of a layout's homography, as a share of the distance between two markers, and the inliers it needs.
_PLACE_LIMIT, _MIN_INLIER_SHARE = 0.35, 0.9
_AFFINE_LIMIT = 1.0
_MAX_COLUMNS = 40


def find_other_markers(search_image: SearchImage, board: Board) -> OtherMarkers | None:
    """The markers of another board in the image; None if there are none, or they are those of ``board``."""
    image = search_image.gray_8bit
    region = downsampled(image, pyramid_factor(2 * max(image.shape) / _SIZE_PX - 1e-9))
    stated = dictionary_family(board.dictionary) if isinstance(board, CharucoBoard | MarkerGrid) else None
    families = sorted(_families(), key=lambda family: family != stated)
    first = _read(region, families[0])
    if largest_cluster(first) is None:
        return None
    is_conclusive = stated is not None and len(np.unique(first.ids)) >= _CONCLUSIVE_MARKERS
    others = () if is_conclusive else families[1:]
    found = {families[0]: first} | {family: _read(region, family) for family in others}
    counts = {family: len(np.unique(detected.ids)) for family, detected in found.items()}
    family = max(counts, key=lambda name: counts[name])
    rivals = max((count for name, count in counts.items() if name != family), default=0)
    if counts[family] >= max(_MIN_MARKERS, _MIN_RATIO * rivals):
        detected = found[family]
        layout, columns = _layout(detected, board) if family == stated else (MarkerLayout.DICTIONARY, None)
        return None if layout is None else _summary(layout, family, detected, columns)
    if stated is None:
        return None
    mirrored = _read(replace(region, image=np.ascontiguousarray(region.image[:, ::-1])), stated)
    if len(np.unique(mirrored.ids)) < _MIN_MARKERS:
        return None
    return _summary(MarkerLayout.MIRRORED, stated, mirrored, None)


@functools.cache
def _families() -> tuple[str, ...]:
    return tuple(sorted({dictionary_family(name) for name in dictionary_names()}))


@functools.cache
def _largest_of(family: str) -> str:
    return max((n for n in dictionary_names() if dictionary_family(n) == family), key=dictionary_size)


def _read(region: ImageRegion, family: str) -> DetectedMarkers:
    return read_markers(region, marker_dictionary(_largest_of(family)), CLOSE_THRESHOLD_BLOCKS, _MIN_SIDE_PX)


def _summary(layout: MarkerLayout, family: str, detected: DetectedMarkers, columns: int | None) -> OtherMarkers:
    lowest, highest = int(detected.ids.min()), int(detected.ids.max())
    sufficient = [n for n in dictionary_names() if dictionary_family(n) == family and dictionary_size(n) > highest]
    return OtherMarkers(
        layout, min(sufficient, key=dictionary_size), len(np.unique(detected.ids)), lowest, highest, columns
    )


def _layout(detected: DetectedMarkers, board: Board) -> tuple[MarkerLayout | None, int | None]:
    """How markers of the stated dictionary are laid out; None if as on ``board``."""
    if isinstance(board, CharucoBoard):
        stated = (board.columns, int(board.first_square_black))
        count = board.columns * board.rows // 2
        orders: tuple[int, ...] = (stated[1], 1 - stated[1])
    else:
        stated, orders = (board.columns, -1), (-1,)
        count = board.columns * board.rows
    fitting = list(_fitting_layouts(detected, orders))
    if stated in fitting:
        return (MarkerLayout.MORE, board.columns) if int(detected.ids.max()) >= count else (None, None)
    columns = {of_layout for of_layout, _ in fitting}
    if board.columns in columns:
        return MarkerLayout.CORNER_ORDER, board.columns
    if board.rows in columns:
        return MarkerLayout.SWAPPED, board.rows
    return (MarkerLayout.COLUMNS, columns.pop()) if len(columns) == 1 else (MarkerLayout.OTHER, None)


def _fitting_layouts(detected: DetectedMarkers, orders: tuple[int, ...]) -> Iterator[tuple[int, int]]:
    """Numbers of columns, with the colour of the first square, under which the markers lie on one plane."""
    centres_px = detected.corners_px.mean(axis=1)
    side_px = float(np.median(np.linalg.norm(np.diff(detected.corners_px, axis=1), axis=2)))
    for columns in range(1, _MAX_COLUMNS + 1):
        for order in orders:
            places = _places(detected.ids, columns, order)
            if places is not None and _is_on_plane(places, centres_px, side_px):
                yield columns, order


def _places(ids: NDArray[np.int64], columns: int, first_square_black: int) -> Array | None:
    """(M, 2), column and row of markers numbered row by row; ``first_square_black`` -1: one in every place."""
    if first_square_black < 0:
        row, column = np.divmod(ids, columns)
        return np.column_stack([column, row]).astype(float)
    if columns < 2:
        return None
    row, column = np.divmod(np.arange(columns * (2 * int(ids.max()) // columns + 4)), columns)
    white = (row + column) % 2 == first_square_black
    return np.column_stack([column[white], row[white]])[ids].astype(float)


def _is_on_plane(places: Array, centres_px: Array, side_px: float) -> bool:
    if min(np.ptp(places, axis=0)) < 1:
        return False
    # An affine map misses perspective, but not by a marker; it rules out nearly all numbers of columns at once.
    design = np.column_stack([places, np.ones(len(places))])
    affine, *_ = np.linalg.lstsq(design, centres_px, rcond=None)
    if np.median(np.linalg.norm(design @ affine - centres_px, axis=1)) > _AFFINE_LIMIT * side_px:
        return False
    plane, inlier = cv2.findHomography(places, centres_px, cv2.RANSAC, _PLACE_LIMIT * side_px)
    if plane is None or inlier.mean() < _MIN_INLIER_SHARE:
        return False
    # A board that faces the camera is not mirrored.
    return bool(np.linalg.det(plane[:2, :2]) > 0)
