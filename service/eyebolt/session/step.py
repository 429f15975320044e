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
    state, commands = _handle(state, event)
    while (following := _next_deferred(state)) is not None:
        state, more = following
        commands = [*commands, *more]
    return state, commands


def _handle(state: State, event: msg.Event) -> Result:
    if isinstance(event, msg.RequestReceived):
        return requests.on_request(state, event)
    if isinstance(event, msg.LineRejected):
        return requests.on_line_rejected(state, event)
    if isinstance(event, msg.AcceptedResultRead):
        return requests.on_accepted_result(state, event)
    if isinstance(event, msg.Disconnected):
        # Who held nothing changes nothing: a crowd that comes and goes is not told to everybody who watches.
        return (replace(state, robot=None), [msg.PublishStatus()]) if state.robot == event.connection else (state, [])
    if state.background is not None and state.background.number == event.task:
        if isinstance(event, msg.TimerExpired):
            return requests.answer_deferred_requests(state)
        return solving.on_background_event(state, state.background, event)
    if state.next_view_search is not None and state.next_view_search.number == event.task:
        return solving.on_next_view_event(state, state.next_view_search, event)
    if state.task is None or state.task.number != event.task:
        return state, []
    if state.background is not None and isinstance(event, _DEFERRABLE):
        return state.with_task(deferred_event=event), []
    handler: Callable[[State, Task, Any], Result] = _TASK_HANDLERS[type(event)]
    return handler(state, state.task, event)


def _next_deferred(state: State) -> Result | None:
    """The next thing that waited for the solve before it; None if nothing does, or it has to go on waiting."""
    task = state.task
    if state.background is not None:
        return None
    if task is not None and task.open_deferred:
        return state.with_task(open_deferred=False), [capture.open_command(task, state.config)]
    if task is not None and task.deferred_event is not None:
        return _handle(state.with_task(deferred_event=None), task.deferred_event)
    if state.deferred_requests:
        return _handle(replace(state, deferred_requests=state.deferred_requests[1:]), state.deferred_requests[0])
    return None


# Events at which the answer of a task may be decided.
_DEFERRABLE = (msg.Detected, msg.GrabFailed, msg.Solved, msg.WorkerFailed)

_TASK_HANDLERS: dict[type, Callable[[State, Task, Any], Result]] = {
    msg.SessionOpened: capture.on_session_opened,
    msg.Grabbed: capture.grabbed,
    msg.GrabFailed: capture.on_grab_failed,
    msg.ImageStored: capture.on_image_stored,
    msg.Detected: capture.on_detected,
    msg.Solved: capture.on_solved,
    msg.FactsRecorded: answer.on_recorded,
    msg.ResultWritten: answer.on_result_written,
    msg.WriteFailed: answer.on_write_failed,
    msg.WorkerFailed: capture.on_worker_failed,
    msg.TimerExpired: requests.on_timer,
}


def resume(state: State) -> Result:
    """What a restarted daemon does first.

    A solve that follows an answer is done if it is not on disk; a picture on disk that was not answered is taken up.
    """
    state, commands = solving.begin_background_solve(state, restarted=True)
    pending = state.log.unanswered if state.log is not None and not state.log.is_closed else None
    if pending is None:
        return state, commands
    task = Task(
        number=state.task_count + 1,
        seq=pending.request.seq,
        text=pending.request.line,
        verb=pending.verb,
        caller=None,
        bracketed=False,
        at_ns=0,
        timestamp="",
        stage="detect",
        base_T_flange=pending.base_T_flange,
        raw_pose=pending.image.raw_pose,
        index=pending.index,
        image_name=pending.image.file,
    )
    return replace(state, task=task, task_count=task.number), [*commands, msg.Detect(task.number, task.image_name)]
