"""What would help next: of many views that could be taken, the one that lowers the expected error most; in words.

A suggestion is where the board should stand before the camera. Whether the arm can reach that, and what is in its way,
nobody here knows: that is the person's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from eyebolt.geometry import Array, FlangeRotation, Mount, se3
from eyebolt.observations import Pair
from eyebolt.planning.candidates import (
    BoardOutline,
    candidate_flanges,
    is_distinct,
    tilt_rad,
    vertical_flange_orientation,
)
from eyebolt.planning.information import SetupEstimate, forecast

# Before the suggestion: where a screen is short, the end of a text is cut.
CAUTION = "if reach and clearance allow (yours to judge)"
_CANDIDATES = 200
# Smaller changes are not worth a word.
_MIN_ROTATION_DEG, _MIN_DISTANCE_CHANGE_MM, _MIN_OFF_CENTRE = 10.0, 20.0, 0.25


@dataclass(frozen=True)
class ViewSuggestion:
    """``base_T_flange`` (4, 4) as the robot reports poses, ``camera_T_board`` (4, 4): what the camera would see then.

    ``p95_mm``: the error expected with that pair. ``message``: in words, from where the newest pair was taken.
    """

    base_T_flange: Array
    camera_T_board: Array
    p95_mm: float
    message: str


def suggest_view(setup: SetupEstimate, captured: Sequence[Pair], p95_mm: float) -> ViewSuggestion | None:
    """The view to take next, after the pairs ``captured`` with an expected error ``p95_mm``; None if none fits.

    The choice minimises the mean squared error over the working volume (V-optimal: V. V. Fedorov, Theory of Optimal
    Experiments, 1972), one pair ahead.
    """
    flanges = candidate_flanges(setup, vertical_flange_orientation(setup.problem), _CANDIDATES)
    flanges = flanges[is_distinct(flanges, np.array([p.base_T_flange for p in setup.problem.pairs]))]
    if not len(flanges):
        return None
    ahead = forecast(setup, captured, flanges)
    after = ahead.mean_square_after_each_m2()
    best = int(np.argmin(after))
    now = float(ahead.mean_square_m2(ahead.known_information))
    view = setup.predict_view(flanges[best])
    current_view = setup.predict_view(np.asarray(captured[-1].base_T_flange)) if captured else None
    expected = p95_mm * float(np.sqrt(after[best] / now))
    return ViewSuggestion(flanges[best], view, expected, describe_view(setup, view, current_view))


def describe_view(setup: SetupEstimate, camera_T_board: Array, current_view: Array | None) -> str:
    """The view (4, 4) in words of who stands at the cell; turn and distance from the ``current_view`` view (4, 4)."""
    problem = setup.problem
    outline = BoardOutline.of(problem.board_corners_m)
    middle = se3.apply(camera_T_board, outline.centre_m[None])[0]
    on_arm = problem.mount is Mount.ARM
    parts = []
    tilt = float(np.rad2deg(tilt_rad(outline, camera_T_board)))
    edge = _nearest_edge(camera_T_board, middle)
    if problem.flange_rotation is FlangeRotation.FREE:
        if on_arm:
            parts.append(f"tilt the camera until the board is {tilt:.0f} deg aslant to it, the {edge} edge nearer")
        else:
            parts.append(f"tilt the board {tilt:.0f} deg, its {edge} edge (as the camera sees it) towards the camera")
    if current_view is not None:
        turn = _turn_in_picture_deg(camera_T_board, current_view)
        if problem.flange_rotation is FlangeRotation.VERTICAL:
            about = _turn_about_vertical_deg(setup, camera_T_board, current_view)
            parts.append(
                f"turn the flange {abs(about):.0f} deg {_rotation_sense(about)} about the vertical (from above)"
            )
        elif abs(turn) >= _MIN_ROTATION_DEG:
            what = "let the board appear turned" if on_arm else "turn it"
            parts.append(f"{what} {abs(turn):.0f} deg {_rotation_sense(-turn)} in the picture")
        closer_mm = 1e3 * float(
            np.linalg.norm(se3.apply(current_view, outline.centre_m[None])) - np.linalg.norm(middle)
        )
        if abs(closer_mm) >= _MIN_DISTANCE_CHANGE_MM:
            parts.append(f"{abs(closer_mm):.0f} mm {'closer' if closer_mm > 0 else 'farther'}")
    else:
        parts.append(f"{1e3 * float(np.linalg.norm(middle)):.0f} mm from the camera")
    parts.append(f"the board in {_image_region(setup, middle)} of the picture")
    return ", ".join(parts)


def _nearest_edge(camera_T_board: Array, middle: Array) -> str:
    """Which edge of the board is nearest to the camera, as the picture shows it."""
    sight = middle / np.linalg.norm(middle)
    normal = camera_T_board[:3, 2]
    # Within the board, the direction in which it comes towards the camera fastest.
    nearer = -(sight - normal * float(sight @ normal))
    return _direction(float(nearer[0]), float(nearer[1])) or "upper"


def _image_region(setup: SetupEstimate, middle: Array) -> str:
    camera = setup.problem.camera
    pixel = camera.project(middle)
    half = np.array([(camera.width_px - 1) / 2, (camera.height_px - 1) / 2])
    off = (pixel - half) / half
    words = _direction(*(float(v) if abs(v) >= _MIN_OFF_CENTRE else 0.0 for v in off))
    return f"the {words} part" if words else "the middle"


def _direction(across: float, down: float) -> str:
    """One of eight directions in the picture; "" for none."""
    if max(abs(across), abs(down)) < 1e-9:
        return ""
    vertical = ("upper" if down < 0 else "lower") if abs(down) > 0.4 * abs(across) else ""
    sideways = ("left" if across < 0 else "right") if abs(across) > 0.4 * abs(down) else ""
    return f"{vertical} {sideways}".strip()


def _turn_in_picture_deg(view: Array, current_view: Array) -> float:
    """Turn about the line of sight, positive clockwise in the picture: from where x of the board pointed to where."""
    before, after = (np.arctan2(v[1, 0], v[0, 0]) for v in (current_view, view))
    return float(np.rad2deg((after - before + np.pi) % (2 * np.pi) - np.pi))


def _turn_about_vertical_deg(setup: SetupEstimate, view: Array, current_view: Array) -> float:
    before, after = setup.flange(current_view), setup.flange(view)
    turned = after[:3, :3] @ before[:3, :3].T
    return float(np.rad2deg(np.arctan2(turned[1, 0], turned[0, 0])))


def _rotation_sense(turn: float) -> str:
    return "anticlockwise" if turn > 0 else "clockwise"
