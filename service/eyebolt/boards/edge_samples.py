"""Selection of the pixels that an edge is fitted to, with their coordinates along and across the edge."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.exposure import GrayImage
from eyebolt.geometry import Array

# Extent along an edge; beyond 12 px every second line across it carries nearly as much information in half the time.
_MAX_REACH_PX, _EVERY_LINE_PX = 16, 12
# Closer to the neighbouring edges the model does not hold.
_REACH_SQUARES = 0.45
# Extent across an edge: pixels further away carry no information about its position.
_ACROSS_PX, _ACROSS_SIGMAS = 2.5, 3.0
# Pixels this close to the other edge depend on it as much; without them the two fits are nearly independent.
_OTHER_PX, _OTHER_SQUARES = 1.5, 0.05
# With fewer pixels across an edge, its position and its levels are hardly separable.
_NARROW_PX = 2.0

Float32Array = NDArray[np.float32]


def median(values: NDArray[Any]) -> Any:
    """Along the first axis of ``values`` (N, ...), N >= 1, without NaN.

    NumPy's own function costs several times more on the short arrays of one fit.
    """
    ordered = np.sort(values, axis=0)
    return (ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2


@dataclass(frozen=True)
class MarkerClearance:
    """The strip between an edge and the marker beside it that is free of marker cells."""

    squares: float
    """Width of the strip, squares."""
    guard_px: float = 2.0
    """Part of the strip that the blurred border of the marker covers, px."""


@dataclass(frozen=True)
class EdgeSamples:
    """The pixels of E edges, P of each."""

    along: Float32Array
    """(E, P), coordinate along the edge relative to its start, px."""
    across: Float32Array
    """(E, P), coordinate across the edge relative to its start, px."""
    value: Float32Array
    """(E, P), grey levels times weights."""
    weight: Float32Array
    """(E, P), 1 for pixels that are used, else 0."""
    angle: Float32Array
    """(E,), direction of the edge in the image, rad."""
    side: Float32Array
    """(E,), 1 for the first edges of the corners, -1 for the second: sign of ``across``."""
    reach_px: float
    """Extent along the edges to either side of the start."""
    columns: int
    """Number of lines across each edge."""
    l_junction: bool
    """Whether the edges end at the corner."""
    is_narrow: bool
    """Whether the pixels across the edges are too few to separate position and levels."""

    @cached_property
    def pixel_count(self) -> Float32Array:
        """Number of pixels used for each edge (E,)."""
        out: Float32Array = self.weight.sum(axis=1)
        return out

    def thinned(self, factor: int) -> EdgeSamples:
        """Every ``factor``-th line across the edges, including the middle one."""
        first, edges = (self.columns // 2) % factor, len(self.angle)
        fewer = {
            name: getattr(self, name).reshape(edges, -1, self.columns)[:, :, first::factor].reshape(edges, -1)
            for name in ("along", "across", "value", "weight")
        }
        return replace(self, **fewer, columns=len(range(first, self.columns, factor)))


def sample_edges(
    image: GrayImage,
    start: Array,
    along: Array,
    across: Array,
    clearance: MarkerClearance | None,
    blur_px: float,
    l_junction: bool,
) -> EdgeSamples:
    """Pixels of ``image`` (H, W) in lines across each edge: image columns for a rather horizontal edge, else rows.

    ``start`` (E, 2), a point of each edge, px. ``along``, ``across`` (E, 2): image vectors of one square along the edge
    and across it. The first half of the edges are the first edges of the corners, the second half their second ones.
    """
    area = along[:, 0] * across[:, 1] - along[:, 1] * across[:, 0]
    size = np.maximum(np.abs(area), 1e-6)
    length = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-6)
    # Width of the squares beside the edge, perpendicular to it.
    beside_px = size / length
    widest_px = np.minimum(max(_ACROSS_PX, _ACROSS_SIGMAS * blur_px), _REACH_SQUARES * beside_px)
    if clearance is not None:
        # At least one pixel on either side of an edge, without which its position is undetermined.
        widest_px = np.minimum(widest_px, np.maximum(clearance.squares * beside_px - clearance.guard_px, 1.0))
    unit = along / length[:, None]
    is_horizontal = np.abs(unit[:, 0]) >= np.abs(unit[:, 1])
    major, minor = (np.where(is_horizontal, unit[:, k], unit[:, 1 - k]) for k in (0, 1))
    reach = int(np.clip(np.ceil(_REACH_SQUARES * np.abs(major * length).max()), 3, _MAX_REACH_PX))
    spacing = 2 if reach > _EVERY_LINE_PX else 1
    reach -= reach % spacing
    i = np.arange(-reach, reach + 1, spacing)
    half = widest_px / np.abs(major)
    j = np.arange(int(2 * half.max()) + 1)
    first, second = (np.where(is_horizontal, start[:, k], start[:, 1 - k]) for k in (0, 1))
    centre = np.round(first).astype(np.int64)
    at_major = centre[:, None] + i
    off_major = at_major - first[:, None]
    # The first pixel of each line that lies no further from the edge than half its width.
    at_minor = np.ceil((second - half)[:, None] + (minor / major)[:, None] * off_major).astype(np.int64)
    off_minor = at_minor.astype(np.float64) - second[:, None]
    value, inside = _sample_pixels(image, is_horizontal, at_major, at_minor, j)
    turned: Array = np.where(is_horizontal, 1.0, -1.0)
    s = _linear_ramp(off_major * major[:, None] + off_minor * minor[:, None], minor, j)
    t = _linear_ramp((off_minor * major[:, None] - off_major * minor[:, None]) * turned[:, None], turned * major, j)
    # Board coordinate along this edge, in squares.
    shear = (unit * across).sum(axis=1) / np.where(area < 0, -size, size)
    u = s * _column(1 / length) - t * _column(shear)
    # Distance from the other edge, in pixels.
    other_px = size / np.maximum(np.hypot(across[:, 0], across[:, 1]), 1e-6)
    along_squares = np.abs(u)
    is_used = (along_squares < _REACH_SQUARES) & (np.abs(t) <= _column(widest_px))
    is_used &= along_squares > _column(np.minimum(_OTHER_PX / other_px, _OTHER_SQUARES))
    if inside is not None:
        is_used &= inside
    side = np.ones(len(start), np.float32)
    side[len(start) // 2 :] = -1
    if l_junction and clearance is not None:
        # On the other side of the corner the gap is followed by the next marker.
        is_used &= u > -clearance.squares / 2
    weight = is_used.astype(np.float32)
    value *= weight
    t *= side[:, None]
    angle = np.arctan2(unit[:, 1], unit[:, 0]).astype(np.float32)
    is_narrow = bool(median(widest_px) < _NARROW_PX)
    return EdgeSamples(s, t, value, weight, angle, side, float(reach), len(i), l_junction, is_narrow)


def _linear_ramp(first: Array, step: Array, j: NDArray[np.int64]) -> Float32Array:
    """``first`` (E, n) + ``step`` (E,) * ``j`` (m,), as (E, m * n)."""
    out = first.astype(np.float32)[:, None] + (step[:, None] * j).astype(np.float32)[:, :, None]
    return out.reshape(len(first), -1)


def _column(values: Array) -> Float32Array:
    return values.astype(np.float32)[:, None]


def _sample_pixels(
    image: GrayImage,
    is_horizontal: NDArray[np.bool_],
    at_major: NDArray[np.int64],
    at_minor: NDArray[np.int64],
    j: NDArray[np.int64],
) -> tuple[Float32Array, NDArray[np.bool_] | None]:
    """The pixels (E, m * n) of lines at ``at_major`` (E, n), from ``at_minor`` (E, n) on by ``j`` (m,).

    Also the mask (E, m * n) of pixels within the image; None: all of them are.
    """
    height, width = image.shape
    last_major, last_minor = (
        np.asarray(np.where(is_horizontal, *ends)) - 1 for ends in ((width, height), (height, width))
    )
    step_major, step_minor = (np.asarray(np.where(is_horizontal, *steps)) for steps in ((1, width), (width, 1)))
    inside: NDArray[np.bool_] | None = None
    if (
        (at_major[:, 0] >= 0).all()
        and (at_major[:, -1] <= last_major).all()
        and (at_minor.min(axis=1) >= 0).all()
        and (at_minor.max(axis=1) + j[-1] <= last_minor).all()
    ):
        begin = at_major * step_major[:, None] + at_minor * step_minor[:, None]
        index = begin[:, None] + (j * step_minor[:, None])[:, :, None]
    else:
        rows = at_minor[:, None] + j[:, None]
        within = (at_major >= 0) & (at_major <= last_major[:, None])
        inside = within[:, None] & (rows >= 0) & (rows <= last_minor[:, None, None])
        begin = np.clip(at_major, 0, last_major[:, None]) * step_major[:, None]
        index = begin[:, None] + np.clip(rows, 0, last_minor[:, None, None]) * step_minor[:, None, None]
        inside = inside.reshape(len(is_horizontal), -1)
    return image.ravel().take(index.reshape(len(is_horizontal), -1)).astype(np.float32), inside
