"""What follows an answer while the arm travels: the solve that was not waited for, the result, what would help next.

Until the solve's fact is on disk nothing further is decided: pictures are taken, stored and searched meanwhile, but
every answer rests on the solves of all pairs before it, however fast or slow they were.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from eyebolt.session import commands as do
from eyebolt.session import events as ev
from eyebolt.session.commands import Command
from eyebolt.session.facts import pairs_of
from eyebolt.session.solving import result_of, solve_is_owed, solved_fact
from eyebolt.session.state import Advising, Behind, State
from eyebolt.solve.outcome import Refusal, Solution

Result = tuple[State, list[Command]]


def begin_owed_solve(state: State, restarted: bool = False) -> Result:
    """The pairs that no recorded solve rests on are solved, if there are any; ``restarted`` as in Behind."""
    log = state.log
    if log is None or not solve_is_owed(log):
        return state, []
    number = state.tasks_begun + 1
    solve = do.Solve(number, pairs_of(log.solvable), pairs_of(log.checks), log.placed)
    return replace(state, behind=Behind(solve, state.kept, restarted), tasks_begun=number), [solve]


def begin_advice(state: State, solve: do.Solve, outcome: Solution | Refusal) -> Result:
    """What would help next is looked for; no decision hangs on it."""
    if isinstance(outcome, Refusal) or state.log is None or state.log.closed:
        return state, []
    number = state.tasks_begun + 1
    return replace(state, advising=Advising(number, solve), tasks_begun=number), [
        do.Advise(number, solve.pairs, outcome)
    ]


def solve_went_on(state: State, behind: Behind, event: ev.Event) -> Result:
    """An event of the solve that follows an answer."""
    if isinstance(event, ev.Solved):
        fact = solved_fact(state.terms, behind.solve, event, behind.kept, behind=True)
        result = result_of(state.terms, behind.number, event, behind.kept)
        return replace(state, behind=replace(behind, facts=(fact,), result=result)), [do.Record(behind.number, (fact,))]
    if isinstance(event, ev.Recorded) and behind.result is not None:
        state = replace(state.with_facts(behind.facts), behind=None)
        state, commands = begin_advice(state, behind.solve, behind.result.outcome)
        return state, [do.Publish(), behind.result, *commands]
    if isinstance(event, ev.WorkFailed | ev.RecordFailed):
        # The pairs are on record. The next capture waits for its solve, and is told if that fails again.
        return replace(state, behind=None), [do.Publish()]
    return state, []


def advice_went_on(state: State, advising: Advising, event: ev.Event) -> Result:
    """An event of the advice that follows a solve."""
    if isinstance(event, ev.Advised) and not _of_no_use(state):
        of = [p.index for p in (*advising.solve.pairs, *advising.solve.checks)]
        fact: dict[str, Any] = {"fact": "advice", "of": of, "next": event.advice.to_json()}
        return replace(state, advising=replace(advising, facts=(fact,))), [do.Record(advising.number, (fact,))]
    return replace(state.with_facts(advising.facts if isinstance(event, ev.Recorded) else ()), advising=None), [
        do.Publish()
    ]


def _of_no_use(state: State) -> bool:
    """The session ends, or another one begins: nothing is written behind its last answer, nor into the next one."""
    task, log = state.task, state.log
    ends = task is not None and (task.stage == "open" or task.verb == "bye")
    return ends or log is None or log.closed
