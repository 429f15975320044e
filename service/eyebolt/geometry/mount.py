"""Where the camera is mounted, and how the flange can rotate: the two choices that change the equations.

Both mounts share one equation, ``camera_T_board = inverse(X) @ A @ Y``:

========  ==================  =================  ==================
mount     X (wanted)          A (``chain``)      Y (board)
========  ==================  =================  ==================
fixed     base_T_camera       base_T_flange      flange_T_board
arm       flange_T_camera     flange_T_base      base_T_board
========  ==================  =================  ==================
"""

from __future__ import annotations

from enum import StrEnum

from eyebolt.geometry import se3
from eyebolt.geometry.se3 import Array


class Mount(StrEnum):
    """Where the camera is; the board is on the other side of the arm. The value is that of the station file."""

    FIXED = "fixed"
    """Camera fixed in the cell, board on the flange."""
    ARM = "arm"
    """Camera on the flange, board fixed in the cell."""

    def chain(self, base_T_flange: Array) -> Array:
        """A (..., 4, 4) of the shared equation for flange poses (..., 4, 4).

        Its own inverse: applied to A it returns ``base_T_flange``.
        """
        return base_T_flange if self is Mount.FIXED else se3.inverse(base_T_flange)

    @property
    def transform_name(self) -> str:
        """Name of X, the wanted transform."""
        return f"{self.camera_parent}_T_camera"

    @property
    def board_transform_name(self) -> str:
        """Name of Y, the transform of the board."""
        return f"{self.other.camera_parent}_T_board"

    @property
    def camera_parent(self) -> str:
        """Name of the frame that the camera is fixed to: "base" or "flange"."""
        return "base" if self is Mount.FIXED else "flange"

    @property
    def camera_location(self) -> str:
        """Where the camera is, for an operator: completes "the camera is"."""
        return "fixed in the cell" if self is Mount.FIXED else "on the arm"

    @property
    def other(self) -> Mount:
        """The other mount, which explains the same pairs if every pose is inverted."""
        return Mount.ARM if self is Mount.FIXED else Mount.FIXED


class FlangeRotation(StrEnum):
    """Which rotations the arm can give its flange. The value is that of the station file."""

    FREE = "free"
    """About every axis (arms with five axes or more)."""
    VERTICAL = "vertical"
    """About the vertical only (four-axis arms): one height stays unobservable."""
