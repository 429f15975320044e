"""A solve in the session: what goes into it, the fact that it leaves behind, the result that is written of it.

Whether a capture is answered before its solve, while the arm travels, or after it.

Answered after its solve is what may hang on it: the end of the session, a stop, a pair that does not belong. Everything
else is answered first. What the rule looks at are facts that are recorded, so that it does not matter how fast the
computer was.

What follows an answer while the arm travels: the solve that was not waited for, the result, what would help next.

Until the solve's fact is on disk nothing further is decided: pictures are taken, stored and searched meanwhile, but
every answer rests on the solves of all pairs before it, however fast or slow they were.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from eyebolt.calibration import Expectation, Refusal, Solution, judge
from eyebolt.observations import Verdict, View, verdict
from eyebolt.planning import insight_json
from eyebolt.session import messages as msg
from eyebolt.session.facts import Log, pairs_of
from eyebolt.session.messages import Command
from eyebolt.session.state import Advising, Behind, State, Task, Terms, flange_of

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


def solved_fact(terms: Terms, solve: msg.Solve, event: msg.Solved, kept: int, behind: bool) -> dict[str, Any]:
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


def result_of(terms: Terms, task: int, event: msg.Solved, kept: int) -> msg.WriteResult:
    """The result to write once the fact of the solve is on disk."""
    judgement = judge(event.outcome, terms.goal.tolerance_mm)
    proven = judgement.verdict == "accept" and terms.goal.met(kept, event.outcome)
    return msg.WriteResult(task, event.outcome, judgement, proven and terms.accept_when_proven, event.knowledge)


# With fewer pairs a disagreement does not say whose fault it is.
FEWEST_FOR_MAJORITY = 6
# The pairs with which wrong terms and a wrong mount come out: the robot program is to stop there, not later.
_DIAGNOSED_AT_ONCE = (4, 5)
# A pair less probable than this may be one that the solver leaves out. In a clean set it leaves out none that is not at
# least ten times less probable still (solve/outliers), so few pairs that belong wait in vain, and hardly one of the
# others passes.
_DEPARTS = 0.02


def waits_for_solve(state: State, task: Task) -> bool:
    """Whether the answer to the task, whose view is good, may hang on the solve with its own pair.

    Pairs still wanted are never more than ``most`` leaves room for: 37 comes after a wait as well. A check is no part
    of what is solved: its answer never hangs on it.
    """
    log = state.log
    if task.verb != "capture" or log is None:
        return False
    pairs = len(pairs_of(log.solvable)) + 1
    if pairs < FEWEST_TO_SOLVE:
        return False
    if state.wanted <= 1 or pairs in _DIAGNOSED_AT_ONCE:
        return True
    if pairs < FEWEST_FOR_MAJORITY:
        return False
    return solve_is_owed(log) or _stops(log) or not fits(task.fits)


def _stops(log: Log) -> bool:
    return log.solved is not None and log.solved.get("stop") is not None


def fits(chance: float | None) -> bool:
    """Whether a pair so probable is surely none that the solver would leave out; None: nobody can tell."""
    return chance is not None and chance >= _DEPARTS


def chance_of(state: State, task: Task, view: View | None) -> float | None:
    """How probable it is that the last solution sees a pair that belongs as far off as that of the task."""
    solved = state.log.solved if state.log is not None else None
    expects = None if solved is None else solved.get("expects")
    board = None if view is None else view.board
    if task.verb != "capture" or expects is None or board is None:
        return None
    return Expectation.from_json(expects).chance(flange_of(task), board)


Result = tuple[State, list[Command]]


def begin_owed_solve(state: State, restarted: bool = False) -> Result:
    """The pairs that no recorded solve rests on are solved, if there are any; ``restarted`` as in Behind."""
    log = state.log
    if log is None or not solve_is_owed(log):
        return state, []
    number = state.tasks_begun + 1
    solve = msg.Solve(number, pairs_of(log.solvable), pairs_of(log.checks), log.placed)
    return replace(state, behind=Behind(solve, state.kept, restarted), tasks_begun=number), [solve]


def begin_advice(state: State, solve: msg.Solve, outcome: Solution | Refusal) -> Result:
    """What would help next is looked for; no decision hangs on it."""
    if isinstance(outcome, Refusal) or state.log is None or state.log.closed:
        return state, []
    number = state.tasks_begun + 1
    return replace(state, advising=Advising(number, solve), tasks_begun=number), [
        msg.Advise(number, solve.pairs, outcome)
    ]


def solve_went_on(state: State, behind: Behind, event: msg.Event) -> Result:
    """An event of the solve that follows an answer."""
    if isinstance(event, msg.Solved):
        fact = solved_fact(state.terms, behind.solve, event, behind.kept, behind=True)
        result = result_of(state.terms, behind.number, event, behind.kept)
        return replace(state, behind=replace(behind, facts=(fact,), result=result)), [
            msg.Record(behind.number, (fact,))
        ]
    if isinstance(event, msg.Recorded) and behind.result is not None:
        state = replace(state.with_facts(behind.facts), behind=None)
        state, commands = begin_advice(state, behind.solve, behind.result.outcome)
        return state, [msg.Publish(), behind.result, *commands]
    if isinstance(event, msg.WorkFailed | msg.RecordFailed):
        # The pairs are on record. The next capture waits for its solve, and is told if that fails again.
        return replace(state, behind=None), [msg.Publish()]
    return state, []


def advice_went_on(state: State, advising: Advising, event: msg.Event) -> Result:
    """An event of the advice that follows a solve."""
    if isinstance(event, msg.Advised) and not _of_no_use(state):
        of = [p.index for p in (*advising.solve.pairs, *advising.solve.checks)]
        fact: dict[str, Any] = {"fact": "advice", "of": of, "next": event.advice.to_json()}
        return replace(state, advising=replace(advising, facts=(fact,))), [msg.Record(advising.number, (fact,))]
    return replace(state.with_facts(advising.facts if isinstance(event, msg.Recorded) else ()), advising=None), [
        msg.Publish()
    ]


def _of_no_use(state: State) -> bool:
    """The session ends, or another one begins: nothing is written behind its last answer, nor into the next one."""
    task, log = state.task, state.log
    ends = task is not None and (task.stage == "open" or task.verb == "bye")
    return ends or log is None or log.closed
