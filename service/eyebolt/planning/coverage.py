"""What the kept pairs know: from their information, and how far they reach in turns, distances and picture.

All that progress says after a solve: what is known, and what would help next. As values, and as JSON for facts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from eyebolt.calibration import Problem, Refusal, Solution, weakest_direction
from eyebolt.geometry import Array, se3
from eyebolt.observations import Pair
from eyebolt.planning.candidates import BoardOutline
from eyebolt.planning.information import SetupEstimate, pairs_of_solution, setup_estimate
from eyebolt.planning.next_view import CAUTION, ViewSuggestion, suggest_view
from eyebolt.planning.stopping import Goal

_CELLS = 4


@dataclass(frozen=True)
class Coverage:
    """``rotation_range_deg`` (3,): widest turn between two waypoints about the camera's x, y and z; ``near_mm``, ``far_mm``:
    nearest and farthest distance of the board's middle; ``image_coverage``: share of 4 x 4 cells that a corner was in.

    ``weakest``: the direction of the transform that is known worst, in words; ``weakest_sigma_mm``: its sigma, at the middle
    of the working distance.
    """

    rotation_range_deg: tuple[float, float, float]
    near_mm: float
    far_mm: float
    image_coverage: float
    weakest: str
    weakest_sigma_mm: float


def coverage_after(problem: Problem, outcome: Solution | Refusal) -> Coverage | None:
    """What the pairs of ``problem`` know, now that it is solved; None after a refusal."""
    if isinstance(outcome, Refusal):
        return None
    return coverage_of(setup_estimate(problem, outcome), pairs_of_solution(problem, outcome), outcome)


def coverage_of(setup: SetupEstimate, captured: Sequence[Pair], solution: Solution) -> Coverage:
    """What the pairs ``captured`` (at least one) know, of which ``solution`` came."""
    problem = setup.problem
    views = setup.predict_view(np.array([p.base_T_flange for p in captured]))
    middle = BoardOutline.of(problem.board_corners_m).centre_m
    distances_mm = 1e3 * np.linalg.norm(se3.apply(views, middle[None])[:, 0], axis=-1)
    weakest = weakest_direction(problem, solution.X, solution.covariance)
    return Coverage(
        rotation_range_deg=_turned_deg(views),
        near_mm=float(distances_mm.min()),
        far_mm=float(distances_mm.max()),
        image_coverage=_picture_share(problem.camera.width_px, problem.camera.height_px, captured),
        weakest=weakest.description,
        weakest_sigma_mm=weakest.sigma_m * 1e3,
    )


def describe_coverage(coverage: Coverage) -> str:
    """The same in one sentence."""
    x, y, z = coverage.rotation_range_deg
    cells = round(coverage.image_coverage * _CELLS**2)
    return (
        f"turned {x:.0f} and {y:.0f} deg aslant and {z:.0f} deg in the picture, {coverage.near_mm:.0f} to"
        f" {coverage.far_mm:.0f} mm away, in {cells} of {_CELLS**2} parts of the picture; known worst:"
        f" {coverage.weakest} (sigma {coverage.weakest_sigma_mm:.3f} mm)"
    )


def _turned_deg(views: Array) -> tuple[float, float, float]:
    """Widest of the turns between any two views, component by component of its rotation vector in camera axes."""
    turns = views[:, :3, :3]
    between = se3.log_rotation(turns[:, None] @ np.swapaxes(turns, -1, -2)[None])
    x, y, z = np.rad2deg(np.abs(between).max(axis=(0, 1)))
    return float(x), float(y), float(z)


def _picture_share(width_px: int, height_px: int, captured: Sequence[Pair]) -> float:
    corners = np.concatenate([p.corners_px for p in captured])
    cells = np.floor(corners / [width_px, height_px] * _CELLS).clip(0, _CELLS - 1).astype(int)
    return len(np.unique(cells, axis=0)) / _CELLS**2


@dataclass(frozen=True)
class NextView:
    """What would help next: ``message`` is "" if there is nothing to say; ``suggestion`` None where no view fits, nothing
    more is wanted, or nothing is known yet."""

    message: str
    suggestion: ViewSuggestion | None = None

    def to_json(self) -> dict[str, Any] | None:
        """Plain values; ``base_T_flange`` a 4x4 in metres. None if there is nothing to say."""
        if not self.message:
            return None
        found = self.suggestion
        pose, p95_mm = (None, None) if found is None else (found.base_T_flange.tolist(), found.p95_mm)
        return {"message": self.message, "base_T_flange": pose, "p95_mm": p95_mm}


def find_next_view(problem: Problem, outcome: Solution | Refusal, goal: Goal) -> NextView:
    """What a solve of ``problem`` tells about the next pair. Takes tens of milliseconds."""
    if isinstance(outcome, Refusal):
        return NextView(outcome.remedy)
    if goal.is_met(len(problem.pairs), outcome):
        return NextView("")
    with np.errstate(all="ignore"):
        found = suggest_view(
            setup_estimate(problem, outcome), pairs_of_solution(problem, outcome), outcome.expected_error_mm.p95
        )
    return NextView("" if found is None else f"{CAUTION}: {found.message}", found)


def progress_json(outcome: Solution | Refusal, coverage: Coverage | None) -> dict[str, Any]:
    """What is known, as plain values; lengths in mm. What would help next is not known before ``find_next_view``."""
    if isinstance(outcome, Refusal):
        return {"message": outcome.message, "coverage": None, "next_view": NextView(outcome.remedy).to_json()}
    if coverage is None:
        return {"message": "", "coverage": None, "next_view": None}
    return {"message": describe_coverage(coverage), "coverage": asdict(coverage), "next_view": None}
