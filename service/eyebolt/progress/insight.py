"""All that progress says after a solve: what is known, what would help next. As values, and as JSON for a fact."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from eyebolt.progress.advice import CAUTION, Suggestion, advise
from eyebolt.progress.forecast import belief_of, used_pairs
from eyebolt.progress.goal import Goal
from eyebolt.progress.knowledge import Knowledge, knowledge_of, says_of_knowledge
from eyebolt.solve.outcome import Refusal, Solution
from eyebolt.solve.problem import Problem


@dataclass(frozen=True)
class Insight:
    """``knowledge`` is None after a refusal; ``suggestion`` where no view fits, or nothing more is wanted.

    ``says``: what is known, ``next_says``: what would help next; "" if there is nothing to say.
    """

    knowledge: Knowledge | None
    suggestion: Suggestion | None
    says: str
    next_says: str

    def to_json(self) -> dict[str, Any]:
        """Plain values; lengths in mm, ``next.base_T_flange`` a 4x4 in metres."""
        known = None if self.knowledge is None else asdict(self.knowledge)
        following: dict[str, Any] = {"says": self.next_says, "base_T_flange": None, "p95_mm": None}
        if self.suggestion is not None:
            following["base_T_flange"] = self.suggestion.base_T_flange.tolist()
            following["p95_mm"] = self.suggestion.p95_mm
        return {"says": self.says, "known": known, "next": following if self.next_says else None}


def insight_of(problem: Problem, outcome: Solution | Refusal, goal: Goal) -> Insight:
    """What a solve of ``problem`` tells about its pairs and about the next one."""
    if isinstance(outcome, Refusal):
        return Insight(None, None, outcome.says, outcome.remedy)
    belief, taken = belief_of(problem, outcome), used_pairs(problem, outcome)
    knowledge = knowledge_of(belief, taken, outcome)
    suggestion = None
    if not goal.met(len(problem.pairs), outcome):
        with np.errstate(all="ignore"):
            suggestion = advise(belief, taken, outcome.expected_error_mm.p95)
    says = "" if suggestion is None else f"{CAUTION}: {suggestion.says}"
    return Insight(knowledge, suggestion, says_of_knowledge(knowledge), says)
