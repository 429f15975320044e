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
from eyebolt.planning.candidates import Outline
from eyebolt.planning.information import Belief, belief_of, used_pairs
from eyebolt.planning.next_view import CAUTION, Suggestion, advise
from eyebolt.planning.stopping import Goal

_CELLS = 4


@dataclass(frozen=True)
class Knowledge:
    """``turned_deg`` (3,): widest turn between two waypoints about the camera's x, y and z; ``near_mm``, ``far_mm``:
    nearest and farthest distance of the board's middle; ``picture_share``: share of 4 x 4 cells that a corner was in.

    ``weakest``: the direction of the transform that is known worst, in words; ``weakest_mm``: its sigma, at the middle
    of the working distance.
    """

    turned_deg: tuple[float, float, float]
    near_mm: float
    far_mm: float
    picture_share: float
    weakest: str
    weakest_mm: float


def knowledge_after(problem: Problem, outcome: Solution | Refusal) -> Knowledge | None:
    """What the pairs of ``problem`` know, now that it is solved; None after a refusal."""
    if isinstance(outcome, Refusal):
        return None
    return knowledge_of(belief_of(problem, outcome), used_pairs(problem, outcome), outcome)


def knowledge_of(belief: Belief, taken: Sequence[Pair], solution: Solution) -> Knowledge:
    """What the pairs ``taken`` (at least one) know, of which ``solution`` came."""
    problem = belief.problem
    views = belief.view(np.array([p.base_T_flange for p in taken]))
    middle = Outline.of(problem.board_corners_m).middle_m
    distances_mm = 1e3 * np.linalg.norm(se3.apply(views, middle[None])[:, 0], axis=-1)
    weakest = weakest_direction(problem, solution.X, solution.covariance)
    return Knowledge(
        turned_deg=_turned_deg(views),
        near_mm=float(distances_mm.min()),
        far_mm=float(distances_mm.max()),
        picture_share=_picture_share(problem.camera.width_px, problem.camera.height_px, taken),
        weakest=weakest.says,
        weakest_mm=weakest.sigma_m * 1e3,
    )


def says_of_knowledge(knowledge: Knowledge) -> str:
    """The same in one sentence."""
    x, y, z = knowledge.turned_deg
    cells = round(knowledge.picture_share * _CELLS**2)
    return (
        f"turned {x:.0f} and {y:.0f} deg aslant and {z:.0f} deg in the picture, {knowledge.near_mm:.0f} to"
        f" {knowledge.far_mm:.0f} mm away, in {cells} of {_CELLS**2} parts of the picture; known worst:"
        f" {knowledge.weakest} (sigma {knowledge.weakest_mm:.3f} mm)"
    )


def _turned_deg(views: Array) -> tuple[float, float, float]:
    """Widest of the turns between any two views, component by component of its rotation vector in camera axes."""
    turns = views[:, :3, :3]
    between = se3.log_rotation(turns[:, None] @ np.swapaxes(turns, -1, -2)[None])
    x, y, z = np.rad2deg(np.abs(between).max(axis=(0, 1)))
    return float(x), float(y), float(z)


def _picture_share(width_px: int, height_px: int, taken: Sequence[Pair]) -> float:
    corners = np.concatenate([p.corners_px for p in taken])
    cells = np.floor(corners / [width_px, height_px] * _CELLS).clip(0, _CELLS - 1).astype(int)
    return len(np.unique(cells, axis=0)) / _CELLS**2


@dataclass(frozen=True)
class Advice:
    """What would help next: ``says`` is "" if there is nothing to say; ``suggestion`` None where no view fits, nothing
    more is wanted, or nothing is known yet."""

    says: str
    suggestion: Suggestion | None = None

    def to_json(self) -> dict[str, Any] | None:
        """Plain values; ``base_T_flange`` a 4x4 in metres. None if there is nothing to say."""
        if not self.says:
            return None
        found = self.suggestion
        pose, p95_mm = (None, None) if found is None else (found.base_T_flange.tolist(), found.p95_mm)
        return {"says": self.says, "base_T_flange": pose, "p95_mm": p95_mm}


def advice_after(problem: Problem, outcome: Solution | Refusal, goal: Goal) -> Advice:
    """What a solve of ``problem`` tells about the next pair. Takes tens of milliseconds."""
    if isinstance(outcome, Refusal):
        return Advice(outcome.remedy)
    if goal.met(len(problem.pairs), outcome):
        return Advice("")
    with np.errstate(all="ignore"):
        found = advise(belief_of(problem, outcome), used_pairs(problem, outcome), outcome.expected_error_mm.p95)
    return Advice("" if found is None else f"{CAUTION}: {found.says}", found)


def insight_json(outcome: Solution | Refusal, knowledge: Knowledge | None) -> dict[str, Any]:
    """What is known, as plain values; lengths in mm. What would help next is not known before ``advice_after``."""
    if isinstance(outcome, Refusal):
        return {"says": outcome.says, "known": None, "next": Advice(outcome.remedy).to_json()}
    if knowledge is None:
        return {"says": "", "known": None, "next": None}
    return {"says": says_of_knowledge(knowledge), "known": asdict(knowledge), "next": None}
