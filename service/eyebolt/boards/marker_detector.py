"""Finding a board with coded markers: small first, then larger where squares crowd, the whole picture last.

Any board whose markers say where they are on it is found this way; ``MarkedPattern`` is what differs between them. The
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

from eyebolt.boards.corner_refinement import Attempt, MarkedPattern
from eyebolt.boards.detection import Located, Scene
from eyebolt.boards.exposure import Pixels
from eyebolt.boards.homography import Plane, plane_through, unit_px
from eyebolt.boards.numeric import median
from eyebolt.boards.roi import Window, enlarged, halvings, part, whole
from eyebolt.errors import InputFault
from eyebolt.geometry import Array

# Longest side of the first, small picture, and of the second one.
_SMALL_PX, _MIDDLE_PX = 640, 1300
_LEAST_SIDE_PX = 5.0
# Markers this large in a window are read without fail; smaller ones are enlarged if they can be.
_COMFORTABLE_SIDE_PX = 20.0
_ENLARGED_BELOW_PX = 14.0
# The library's own smallest marker: a share of the picture.
_LIBRARY_SHARE = 0.03 / 4
# With so many markers agreeing on the place there is no doubt; fewer must show their bits.
_BEYOND_DOUBT = 4
_LEAST_CONFIRMED = 0.3
# So many of them, all over the board, tell as much as hundreds.
_MOST_CONFIRMED = 30
# Wide enough for a lens that bends the board, too narrow for a marker read as another.
_MISREAD_SQUARES = 1.5
_MOST_CONTRADICTING = 0.08
# Markers further from their plane than a lens bends it may be those of another board.
_OFF_SQUARES = 0.1
# Half-window in which a moved corner is looked for.
_FOLLOWED_HALF_PX = 4
# Too little of what should be visible: another look may show more.
_ENOUGH = 0.5


def locate_marked(scene: Scene, pattern: MarkedPattern) -> Located | None:
    """Corners of a board with markers; None if there is none in the picture."""
    best: Located | None = None
    if scene.near is not None:
        followed = _follow(scene, pattern)
        if followed is not None:
            return followed
    for window, markers in _looks(scene, pattern):
        found = _measure(scene, pattern, markers, window.scale)
        if found is None:
            continue
        located, share = found
        if best is None or len(located.ids) > len(best.ids):
            best = located
        if share >= _ENOUGH:
            break
    return best


def _looks(scene: Scene, pattern: MarkedPattern) -> Iterator[tuple[Window, MarkersSeen]]:
    """One window after the other with the markers read in it, the cheapest and likeliest first."""
    picture = scene.finder
    longest = max(picture.shape)
    done: list[float] = []
    for size_px in (_SMALL_PX, _MIDDLE_PX):
        factor = halvings(2 * longest / size_px - 1e-9)
        if factor in done:
            continue
        done.append(factor)
        window = whole(picture, factor)
        seen = read_markers(window, pattern.dictionary, QUICK_BLOCKS, _LEAST_SIDE_PX)
        if len(seen.ids) >= _BEYOND_DOUBT:
            yield window, seen
        crowd = largest_crowd(seen)
        if crowd is None:
            continue
        margin = 3 * crowd.side_px
        scale = min(halvings(crowd.side_px / _COMFORTABLE_SIDE_PX), factor)
        closer = part(picture, crowd.low_px - margin, crowd.high_px + margin, scale)
        if crowd.side_px < _ENLARGED_BELOW_PX:
            closer = enlarged(closer, 2)
        for blocks in (CLOSER_BLOCKS, THOROUGH_BLOCKS):
            seen = read_markers(closer, pattern.dictionary, blocks, _LEAST_SIDE_PX)
            if len(seen.ids) >= _BEYOND_DOUBT or blocks == THOROUGH_BLOCKS:
                yield closer, seen
    window = whole(picture, 1)
    yield window, read_markers(window, pattern.dictionary, THOROUGH_BLOCKS, max(5.0, _LIBRARY_SHARE * longest))


def _follow(scene: Scene, pattern: MarkedPattern) -> Located | None:
    """The board near where it was last seen, if its markers stand there; no search."""
    near = scene.near
    if near is None or len(near.ids) < 4 or near.ids.max() >= len(pattern.corners):
        return None
    board = pattern.corners[near.ids]
    factor = halvings(unit_px(board, near.corners_px) / pattern.followed_px)
    margin = pattern.followed_px * factor
    window = scene.part(near.corners_px.min(axis=0) - margin, near.corners_px.max(axis=0) + margin, factor)
    start = window.from_whole(near.corners_px).astype(np.float32).reshape(-1, 1, 2)
    inside = ((start > 0) & (start < np.array(window.picture.shape[::-1]) - 1)).all(axis=(1, 2))
    if inside.sum() < 4:
        return None
    until = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 6, 0.1)
    half = _FOLLOWED_HALF_PX
    moved = cv2.cornerSubPix(window.picture, start[inside], (half, half), (-1, -1), until)
    moved_px = window.to_whole(np.asarray(moved, dtype=np.float64).reshape(-1, 2))
    through = plane_through(board[inside], moved_px, factor * 1.5)
    if through is None or through[1].mean() < _ENOUGH:
        return None
    confirmed, fits = _confirm(scene, pattern, through[0])
    if not confirmed or confirmed < _LEAST_CONFIRMED * fits:
        return None
    found = _measure_on(scene, pattern, through[0], 0.3 * factor, doubt=False)
    return None if found is None or found[1] < _ENOUGH else found[0]


def _confirm(scene: Scene, pattern: MarkedPattern, plane: Plane) -> tuple[int, int]:
    some = slice(None, None, -(-len(pattern.bits) // _MOST_CONFIRMED))
    upper_left, bits = pattern.marker_corners[some, 0], pattern.bits[some]
    confirmed, inside = confirmed_markers(scene.gray, plane, upper_left, pattern.side, bits)
    return int(confirmed.sum()), int(inside.sum())


def _trusted(pattern: MarkedPattern, seen: MarkersSeen) -> tuple[Plane, int, float] | None:
    """The plane on which most markers agree, how many do, and how far they lie from it, in squares (median)."""
    board = pattern.marker_corners[seen.ids].reshape(-1, 2)
    pixels = seen.corners_px.reshape(-1, 2)
    sides = np.linalg.norm(np.diff(seen.corners_px, axis=1), axis=2)
    square_px = float(median(sides.ravel())) / pattern.side
    through = plane_through(board, pixels, max(4.0, _MISREAD_SQUARES * square_px))
    if through is None:
        return None
    plane, agrees = through
    contradicting = len(seen.ids) - int(agrees.reshape(-1, 4).all(axis=1).sum())
    if contradicting > max(1, _MOST_CONTRADICTING * len(seen.ids)):
        # Another board with some markers in the same places: numbers would be wrong.
        return None
    off_squares = float(median(np.linalg.norm(plane.off_px, axis=1))) / square_px
    return plane, int(agrees.reshape(-1, 4).all(axis=1).sum()), off_squares


def _measure(scene: Scene, pattern: MarkedPattern, seen: MarkersSeen, scale: float) -> tuple[Located, float] | None:
    """Corners predicted by markers and measured, and the share of those in the picture that were sound."""
    if not len(seen.ids):
        return None
    trusted = _trusted(pattern, seen)
    if trusted is None:
        return None
    plane, count, off_squares = trusted
    return _measure_on(scene, pattern, plane, scale, doubt=count < _BEYOND_DOUBT or off_squares > _OFF_SQUARES)


def _measure_on(
    scene: Scene, pattern: MarkedPattern, plane: Plane, scale: float, doubt: bool
) -> tuple[Located, float] | None:
    # Outlines of markers are good to a fraction of a pixel of the window that they were read in.
    start_sigma_px = max(0.4, 0.3 * scale)
    attempt = Attempt(scene, pattern, plane, start_sigma_px)
    if attempt.sound is None:
        return None
    attempt.look_again()
    sound = attempt.sound
    if not sound.any():
        return None
    if doubt:
        through = plane_through(pattern.corners[sound], attempt.corners_px[sound])
        if through is None:
            return None
        confirmed, inside = _confirm(scene, pattern, through[0])
        if confirmed < max(1, _LEAST_CONFIRMED * inside):
            return None
    ids = np.flatnonzero(sound)
    located = Located(ids, attempt.corners_px[ids], float(median(attempt.blur_px[ids])), half_turn_ambiguous=False)
    return located, len(ids) / max(1, int(attempt.visible.sum()))


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


def marker_dictionary(name: str) -> cv2.aruco.Dictionary:
    """OpenCV's predefined marker dictionary of that name, with or without its "DICT_".

    Raises InputFault ``board-dictionary`` listing the names there are.
    """
    known = _dictionary_names()
    wanted = str(name).strip().upper().removeprefix("DICT_")
    if wanted not in known:
        raise InputFault(
            "board-dictionary",
            f"no marker dictionary is called {name!r}",
            f"write one of {', '.join(sorted(known))}, as printed with the board.",
            known=sorted(known),
        )
    return cv2.aruco.getPredefinedDictionary(known[wanted])


def check_dictionary(name: str | None, kind: str, layout: str, wanted: int) -> None:
    """Raises InputFault ``board-dictionary`` unless ``name`` has the ``wanted`` markers of a board of ``layout``."""
    if name is None:
        raise InputFault(
            "board-dictionary",
            f"a {kind} board needs the name of its marker dictionary",
            'write it as printed with the board, for instance dictionary = "5X5_100".',
        )
    available = len(marker_dictionary(name).bytesList)
    if wanted > available:
        raise InputFault(
            "board-dictionary",
            f"{layout} need {wanted} markers; {name} has {available}",
            "check the counts and the name of the dictionary.",
            wanted=wanted,
            available=available,
        )


@functools.cache
def _dictionary_names() -> dict[str, int]:
    names = (name for name in dir(cv2.aruco) if name.startswith("DICT_"))
    return {name.removeprefix("DICT_").upper(): int(getattr(cv2.aruco, name)) for name in names}
