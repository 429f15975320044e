"""The next view: of many candidates, the one that reduces the expected error most, as a pose and in words.

A suggestion states where the board should be in front of the camera. Reach, joint limits and obstacles are not known
here; the operator checks them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from eyebolt.calibration import Problem, Refusal, Solution
from eyebolt.geometry import Array, FlangeRotation, Matrix4, Mount, se3, to_matrix4
from eyebolt.observations import Pair
from eyebolt.planning.candidates import (
    BoardOutline,
    candidate_flanges,
    is_distinct,
    tilt_rad,
    vertical_flange_orientation,
)
from eyebolt.planning.coverage import Coverage
from eyebolt.planning.information import SetupEstimate, forecast, pairs_of_solution, setup_estimate
from eyebolt.planning.stopping import Goal

# Stands before the suggestion, because a short screen cuts the end of a text.
CAUTION = "if reach and clearance allow (check both)"
_CANDIDATES = 200
# Smaller changes are not mentioned: nobody can follow them by eye.
_MIN_ROTATION_DEG, _MIN_DISTANCE_CHANGE_MM = 10.0, 20.0
# In half images: a board closer to the centre is "in the middle".
_MIN_OFF_CENTRE = 0.25


@dataclass(frozen=True)
class NextView:
    """What would help next. Recorded as a fact, and shown to the operator."""

    message: str
    """What to do, for an operator."""
    base_T_flange: Matrix4 | None = None
    """(4, 4), metres: the suggested pose; None where the message suggests none."""
    p95_upper_mm: float | None = None
    """Upper confidence bound of the p95 with that pair, millimetres."""


@dataclass(frozen=True)
class ProgressReport:
    """What the pairs determine, and what would help next. Recorded with each solve."""

    message: str
    """The coverage in one sentence, or why the pairs cannot be solved; for an operator."""
    coverage: Coverage | None
    """The coverage; None after a refusal."""
    next_view: NextView | None
    """The suggestion; None while it is being searched, and once the goal is met."""
    error_sources: str = ""
    """Where the expected error comes from, for an operator; empty after a refusal."""

    @classmethod
    def after(cls, outcome: Solution | Refusal, coverage: Coverage | None) -> ProgressReport:
        """The report right after a solve, before the next view is searched."""
        if isinstance(outcome, Refusal):
            return cls(outcome.message, None, NextView(outcome.remedy))
        sources = "" if outcome.unobservable else outcome.error_contributions_mm.description
        return cls("" if coverage is None else coverage.description, coverage, None, sources)


def find_next_view(problem: Problem, outcome: Solution | Refusal, goal: Goal) -> NextView | None:
    """What would help next after a solve of ``problem``; None if the goal is met or no view fits. Takes tens of ms."""
    if isinstance(outcome, Refusal):
        return NextView(outcome.remedy)
    if goal.is_met(len(problem.pairs), outcome):
        return None
    if goal.is_out_of_reach(outcome):
        return NextView(_describe_arm_limit(outcome, goal.tolerance_mm))
    # A poorly conditioned candidate overflows to NaN or infinity, and is not chosen.
    with np.errstate(all="ignore"):
        found = suggest_view(setup_estimate(problem, outcome), pairs_of_solution(problem, outcome))
    if found is None:
        return None
    p95_upper_mm = goal.p95_upper_after_mm(outcome, found.mean_square_ratio)
    return NextView(f"{CAUTION}: {found.message}", to_matrix4(found.base_T_flange), p95_upper_mm)


def _describe_arm_limit(solution: Solution, tolerance_mm: float) -> str:
    return (
        f"further waypoints do not help: the arm's own error at a pick, {solution.remaining_pick_error_mm:.2f} mm"
        f" (p95), is above the tolerance of {tolerance_mm:g} mm; have the joint offsets and link"
        " lengths checked, take waypoints where the arm picks and in that posture, or state a larger tolerance"
    )


@dataclass(frozen=True)
class ViewSuggestion:
    """A view worth taking."""

    base_T_flange: Array
    """(4, 4), metres: the flange pose, as the robot reports poses."""
    camera_T_board: Array
    """(4, 4), metres: the view from there."""
    mean_square_ratio: float
    """Mean square error of the transform with that pair, over that without it."""
    message: str
    """The view in words, relative to the newest pair."""


def suggest_view(setup: SetupEstimate, captured: Sequence[Pair]) -> ViewSuggestion | None:
    """The view to take next, after the pairs ``captured``; None if none fits.

    The choice minimises the mean squared error over the working volume after one more pair (V-optimal design: V. V.
    Fedorov, Theory of Optimal Experiments, 1972).
    """
    flanges = candidate_flanges(setup, vertical_flange_orientation(setup), _CANDIDATES)
    flanges = flanges[is_distinct(flanges, np.array([p.base_T_flange for p in setup.problem.pairs]))]
    if not len(flanges):
        return None
    ahead = forecast(setup, captured, flanges)
    after = ahead.mean_square_after_each_m2()
    best = int(np.argmin(after))
    now = float(ahead.mean_square_m2(ahead.known_information))
    view = setup.predict_view(flanges[best])
    current_view = setup.predict_view(np.asarray(captured[-1].base_T_flange)) if captured else None
    return ViewSuggestion(flanges[best], view, float(after[best]) / now, describe_view(setup, view, current_view))


def describe_view(setup: SetupEstimate, camera_T_board: Array, current_view: Array | None) -> str:
    """The view (4, 4) in words for an operator; rotation and distance relative to ``current_view`` (4, 4)."""
    problem = setup.problem
    outline = BoardOutline.of(problem.board_corners_m)
    middle = se3.apply(camera_T_board, outline.centre_m[None])[0]
    on_arm = problem.mount is Mount.ARM
    parts = []
    tilt = float(np.rad2deg(tilt_rad(outline, camera_T_board)))
    edge = _nearest_edge(camera_T_board, middle)
    if problem.flange_rotation is FlangeRotation.FREE:
        if on_arm:
            parts.append(f"tilt the camera until it sees the board at {tilt:.0f} deg, the {edge} edge nearer")
        else:
            parts.append(f"tilt the board {tilt:.0f} deg, its {edge} edge (as the camera sees it) towards the camera")
    if current_view is not None:
        rotation = _image_rotation_deg(camera_T_board, current_view)
        if problem.flange_rotation is FlangeRotation.VERTICAL:
            about = _vertical_rotation_deg(setup, camera_T_board, current_view)
            parts.append(
                f"rotate the flange {abs(about):.0f} deg {_rotation_sense(about)} about the vertical (from above)"
            )
        elif abs(rotation) >= _MIN_ROTATION_DEG:
            what = "rotate the camera until the board appears rotated" if on_arm else "rotate it"
            parts.append(f"{what} {abs(rotation):.0f} deg {_rotation_sense(-rotation)} in the image")
        closer_mm = 1e3 * float(
            np.linalg.norm(se3.apply(current_view, outline.centre_m[None])) - np.linalg.norm(middle)
        )
        if abs(closer_mm) >= _MIN_DISTANCE_CHANGE_MM:
            parts.append(f"{abs(closer_mm):.0f} mm {'closer' if closer_mm > 0 else 'farther'}")
    else:
        parts.append(f"{1e3 * float(np.linalg.norm(middle)):.0f} mm from the camera")
    parts.append(f"the board in {_image_region(setup, middle)} of the image")
    return ", ".join(parts)


def _nearest_edge(camera_T_board: Array, middle: Array) -> str:
    """The edge of the board nearest to the camera, named by its direction in the image."""
    sight = middle / np.linalg.norm(middle)
    normal = camera_T_board[:3, 2]
    # The direction within the board in which the distance to the camera decreases fastest.
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
    """One of eight directions in the image; "" for none."""
    if max(abs(across), abs(down)) < 1e-9:
        return ""
    vertical = ("upper" if down < 0 else "lower") if abs(down) > 0.4 * abs(across) else ""
    sideways = ("left" if across < 0 else "right") if abs(across) > 0.4 * abs(down) else ""
    return f"{vertical} {sideways}".strip()


def _image_rotation_deg(view: Array, current_view: Array) -> float:
    """Rotation of the board's x axis in the image from ``current_view`` to ``view``, degrees, positive clockwise."""
    before, after = (np.arctan2(v[1, 0], v[0, 0]) for v in (current_view, view))
    return float(np.rad2deg((after - before + np.pi) % (2 * np.pi) - np.pi))


def _vertical_rotation_deg(setup: SetupEstimate, view: Array, current_view: Array) -> float:
    before, after = setup.flange(current_view), setup.flange(view)
    rotation = after[:3, :3] @ before[:3, :3].T
    return float(np.rad2deg(np.arctan2(rotation[1, 0], rotation[0, 0])))


def _rotation_sense(angle_deg: float) -> str:
    return "anticlockwise" if angle_deg > 0 else "clockwise"
