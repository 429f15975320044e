"""``step``: one event in, the next state and what to do about it out. Nothing here touches the world."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from eyebolt.session import commands as do
from eyebolt.session import events as ev
from eyebolt.session import finishing, requests, work
from eyebolt.session.commands import Command
from eyebolt.session.state import State, Task

Result = tuple[State, list[Command]]


def step(state: State, event: ev.Event) -> Result:
    """Decides what ``event`` means. Events of a task that is no longer the current one are dropped."""
    if isinstance(event, ev.Asked):
        return requests.asked(state, event)
    if isinstance(event, ev.LineFailed):
        return requests.line_failed(state, event)
    if isinstance(event, ev.AcceptedFound):
        return requests.accepted_found(state, event)
    if isinstance(event, ev.Left):
        return (replace(state, robot=None) if state.robot == event.connection else state), [do.Publish()]
    if state.task is None or state.task.number != event.task:
        return state, []
    handler: Callable[[State, Task, Any], Result] = _OF_TASKS[type(event)]
    return handler(state, state.task, event)


_OF_TASKS: dict[type, Callable[[State, Task, Any], Result]] = {
    ev.Opened: work.opened,
    ev.Grabbed: work.grabbed,
    ev.GrabFailed: work.grab_failed,
    ev.Stored: work.stored,
    ev.Detected: work.detected,
    ev.Solved: work.solved,
    ev.Recorded: finishing.recorded,
    ev.ResultWritten: finishing.result_written,
    ev.RecordFailed: finishing.record_failed,
    ev.WorkFailed: work.work_failed,
    ev.Woke: requests.woke,
}


def resume(state: State) -> Result:
    """What a restarted daemon does first: take up a picture that is on disk but was not answered."""
    pending = state.log.pending if state.log is not None and not state.log.closed else None
    if pending is None:
        return state, []
    task = Task(
        number=state.tasks_begun + 1,
        seq=pending.seq,
        text=pending.text,
        verb=pending.kind,
        caller=None,
        bracketed=False,
        at_ns=0,
        wall="",
        stage="detect",
        base_T_flange=pending.base_T_flange,
        fields=pending.fields,
        index=pending.index,
        picture=pending.picture,
    )
    return replace(state, task=task, tasks_begun=task.number), [do.Detect(task.number, task.picture)]
