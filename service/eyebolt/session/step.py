"""``step``: one event in, the next state and what to do about it out. Nothing here touches the world."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from eyebolt.session import answer, capture, requests, solving
from eyebolt.session import messages as msg
from eyebolt.session.messages import Command
from eyebolt.session.state import State, Task

Result = tuple[State, list[Command]]


def step(state: State, event: msg.Event) -> Result:
    """Decides what ``event`` means. Events of work that is no longer the current one are dropped.

    While a solve follows its answer, events that would decide something are put aside until its fact is on disk.
    """
    state, commands = _one(state, event)
    while (following := _next_put_aside(state)) is not None:
        state, more = following
        commands = [*commands, *more]
    return state, commands


def _one(state: State, event: msg.Event) -> Result:
    if isinstance(event, msg.Asked):
        return requests.asked(state, event)
    if isinstance(event, msg.LineFailed):
        return requests.line_failed(state, event)
    if isinstance(event, msg.AcceptedFound):
        return requests.accepted_found(state, event)
    if isinstance(event, msg.Left):
        # Who held nothing changes nothing: a crowd that comes and goes is not told to everybody who watches.
        return (replace(state, robot=None), [msg.Publish()]) if state.robot == event.connection else (state, [])
    if state.behind is not None and state.behind.number == event.task:
        if isinstance(event, msg.Woke):
            return requests.held_long_enough(state)
        return solving.solve_went_on(state, state.behind, event)
    if state.advising is not None and state.advising.number == event.task:
        return solving.advice_went_on(state, state.advising, event)
    if state.task is None or state.task.number != event.task:
        return state, []
    if state.behind is not None and isinstance(event, _DECIDING):
        return state.with_task(parked=event), []
    handler: Callable[[State, Task, Any], Result] = _OF_TASKS[type(event)]
    return handler(state, state.task, event)


def _next_put_aside(state: State) -> Result | None:
    """The next thing that waited for the solve before it; None if nothing does, or it has to go on waiting."""
    task = state.task
    if state.behind is not None:
        return None
    if task is not None and task.to_open:
        return state.with_task(to_open=False), [capture.open_command(task, state.terms)]
    if task is not None and task.parked is not None:
        return _one(state.with_task(parked=None), task.parked)
    if state.held:
        return _one(replace(state, held=state.held[1:]), state.held[0])
    return None


# Events at which the answer of a task may be decided.
_DECIDING = (msg.Detected, msg.GrabFailed, msg.Solved, msg.WorkFailed)

_OF_TASKS: dict[type, Callable[[State, Task, Any], Result]] = {
    msg.Opened: capture.opened,
    msg.Grabbed: capture.grabbed,
    msg.GrabFailed: capture.grab_failed,
    msg.Stored: capture.stored,
    msg.Detected: capture.detected,
    msg.Solved: capture.solved,
    msg.Recorded: answer.recorded,
    msg.ResultWritten: answer.result_written,
    msg.RecordFailed: answer.record_failed,
    msg.WorkFailed: capture.work_failed,
    msg.Woke: requests.woke,
}


def resume(state: State) -> Result:
    """What a restarted daemon does first.

    A solve that follows an answer is done if it is not on disk; a picture on disk that was not answered is taken up.
    """
    state, commands = solving.begin_owed_solve(state, restarted=True)
    pending = state.log.pending if state.log is not None and not state.log.closed else None
    if pending is None:
        return state, commands
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
    return replace(state, task=task, tasks_begun=task.number), [*commands, msg.Detect(task.number, task.picture)]
