"""A grid of coded square markers with white gaps between them: detected as a whole or in part."""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.artwork import Artwork, marker_cells
from eyebolt.boards.board import Board, BoardFault, BoardValues, LocatedCorners, check_marker_count
from eyebolt.boards.corner_fit import fit_corners
from eyebolt.boards.corner_refinement import MarkerPattern
from eyebolt.boards.edge_samples import MarkerClearance
from eyebolt.boards.marker_detector import detect_marker_board
from eyebolt.boards.marker_dictionary import marker_bits, marker_dictionary, truncated_dictionary
from eyebolt.boards.roi import SearchImage
from eyebolt.geometry import Array

# With a smaller gap, neighbouring markers merge in the image.
_MIN_GAP_RATIO = 0.1


@dataclass(frozen=True)
class MarkerGrid(Board):
    """Markers numbered row by row from 0.

    Origin: the outer corner of the first marker. Corners: the outer corners of the markers; 4 k to 4 k + 3 are the
    upper left, upper right, lower right and lower left one of marker k.
    """

    kind: ClassVar[str] = "grid"
    min_count: ClassVar[int] = 1
    counted: ClassVar[str] = "markers"

    marker_m: float
    """Side of a marker's black border, m."""
    gap_m: float
    """White gap between two markers, m."""
    dictionary: str
    """Marker dictionary, such as "APRILTAG_36h11"."""

    @property
    def pitch_m(self) -> float:
        """A marker with its gap, m."""
        return self.marker_m + self.gap_m

    @property
    def marker_ratio(self) -> float:
        """Side of a marker in units of ``pitch_m``."""
        return self.marker_m / self.pitch_m

    def corners(self) -> Array:
        """Marker corners (K, 2) in units of ``pitch_m``."""
        return self.marker_corners().reshape(-1, 2)

    def marker_corners(self) -> Array:
        """(M, 4, 2) in units of ``pitch_m``, clockwise from the upper left."""
        row, column = np.divmod(np.arange(self.columns * self.rows), self.columns)
        around = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * self.marker_ratio
        return np.stack([column, row], axis=-1)[:, None] + around

    def locate(self, search_image: SearchImage) -> LocatedCorners | None:
        """The marker corners detected from any part of the board."""
        return detect_marker_board(search_image, _pattern(self))

    def artwork(self) -> Artwork:
        """The markers; the outline ends with the last of them, without its gap."""
        places = np.argwhere(np.ones((self.rows, self.columns)))
        high = (self.columns - 1 + self.marker_ratio, self.rows - 1 + self.marker_ratio)
        return Artwork((0.0, 0.0), high, tuple(marker_cells(self.marker_bits(), places, 0.0, self.marker_ratio)))

    def marker_bits(self) -> NDArray[np.uint8]:
        """Cells (M, n, n) of the board's markers with their black border; 1 is white."""
        return marker_bits(marker_dictionary(self.dictionary), self.columns * self.rows)

    @classmethod
    def _check_combinations(cls, values: BoardValues) -> Iterator[BoardFault]:
        marker_m, gap_m = values.get("marker_m"), values.get("gap_m")
        if marker_m is not None and gap_m is not None and gap_m < _MIN_GAP_RATIO * marker_m:
            yield BoardFault(
                "gap_mm",
                f"{gap_m * 1000:g}",
                f"at least a tenth of marker_mm, which is {marker_m * 1000:g}: markers with smaller gaps merge",
            )
        if "columns" in values and "rows" in values:
            yield from check_marker_count(values, values["columns"] * values["rows"])


@functools.lru_cache(maxsize=8)
def _pattern(board: MarkerGrid) -> MarkerPattern:
    corners = board.marker_corners()
    dictionary = marker_dictionary(board.dictionary)
    # On the inside the border is one cell wide, followed by the marker's own cells; on the outside the gap is followed
    # by the next marker.
    clearance_width = min(1 / (dictionary.markerSize + 2), board.gap_m / board.marker_m)
    return MarkerPattern(
        dictionary=truncated_dictionary(dictionary, len(corners)),
        marker_corners=corners,
        bits=marker_bits(dictionary, len(corners)),
        corners=corners.reshape(-1, 2),
        first=(np.roll(corners, -1, axis=1) - corners).reshape(-1, 2),
        second=(np.roll(corners, 1, axis=1) - corners).reshape(-1, 2),
        sign=np.full(4 * len(corners), -1.0),
        clearance=MarkerClearance(clearance_width),
        fit=functools.partial(fit_corners, l_junction=True),
    )
