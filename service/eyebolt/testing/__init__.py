"""Test tools for users of the package: a conformance check for cameras and exact drawings of boards."""

from eyebolt.testing.camera_conformance import Promise, Violation, check_camera
from eyebolt.testing.draw_board import BoardDrawing, draw_board

__all__ = ["BoardDrawing", "Promise", "Violation", "check_camera", "draw_board"]
