"""The pixels along an edge: which ones an edge is fitted to, and where they lie."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from eyebolt.board.light import Pixels
from eyebolt.geometry.rigid import Array

# Along an edge; where there is room, every second line across it says nearly as much in half the time.
_MOST_REACH_PX, _EVERY_LINE_PX = 16, 12
# Next to the neighbouring edges the model is wrong.
_REACH_SQUARES = 0.45
# Across an edge, pixels this far count: further ones say nothing about where it is.
_ACROSS_PX, _ACROSS_SIGMAS = 2.5, 3.0
# So close to the other edge a pixel says as much about that one: left out, the two hardly disturb each other.
_OTHER_PX, _OTHER_SQUARES = 1.5, 0.05
# Fewer pixels across an edge than this tell its place from its levels badly.
_NARROW_PX = 2.0

Single = NDArray[np.float32]


@dataclass(frozen=True)
class ClearStrip:
    """The empty strip between an edge and the markers beside it: its width in squares, and how many pixels of that
    the blurred border of the marker takes up."""

    squares: float
    guard_px: float = 2.0


@dataclass(frozen=True)
class Strips:
    """The pixels along each edge: offsets (E, P) from its start, values, weights 0 or 1; its angle and sign (E,)."""

    dx: Single
    dy: Single
    value: Single
    weight: Single
    angle: Single
    side: Single
    reach_px: float
    columns: int
    bent: bool
    narrow: bool

    @cached_property
    def along(self) -> Single:
        """How far along the edge each pixel lies, from the start."""
        sin, cos = np.sin(self.angle)[:, None], np.cos(self.angle)[:, None]
        out: Single = self.dx * cos + self.dy * sin
        return out

    @cached_property
    def across(self) -> Single:
        """How far across the edge each pixel lies, from the start."""
        sin, cos = np.sin(self.angle)[:, None], np.cos(self.angle)[:, None]
        out: Single = self.side[:, None] * (self.dy * cos - self.dx * sin)
        return out

    def thinned(self, factor: int) -> Strips:
        """Every ``factor``-th line across the edges, the middle one among them."""
        first = (self.columns // 2) % factor
        dx, dy, value, weight = (
            np.ascontiguousarray(a.reshape(len(a), self.columns, -1)[:, first::factor]).reshape(len(a), -1)
            for a in (self.dx, self.dy, self.value, self.weight)
        )
        columns = len(range(first, self.columns, factor))
        return Strips(dx, dy, value, weight, self.angle, self.side, self.reach_px, columns, self.bent, self.narrow)


def strips_along(
    picture: Pixels, start: Array, along: Array, across: Array, clear: ClearStrip | None, blur_px: float, bent: bool
) -> Strips:
    """Pixels in lines across each edge, each pixel once: columns where the edge lies, rows where it stands."""
    area = along[:, 0] * across[:, 1] - along[:, 1] * across[:, 0]
    size = np.maximum(np.abs(area), 1e-6)
    length = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-6)
    # Width of the squares beside the edge, measured across it.
    beside_px = size / length
    widest_px = np.minimum(max(_ACROSS_PX, _ACROSS_SIGMAS * blur_px), _REACH_SQUARES * beside_px)
    if clear is not None:
        # One pixel either side of an edge is the least that still shows where it is.
        widest_px = np.minimum(widest_px, np.maximum(clear.squares * beside_px - clear.guard_px, 1.0))
    unit = along / length[:, None]
    lies = np.abs(unit[:, 0]) >= np.abs(unit[:, 1])
    major, minor = (np.where(lies, unit[:, k], unit[:, 1 - k]) for k in (0, 1))
    reach = int(np.clip(np.ceil(_REACH_SQUARES * np.abs(major * length).max()), 3, _MOST_REACH_PX))
    half = int(np.ceil((widest_px / np.abs(major)).max()))
    spacing = 2 if reach > _EVERY_LINE_PX else 1
    reach -= reach % spacing
    i, j = np.arange(-reach, reach + 1, spacing, dtype=np.int32), np.arange(-half, half + 1, dtype=np.int32)
    first, second = (np.where(lies, start[:, k], start[:, 1 - k]) for k in (0, 1))
    centre = np.round(first).astype(np.int32)
    off_major = (centre - first)[:, None] + i
    middle = np.round(second[:, None] + (minor / major)[:, None] * off_major).astype(np.int32)
    e, n, m = len(start), len(i), len(j)
    at_major, at_minor = centre[:, None] + i, middle[:, :, None] + j
    height, width = picture.shape
    last_major = np.asarray(np.where(lies, width, height)) - 1
    last_minor = np.asarray(np.where(lies, height, width)) - 1
    inside: NDArray[np.bool_] | None = None
    if (
        (at_major.min(axis=1) < 0).any()
        or (at_minor.min(axis=(1, 2)) < 0).any()
        or (at_major.max(axis=1) > last_major).any()
        or (at_minor.max(axis=(1, 2)) > last_minor).any()
    ):
        within = (at_major >= 0) & (at_major <= last_major[:, None])
        inside = (within[:, :, None] & (at_minor >= 0) & (at_minor <= last_minor[:, None, None])).reshape(e, -1)
        at_major = np.clip(at_major, 0, last_major[:, None])
        at_minor = np.clip(at_minor, 0, last_minor[:, None, None])
    step_major, step_minor = (np.where(lies, a, b).astype(np.int64) for a, b in ((1, width), (width, 1)))
    index = (at_major * step_major[:, None])[:, :, None] + at_minor * step_minor[:, None, None]
    value = picture.ravel().take(index.reshape(e, -1)).astype(np.float32)
    off_minor = ((middle - second[:, None])[:, :, None] + j).astype(np.float32).reshape(e, -1)
    off_major = np.repeat(off_major.astype(np.float32), m, axis=1)
    dx, dy = np.where(lies[:, None], off_major, off_minor), np.where(lies[:, None], off_minor, off_major)
    facing = np.where(area < 0, -1.0, 1.0)
    per_area = (facing / size).astype(np.float32)
    # Board coordinates in squares: along this edge, and pixels across it.
    toward = across.astype(np.float32) * per_area[:, None]
    u = dx * toward[:, 1:] - dy * toward[:, :1]
    normal = unit.astype(np.float32)
    t = dy * normal[:, :1] - dx * normal[:, 1:]
    counts = (np.abs(u) < _REACH_SQUARES) & (np.abs(t) <= widest_px[:, None].astype(np.float32))
    # Distance from the other edge, in pixels.
    other_px = size / np.maximum(np.hypot(across[:, 0], across[:, 1]), 1e-6)
    counts &= np.abs(u) > np.minimum(_OTHER_PX / other_px, _OTHER_SQUARES)[:, None].astype(np.float32)
    if inside is not None:
        counts &= inside
    if bent and clear is not None:
        # Before the corner there is the gap and then the next marker.
        counts &= u > -clear.squares / 2
    half_count = e // 2
    side = np.ones(e, np.float32)
    side[half_count:] = -1
    angle = np.arctan2(unit[:, 1], unit[:, 0]).astype(np.float32)
    return Strips(
        dx,
        dy,
        value,
        counts.astype(np.float32),
        angle,
        side,
        float(reach),
        n,
        bent,
        bool(np.median(widest_px) < _NARROW_PX),
    )
