"""Finding a board with coded markers: small first, then larger where squares crowd, the whole picture last.

Any board whose markers say where they are on it is found this way; ``MarkedPattern`` is what differs between them. The
corners are measured in the whole picture, whatever was searched.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np

from eyebolt.board.located import Located, Scene
from eyebolt.board.markers import (
    CLOSER_BLOCKS,
    QUICK_BLOCKS,
    THOROUGH_BLOCKS,
    MarkersSeen,
    confirmed_markers,
    largest_crowd,
    read_markers,
)
from eyebolt.board.measuring import Attempt, MarkedPattern
from eyebolt.board.median import median
from eyebolt.board.plane import Plane, plane_through, unit_px
from eyebolt.board.window import Window, enlarged, halvings, part, whole

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
