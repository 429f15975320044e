"""The transitions that a session really makes, as its table of the state machine declares them or not."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from typing import Any
from unittest import mock

from eyebolt.session import messages as msg
from eyebolt.session.state import (
    BackgroundRecording,
    BackgroundSolving,
    PlanningNextView,
    RecordingNextView,
    Stage,
    State,
    Transition,
)
from eyebolt.session.step import TABLE, Handled, Impossible

StageChange = tuple[type[Stage], type[msg.TaskEvent], type[Stage] | None]


@contextlib.contextmanager
def watched_transitions() -> Iterator[set[StageChange]]:
    """Collects (stage, event, next stage or None) of every transition that ``step`` makes meanwhile."""
    found: set[StageChange] = set()
    watched = {pair: _watch(found, *pair, cell) for pair, cell in TABLE.items()}
    # The package exports the function under the name of the module.
    with mock.patch.object(sys.modules["eyebolt.session.step"], "TABLE", watched):
        yield found


def undeclared(transitions: set[StageChange]) -> set[StageChange]:
    """Those that the table does not declare."""
    return {transition for transition in transitions if transition not in declared()}


def declared() -> set[StageChange]:
    """Every transition of the table."""
    return {(*pair, goal) for pair, cell in TABLE.items() if isinstance(cell, Handled) for goal in cell.to}


def _watch(
    found: set[StageChange], stage: type[Stage], event: type[msg.TaskEvent], cell: Handled | Impossible
) -> Handled | Impossible:
    if isinstance(cell, Impossible):
        return cell

    def handler(state: State, before: Any, happened: Any) -> Transition:
        after, commands = cell.handler(state, before, happened)
        following = _stage_of_region(after, stage)
        found.add((stage, event, None if following is None else type(following)))
        return after, commands

    return Handled(handler, cell.to, cell.defers)


def _stage_of_region(state: State, stage: type[Stage]) -> Stage | None:
    """Where the region of ``stage`` is now."""
    if stage in (BackgroundSolving, BackgroundRecording):
        return state.background
    return state.next_view if stage in (PlanningNextView, RecordingNextView) else state.task
