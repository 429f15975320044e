"""Numbering blobs that stand like the circles of an asymmetric grid, by going from neighbour to neighbour."""

from __future__ import annotations

import numpy as np

from eyebolt.geometry.rigid import Array

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
