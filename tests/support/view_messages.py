"""View messages as a daemon would publish them."""

from __future__ import annotations

from typing import Any

from eyebolt.protocol import ViewMessage

_FOUND: dict[str, Any] = {
    "found": True,
    "reason": None,
    "corners_px": [[100.5, 80.0], [140.0, 81.25], [101.0, 119.5], [141.0, 120.0]],
    "board_outline_px": [[60.0, 40.0], [180.0, 42.0], [182.0, 160.0], [61.0, 158.0]],
    "edge_blur_px": 0.7,
    "tilt_deg": 12.0,
    "distance_mm": 640.0,
}
_NOT_FOUND: dict[str, Any] = {
    "found": False,
    "reason": {"code": 20, "message": "no board in the image", "remedy": "move the arm into view"},
    "corners_px": [],
    "board_outline_px": None,
    "edge_blur_px": None,
    "tilt_deg": None,
    "distance_mm": None,
}


def make_view(found: bool = True, **changes: Any) -> ViewMessage:
    """The view of a camera of 640 x 480 px, as a JPEG of 320 x 240 px, with ``changes`` of its keys."""
    content: dict[str, Any] = {
        "schema": 1,
        "station": "bay-3",
        "time_s": 1764082933.0,
        "image_size": [640, 480],
        "view_size": [320, 240],
        "is_of_capture": False,
        "predicted_outline_px": None,
        "brightness": 0.5,
        "saturated_fraction": 0.0,
        "proof": None,
        **(_FOUND if found else _NOT_FOUND),
    }
    return ViewMessage.model_validate(content | changes)
