"""The bow of a board: printed sheets and plates are flat to some tenths of a millimetre only.

A second-order surface over the field of the corners, z(x, y) = b_x u^2 + b_xy u v + b_y v^2 less its mean over the
corners, u and v running from -1 to 1 across and along the field. So b_x and b_y are the sagittas of the two middle
lines, by how much their ends stand above the middle, and a twist lifts the four outermost corners by b_xy in turn. A
plane takes no part: it belongs to the pose of the board. What the bow shortens the board by is a ten-thousandth of a
per cent and is neglected. In the plane, the same field has the five errors of a print that look like another pose.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eyebolt.geometry import Array

BOW_PARAMETERS = ("bow_x", "bow_xy", "bow_y")
"""Names of b_x, b_xy and b_y, metres each, positive in the direction of the board's z axis."""
PRINT_PARAMETERS = ("print_scale", "print_aspect", "print_shear", "print_px", "print_py")
"""Names of the errors of a print that look like another pose: scale, aspect, shear and two projective terms. In
fractions of half the longer side, at whose distance from the middle each displaces a corner by that much."""
# Standard deviation of each, as a fraction of the longer side of the field: 0.3 mm on 300 mm. Sheets on a plate bow by
# some tenths of a millimetre, larger boards more. Common practice, no source.
_SIGMA_FRACTION = 1e-3


@dataclass(frozen=True)
class CornerField:
    """The rectangle about the corners of a board, over which its bow is stated."""

    centre_m: Array
    """(2,), metres, board frame: its middle."""
    half_sides_m: Array
    """(2,), metres: half its sides."""
    mean: Array
    """(3,): means of u^2, u v and v^2 over the corners."""

    @staticmethod
    def of(board_corners_m: Array) -> CornerField:
        """The field of all corners of a board (K, 3), which lie in a plane of constant z."""
        low, high = board_corners_m[:, :2].min(axis=0), board_corners_m[:, :2].max(axis=0)
        # Corners on a line have no bow across it.
        half = np.maximum((high - low) / 2, 1e-9)
        field = CornerField((low + high) / 2, half, np.zeros(3))
        return CornerField(field.centre_m, half, field.basis(board_corners_m).mean(axis=0))

    @property
    def sigma_m(self) -> float:
        """Standard deviation of each parameter of the bow of a board of this size, metres; nobody stated it."""
        return _SIGMA_FRACTION * 2 * float(self.half_sides_m.max())

    def basis(self, points_m: Array) -> Array:
        """Height (..., 3) of points of the board (..., 3) per unit of b_x, b_xy and b_y."""
        u, v = np.moveaxis((points_m[..., :2] - self.centre_m) / self.half_sides_m, -1, 0)
        out: Array = np.stack([u * u, u * v, v * v], axis=-1) - self.mean
        return out

    def in_plane_basis(self, points_m: Array) -> Array:
        """Displacement (..., 2, 5), metres, of points of the board (..., 2 or 3) per unit of PRINT_PARAMETERS."""
        half = float(self.half_sides_m.max())
        x, y = np.moveaxis(points_m[..., :2] - self.centre_m, -1, 0)
        along_x = np.stack([x, x, y, x * x / half, x * y / half], axis=-1)
        along_y = np.stack([y, -y, x, x * y / half, y * y / half], axis=-1)
        return np.stack([along_x, along_y], axis=-2)

    def bowed(self, points_m: Array, bow_m: Array) -> Array:
        """Points of the flat board (..., 3) moved to where they are on a board with the bow (3,)."""
        out = points_m.copy()
        out[..., 2] += self.basis(points_m) @ bow_m
        return out
