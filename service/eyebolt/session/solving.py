"""A solve in the session: what goes into it, the fact that it leaves behind, the result that is written of it."""

from __future__ import annotations

from typing import Any

from eyebolt.pairs.verdict import Verdict, verdict
from eyebolt.progress.insight import insight_json
from eyebolt.progress.judgement import judge
from eyebolt.session import commands as do
from eyebolt.session import events as ev
from eyebolt.session.facts import Log
from eyebolt.session.terms import Terms
from eyebolt.solve.outcome import Refusal, Solution

FEWEST_TO_SOLVE = 3
# What the robot hears for a stop finding. Half-turned views are not among them: sessions put those right.
STOPS = {
    **dict.fromkeys(("pose-terms", "pairs-shifted"), 32),
    "mount": 33,
    **dict.fromkeys(("camera-moved", "tool-changed", "frame-changed"), 34),
    **dict.fromkeys(("board-corners", "board-scale", "board-or-lens"), 38),
    **dict.fromkeys(
        ("lens-resolution", "rectified", "distortion", "focal-length", "principal-point", "focus-moved"), 38
    ),
}


def stop_of(outcome: Solution | Refusal) -> Verdict | None:
    """What the pairs together say is so wrong that no further waypoint helps."""
    for finding in outcome.findings:
        if finding.severity == "stop" and finding.code in STOPS:
            # The log has no room of its own for the advice, and the line to change must be in it.
            return verdict(STOPS[finding.code], f"{finding.says}: {finding.remedy}", finding.remedy)
    return None


def solve_is_owed(log: Log) -> bool:
    """Whether pairs or checks are on record that the newest recorded solve does not rest on."""
    pairs = [t.index for t in log.solvable]
    if log.closed or len(pairs) < FEWEST_TO_SOLVE:
        return False
    if log.solved is None:
        return True
    # Earlier versions answered nothing before its solve, and did not write what that rested on.
    return "of" in log.solved and log.solved["of"] != [*pairs, *(t.index for t in log.checks)]


def solved_fact(terms: Terms, solve: do.Solve, event: ev.Solved, kept: int, behind: bool) -> dict[str, Any]:
    """The fact of a solve; ``kept``: pairs kept with its request. ``behind``: it followed the answer."""
    goal, outcome = terms.goal, event.outcome
    judgement = judge(outcome, goal.tolerance_mm)
    found = outcome if isinstance(outcome, Solution) else None
    stop = stop_of(outcome)
    return {
        "fact": "solved",
        "of": [p.index for p in (*solve.pairs, *solve.checks)],
        "behind": behind,
        "kept": kept,
        "p95_mm": None if found is None else found.expected_error_mm.p95,
        "refused": outcome.code if isinstance(outcome, Refusal) else None,
        "stop": None if stop is None else stop.code,
        "wanted": goal.wanted(kept, outcome),
        "goal_met": goal.met(kept, outcome),
        "verdict": judgement.verdict,
        "why": judgement.why,
        "left_out": [p.pair for p in outcome.left_out],
        "expects": None if found is None or found.expectation is None else found.expectation.to_json(),
        "progress": insight_json(outcome, event.knowledge),
        "took_ms": round(event.took_ns / 1e6, 3),
    }


def result_of(terms: Terms, task: int, event: ev.Solved, kept: int) -> do.WriteResult:
    """The result to write once the fact of the solve is on disk."""
    judgement = judge(event.outcome, terms.goal.tolerance_mm)
    proven = judgement.verdict == "accept" and terms.goal.met(kept, event.outcome)
    return do.WriteResult(task, event.outcome, judgement, proven and terms.accept_when_proven, event.knowledge)
