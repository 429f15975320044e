"""A corner of the placed board was touched: a fact, and a new look at the result."""

from __future__ import annotations

from dataclasses import replace

from eyebolt.geometry.rigid import Array
from eyebolt.session import commands as do
from eyebolt.session.commands import Command
from eyebolt.session.facts import pairs_of, touch_of
from eyebolt.session.finishing import record_answer
from eyebolt.session.solving import FEWEST_TO_SOLVE
from eyebolt.session.state import State
from eyebolt.session.work import solving

Result = tuple[State, list[Command]]


def begin_touch(state: State, corner: int, base_T_flange: Array, also: list[Command]) -> Result:
    """The task is a touch: with it the pairs are solved anew, if there are enough."""
    task, log = state.task, state.log
    if task is None or log is None or log.board is None:
        return state, also
    fact = {
        "fact": "touch",
        "board": log.board,
        "corner": corner,
        "seq": task.seq,
        "text": task.text,
        "base_T_flange": base_T_flange.tolist(),
        "wall": task.wall,
    }
    state = state.with_task(stage="solve", facts=(fact,))
    pairs = pairs_of(log.solvable)
    if len(pairs) < FEWEST_TO_SOLVE:
        says = f"corner {corner} is touched; there are too few pairs yet to compare it with"
        return record_answer(state, 0, says, "", state.kept, state.wanted, also)
    placed = replace(log, touched=(*log.touched, touch_of(fact))).placed
    return solving(state, do.Solve(task.number, pairs, pairs_of(log.checks), placed), also)
