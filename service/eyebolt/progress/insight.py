"""All that progress says after a solve: what is known, and what would help next. As values, and as JSON for facts."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from eyebolt.progress.advice import CAUTION, Suggestion, advise
from eyebolt.progress.forecast import belief_of, used_pairs
from eyebolt.progress.goal import Goal
from eyebolt.progress.knowledge import Knowledge, says_of_knowledge
from eyebolt.solve.outcome import Refusal, Solution
from eyebolt.solve.problem import Problem


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
