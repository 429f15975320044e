"""The pixels along an edge: which ones an edge is fitted to, and where they lie."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.exposure import GrayImage
from eyebolt.boards.numeric import median
from eyebolt.geometry import Array

# Along an edge; where there is room, every second line across it says nearly as much in half the time.
_MAX_REACH_PX, _EVERY_LINE_PX = 16, 12
# Next to the neighbouring edges the model is wrong.
_REACH_SQUARES = 0.45
# Across an edge, pixels this far count: further ones say nothing about where it is.
_ACROSS_PX, _ACROSS_SIGMAS = 2.5, 3.0
# So close to the other edge a pixel says as much about that one: left out, the two hardly disturb each other.
_OTHER_PX, _OTHER_SQUARES = 1.5, 0.05
# Fewer pixels across an edge than this tell its place from its levels badly.
_NARROW_PX = 2.0

Float32Array = NDArray[np.float32]


@dataclass(frozen=True)
class MarkerClearance:
    """The empty strip between an edge and the markers beside it: its width in squares, and how many pixels of that
    the blurred border of the marker takes up."""

    squares: float
    guard_px: float = 2.0


@dataclass(frozen=True)
class EdgeSamples:
    """The pixels along each edge: how far along and across it they lie from its start, weights 0 or 1, values times
    weights, each (E, P); its angle and sign (E,). ``columns``: of how many lines across the edge the pixels are."""

    along: Float32Array
    across: Float32Array
    value: Float32Array
    weight: Float32Array
    angle: Float32Array
    side: Float32Array
    reach_px: float
    columns: int
    l_junction: bool
    is_narrow: bool

    @cached_property
    def pixel_count(self) -> Float32Array:
        """How many pixels count for each edge (E,)."""
        out: Float32Array = self.weight.sum(axis=1)
        return out

    def thinned(self, factor: int) -> EdgeSamples:
        """Every ``factor``-th line across the edges, the middle one among them."""
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
    """Pixels in lines across each edge, each pixel once: columns where the edge lies, rows where it stands."""
    area = along[:, 0] * across[:, 1] - along[:, 1] * across[:, 0]
    size = np.maximum(np.abs(area), 1e-6)
    length = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-6)
    # Width of the squares beside the edge, measured across it.
    beside_px = size / length
    widest_px = np.minimum(max(_ACROSS_PX, _ACROSS_SIGMAS * blur_px), _REACH_SQUARES * beside_px)
    if clearance is not None:
        # One pixel either side of an edge is the least that still shows where it is.
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
        # Before the corner there is the gap and then the next marker.
        is_used &= u > -clearance.squares / 2
    weight = is_used.astype(np.float32)
    value *= weight
    t *= side[:, None]
    angle = np.arctan2(unit[:, 1], unit[:, 0]).astype(np.float32)
    is_narrow = bool(median(widest_px) < _NARROW_PX)
    return EdgeSamples(s, t, value, weight, angle, side, float(reach), len(i), l_junction, is_narrow)


def _linear_ramp(first: Array, step: Array, j: NDArray[np.int64]) -> Float32Array:
    """What begins at ``first`` (E, n) and changes by ``step`` (E,) from pixel to pixel ``j`` (m,): (E, m * n)."""
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
    """The pixels (E, m * n) of lines at ``at_major`` (E, n) that begin at ``at_minor`` (E, n) and go on by ``j`` (m,),
    and which of them lie in the picture, None: all."""
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
