"""An asymmetric grid of black circles, seen as a whole: its points are the circles' centres.

A tilted circle is seen as an ellipse whose middle is not where the circle's centre is seen. The ellipse's conic Q and
the line l that the board's plane vanishes in give it exactly, whatever the circle's size: the centre is the pole of
that line, Q^-1 l (Hartley and Zisserman, Multiple View Geometry, 2nd edition, section 2.2.3: pole and polar, kept by
projection; the centre of a circle is the pole of the line at infinity of its plane).

Numbering blobs that stand like the circles of an asymmetric grid, by going from neighbour to neighbour.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.detection import Located, Scene
from eyebolt.boards.exposure import Pixels
from eyebolt.boards.family import Family, length
from eyebolt.boards.homography import Plane, plane_through
from eyebolt.boards.roi import halvings, whole
from eyebolt.geometry import Array

if TYPE_CHECKING:
    from eyebolt.boards.board import Board


_SIZES_PX = (820, 1640)
_LEAST_BLOB_PX2 = 12.0
# Circles of the board have at least so many others near, within so many of their diameters.
_CROWD, _CROWD_DIAMETERS = 1, 4.0
# Rays from a circle's middle, and samples along each, in spacings: the next circle begins about 0.9 away.
_RAYS, _SAMPLES, _FIRST, _LAST = 32, 48, 0.12, 0.72
# Half-width, in samples, of the stretch that an edge's middle is taken over.
_EDGE_SAMPLES = 4
_WORST_EDGE_PX = 0.5
_LEAST_SOUND, _NEIGHBOURS = 0.7, 12
_MOST_OFF_SPACINGS = 0.25
_DRAWN_DIAMETER = 1.0
_DRAWN_BORDER = 1.0
# The library takes x and y in one map or in two; its types know of two only.
_NO_MAP: Any = None


def locate_circles(scene: Scene, board: Board) -> Located | None:
    """Centres of the circles of ``board``; None if not all of it is found."""
    points = _points(board)
    start = _followed(scene, points)
    if start is None:
        start = _search(scene.finder, points)
    if start is None:
        return None
    edges = _edges(scene.gray, start, points)
    conics, sound = _conics(edges)
    if sound.sum() < max(_NEIGHBOURS, _LEAST_SOUND * len(points)):
        return None
    # The vanishing line comes from the centres and the centres from the line: a second round is exact enough.
    centres_px = projected_centres(conics, edges.middle_px, start.picture_T_board)
    for _ in range(2):
        centres_px = projected_centres(conics, edges.middle_px, _local_planes(points, centres_px, sound))
    ids = np.flatnonzero(sound)
    return Located(ids, centres_px[ids], float(np.median(edges.blur_px[ids])), board.half_turn_ambiguous)


def projected_centres(conics: Array, about_px: Array, picture_T_board: Array) -> Array:
    """Where circles' centres are seen (K, 2), from their ellipses: ``conics`` (K, 3, 3) in pixels from ``about_px``
    (K, 2), and the homography of their plane, (3, 3) or one for each circle (K, 3, 3)."""
    vanishing = np.broadcast_to(np.linalg.inv(picture_T_board)[..., 2, :], (len(conics), 3))
    # The line in coordinates that begin at about_px.
    last = (about_px * vanishing[:, :2]).sum(axis=1) + vanishing[:, 2]
    poles = np.linalg.solve(conics, np.column_stack([vanishing[:, :2], last])[..., None])[..., 0]
    out: Array = about_px + poles[:, :2] / poles[:, 2:]
    return out


def ellipse_middles(conics: Array, about_px: Array) -> Array:
    """The middles of the ellipses (K, 2): the pole of the picture's own line at infinity, not the circles' centres."""
    poles = np.linalg.solve(conics, np.tile([0.0, 0.0, 1.0], (len(conics), 1))[..., None])[..., 0]
    out: Array = about_px + poles[:, :2] / poles[:, 2:]
    return out


def _points(board: Board) -> Array:
    row, column = np.divmod(np.arange(board.columns * board.rows), board.columns)
    return np.column_stack([2.0 * column + row % 2, row.astype(float)])


def _local_planes(points: Array, centres_px: Array, sound: NDArray[np.bool_]) -> Array:
    """A homography for each circle (K, 3, 3) from the ones around it, because a lens bends the board."""
    known = np.flatnonzero(sound)
    apart2 = ((points[:, None] - points[known]) ** 2).sum(axis=2)
    whole_plane = plane_through(points[known], centres_px[known])
    out = np.tile(np.eye(3) if whole_plane is None else whole_plane[0].picture_T_board, (len(points), 1, 1))
    for k, order in enumerate(np.argsort(apart2, axis=1, kind="stable")[:, :_NEIGHBOURS]):
        near = known[order]
        through = plane_through(points[near], centres_px[near])
        if through is not None:
            out[k] = through[0].picture_T_board
    return out


def _followed(scene: Scene, points: Array) -> Plane | None:
    """The circles where they were last seen, if each place is still dark amid white."""
    near = scene.near
    if near is None or len(near.ids) < 4 or near.ids.max() >= len(points):
        return None
    through = plane_through(points[near.ids], near.corners_px)
    if through is None:
        return None
    edges = _edges(scene.gray, through[0], points)
    _, sound = _conics(edges)
    return through[0] if sound.all() else None


def _search(picture: NDArray[np.uint8], points: Array) -> Plane | None:
    factors = {halvings(2 * max(picture.shape) / size - 1e-9) for size in _SIZES_PX}
    for factor in sorted(factors, reverse=True):
        window = whole(picture, factor)
        blobs = _blobs(window.picture)
        found = number_lattice(blobs, points) if len(blobs) >= len(points) else None
        through = None if found is None else plane_through(points, window.to_whole(found))
        if through is not None and _fits(through[0], points):
            return through[0]
    return None


def _fits(plane: Plane, points: Array) -> bool:
    """Whether the points lie in one plane seen from its front."""
    _, along_x, along_y = plane.predict(points)
    area = along_x[:, 0] * along_y[:, 1] - along_x[:, 1] * along_y[:, 0]
    off = np.linalg.norm(plane.off_px, axis=1) / np.sqrt(np.maximum(np.abs(area), 1e-9))
    return bool((area > 0).all() and off.max() < _MOST_OFF_SPACINGS)


def _blobs(picture: NDArray[np.uint8]) -> Array:
    """Middles (N, 2) of dark blobs that stand among others of about their size."""
    seen = _blob_detector(picture.size).detect(picture)
    blobs = np.array([(*blob.pt, blob.size) for blob in seen], dtype=np.float64).reshape(-1, 3)
    size = blobs[:, 2]
    apart = np.linalg.norm(blobs[:, None, :2] - blobs[:, :2], axis=2)
    ratio = size[:, None] / np.maximum(size, 1e-9)
    alike = (apart < _CROWD_DIAMETERS * size[:, None]) & (ratio > 0.6) & (ratio < 1 / 0.6)
    out: Array = blobs[alike.sum(axis=1) > _CROWD, :2]
    return out


def _blob_detector(size: int) -> Any:
    parameters = cv2.SimpleBlobDetector_Params()  # type: ignore[attr-defined]
    parameters.minArea = _LEAST_BLOB_PX2
    parameters.maxArea = size / 20
    parameters.minDistBetweenBlobs = 3
    parameters.filterByInertia = False
    parameters.minConvexity = 0.85
    return cv2.SimpleBlobDetector_create(parameters)  # type: ignore[attr-defined]


class _Edges:
    """Edge points (K, R, 2) of every circle in pixels from ``middle_px`` (K, 2), how steep each is, and the blur."""

    def __init__(self, middle_px: Array, offset_px: Array, strength: Array, blur_px: Array) -> None:
        self.middle_px, self.offset_px, self.strength, self.blur_px = middle_px, offset_px, strength, blur_px


def _edges(gray: Pixels, plane: Plane, points: Array) -> _Edges:
    """Goes out from each circle's middle along rays of the board and takes the middle of the steepest rise."""
    middle_px, along_x, along_y = plane.predict(points)
    angle = np.arange(_RAYS) * (2 * np.pi / _RAYS)
    ray = np.cos(angle)[:, None] * along_x[:, None] + np.sin(angle)[:, None] * along_y[:, None]
    place = np.linspace(_FIRST, _LAST, _SAMPLES)
    at = (middle_px[:, None, None] + ray[:, :, None] * place[:, None]).astype(np.float32)
    flat = at.reshape(len(points), -1, 2)
    level = cv2.remap(gray, flat, _NO_MAP, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    rise = np.diff(np.asarray(level, dtype=np.float64).reshape(len(points), _RAYS, _SAMPLES), axis=2)
    # One radius in board units for all circles says where to look on every ray.
    usual = int(np.argmax(rise.clip(0).sum(axis=(0, 1))))
    index = np.arange(_SAMPLES - 1)
    reach = 2 * _EDGE_SAMPLES
    coarse = np.where(np.abs(index - usual) <= reach, rise, 0).clip(0)
    peak = np.argmax(coarse, axis=2)
    weight = np.where(np.abs(index - peak[..., None]) <= _EDGE_SAMPLES, rise, 0).clip(0)
    strength = weight.sum(axis=2)
    total = np.maximum(strength, 1e-9)
    middle = (weight * index).sum(axis=2) / total
    spread = np.sqrt(np.maximum((weight * (index - middle[..., None]) ** 2).sum(axis=2) / total, 0))
    step = place[1] - place[0]
    radius = place[0] + (middle + 0.5) * step
    blur_px = np.median(spread * step * np.linalg.norm(ray, axis=2), axis=1)
    return _Edges(middle_px, ray * radius[..., None], strength, blur_px)


def _conics(edges: _Edges) -> tuple[Array, NDArray[np.bool_]]:
    """Ellipses (K, 3, 3) through the edge points, a x^2 + b x y + c y^2 + d x + e y = 1, and which of them fit."""
    size = np.linalg.norm(edges.offset_px, axis=2).mean(axis=1)
    x, y = (edges.offset_px[..., k] / size[:, None] for k in (0, 1))
    weight = (edges.strength > 0.3 * np.median(edges.strength)).astype(float)
    design = np.stack([x * x, x * y, y * y, x, y], axis=-1)
    for _ in range(2):
        weighted = design * weight[..., None]
        normal = np.swapaxes(weighted, 1, 2) @ design + 1e-9 * np.eye(5)
        flat = np.linalg.solve(normal, weighted.sum(axis=1)[..., None])[..., 0]
        # Half of what is left over, in radii, is the distance of a point from the ellipse.
        off_px = (np.einsum("krn,kn->kr", design, flat) - 1) / 2 * size[:, None]
        weight = weight * (np.abs(off_px) < _WORST_EDGE_PX)
    a, b, c, d, e = flat.T
    ones = np.ones(len(a))
    unit = np.array([[a, b / 2, d / 2], [b / 2, c, e / 2], [d / 2, e / 2, -ones]])
    scale = np.stack([1 / size, 1 / size, ones])
    conics = np.moveaxis(unit * scale[:, None] * scale[None], 2, 0)
    sound = (weight.mean(axis=1) > 0.7) & (a * c - b * b / 4 > 0.05)
    return conics, sound


def _face(board: Board, size: int) -> tuple[NDArray[np.uint8], tuple[float, float]]:
    border = round(_DRAWN_BORDER * size)
    extent = _points(board).max(axis=0) * size
    width, height = (int(v) + 2 * border for v in extent)
    image = np.full((height, width), 255, np.uint8)
    radius = _DRAWN_DIAMETER * size / 2
    reach = int(np.ceil(radius)) + 1
    for x, y in _points(board) * size + border - 0.5:
        left, top = max(0, int(x) - reach), max(0, int(y) - reach)
        part = image[top : int(y) + reach + 2, left : int(x) + reach + 2]
        rows, columns = np.indices(part.shape)
        covered = np.clip(radius + 0.5 - np.hypot(columns + left - x, rows + top - y), 0, 1)
        np.minimum(part, np.round(255 * (1 - covered)).astype(np.uint8), out=part)
    return image, (float(border), float(border))


CIRCLES = Family(
    kind="circles",
    needs=("spacing_m",),
    fewest=3,
    counts="circles in a row (columns) and the rows of circles",
    check=lambda board: None,
    pitch_m=lambda board: length(board.spacing_m),
    points=_points,
    half_turn_ambiguous=lambda board: board.rows % 2 == 0,
    locate=locate_circles,
    face=_face,
)


# A neighbour may lie this far from where it is expected, as a share of the step to it.
_OFF = 0.3
_STARTS = 6


def number_lattice(blobs: Array, wanted: Array) -> Array | None:
    """Where each of the ``wanted`` points (K, 2), whole numbers in spacings, stands among ``blobs`` (N, 2) in pixels,
    (K, 2); None if they are not all there. Of the turns that fit, the first is taken; mirror images never fit."""
    middle = np.median(blobs, axis=0)
    for start in np.argsort(np.linalg.norm(blobs - middle, axis=1))[:_STARTS]:
        steps = _steps(blobs, int(start))
        if steps is None:
            continue
        place = _walk(blobs, int(start), steps)
        if len(place) < len(wanted):
            continue
        found = _fitted(blobs, place, wanted)
        if found is not None:
            return found
    return None


def _steps(blobs: Array, start: int) -> tuple[Array, Array] | None:
    """The two diagonal steps from a blob to its neighbours; the second turns clockwise from the first."""
    away = blobs - blobs[start]
    near = np.argsort(np.linalg.norm(away, axis=1))[1:7]
    for first in near[:2]:
        for second in near:
            area = float(away[first, 0] * away[second, 1] - away[first, 1] * away[second, 0])
            lengths = np.linalg.norm(away[[first, second]], axis=1)
            if area > 0.35 * lengths.prod():
                return away[first], away[second]
    return None


def _walk(blobs: Array, start: int, steps: tuple[Array, Array]) -> dict[tuple[int, int], int]:
    """Lattice places of the blobs reached from ``start``; each hands on the steps as they have become there."""
    place = {(0, 0): start}
    taken = {start}
    open_places: list[tuple[tuple[int, int], Array, Array]] = [((0, 0), steps[0], steps[1])]
    while open_places:
        (a, b), first, second = open_places.pop(0)
        for axis, sign in ((0, 1), (0, -1), (1, 1), (1, -1)):
            to = (a + sign, b) if axis == 0 else (a, b + sign)
            if to in place:
                continue
            step = sign * (first if axis == 0 else second)
            distance = np.linalg.norm(blobs - blobs[place[a, b]] - step, axis=1)
            nearest = int(np.argmin(distance))
            if nearest in taken or distance[nearest] > _OFF * np.linalg.norm(step):
                continue
            place[to] = nearest
            taken.add(nearest)
            seen = sign * (blobs[nearest] - blobs[place[a, b]])
            open_places.append((to, seen if axis == 0 else first, second if axis == 0 else seen))
    return place


def _fitted(blobs: Array, place: dict[tuple[int, int], int], wanted: Array) -> Array | None:
    """Tries the four turns and every shift of the wanted points onto the lattice, its steps being the two shortest or,
    on a tilted board, one of them and the diagonal beside it."""
    x, y = wanted.astype(int).T
    # Diagonal steps: (x, y) = a (1, -1) + b (1, 1) turns the second clockwise from the first.
    a, b = (x - y) // 2, (x + y) // 2
    turns = ((a, b), (-b, a), (-a, -b), (b, -a))
    sheared = [(p + k * q, q + m * p) for p, q in turns for k, m in ((0, 0), (1, 0), (-1, 0), (0, 1), (0, -1))]
    for turned_a, turned_b in sheared:
        for shift_a, shift_b in place:
            keys = [(int(p) + shift_a, int(q) + shift_b) for p, q in zip(turned_a, turned_b, strict=True)]
            if all(key in place for key in keys):
                return blobs[[place[key] for key in keys]]
    return None
