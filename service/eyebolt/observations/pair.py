"""Input of the solver: pairs of a reported pose and the corners of an image, and boards with touched corners."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eyebolt.geometry import Array


@dataclass(frozen=True)
class Pair:
    """One reported pose, and the corners of the board in the image taken there."""

    index: int
    """0-based capture index in the session or file."""
    base_T_flange: Array
    """(4, 4), metres: the pose as reported."""
    ids: NDArray[np.int64]
    """(K,): corner numbers of the board."""
    corners_px: Array
    """(K, 2), pixels, pixel centres at integers."""
    fields: tuple[float, ...] | None = None
    """The numbers that the controller printed for the pose, if known."""
    time_s: float | None = None
    """Instant of the image, seconds from any origin that the session's pairs share; None: not known."""
    joints: tuple[float, ...] | None = None
    """The numbers of the joints behind the pose, as sent; None: none were sent."""


# A tip taught by reorienting it about a fixed point is accurate to some tenths of a millimetre. The default is on the
# safe side of that, since an error of the tip's length enters a height one to one.
DEFAULT_TIP_SIGMA_M = 0.5e-3
"""Standard deviation of a pointer's tip where none is stated, metres."""


@dataclass(frozen=True)
class PointerTip:
    """The tip of the pointer on the flange."""

    position_m: Array
    """(3,), metres, flange frame: position of the tip."""
    sigma_m: float = DEFAULT_TIP_SIGMA_M
    """Standard deviation per axis, metres, of two errors: that of the tip, the same at every touch, and that of placing
    it on a corner, independent at every touch."""


@dataclass(frozen=True)
class Touch:
    """The tip on one corner of a placed board."""

    corner: int
    """Number of the corner on the board."""
    base_T_flange: Array
    """(4, 4), metres: the pose reported while the tip was on the corner."""


@dataclass(frozen=True)
class PlacedBoard:
    """One image of a board at rest in the cell, and the touches that followed it."""

    index: int
    """0-based capture index."""
    base_T_flange: Array | None
    """(4, 4), metres: pose reported with the image; required with the camera on the arm, ignored with a fixed one."""
    ids: NDArray[np.int64]
    """(K,): corner numbers of the board."""
    corners_px: Array
    """(K, 2), pixels."""
    touches: tuple[Touch, ...] = ()
    """The touches, in their order."""


@dataclass(frozen=True)
class Dataset:
    """Everything that one solve takes from a session."""

    pairs: tuple[Pair, ...] = ()
    """Pairs to solve, in capture order."""
    checks: tuple[Pair, ...] = ()
    """Pairs that only test the solution."""
    placed_boards: tuple[PlacedBoard, ...] = ()
    """Boards that lie in the cell, with the corners touched on them."""
