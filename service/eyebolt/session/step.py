"""``step``: one event in, the next state and the commands that follow out. Pure: nothing here touches the world.

Theory of operation
-------------------

A robot sends a request, waits for its reply, and sends the next one. ``requests`` decides what a line means: most are
answered at once or become the *task*, of which there is one at a time. A task passes through *stages* (``state``). In
each stage certain commands are outstanding, and only the events that answer those can occur. ``TABLE`` has every pair
of stage and event: its handler and the stages that may follow, or why the pair is impossible.

Facts before replies: a reply is sent when it is on record, with every fact that led to it. A restart therefore finds
either nothing of a request, or an image without a reply, which ``resume`` takes up in the stage Detecting. What could
not be written is answered 31 and does not count.

The image is written and recorded while the board is detected and the pairs are solved (``ImageWrite``); a reply that
is decided earlier waits for it in AwaitingImageFact.

A capture's reply waits for the solve with its own pair only where it may depend on it (``solve_report``). Otherwise
the solve follows in the *background*, beside the next task. Events that decide something (``defers``) wait until its
fact is on record: each reply rests on the solves of all pairs before it, and the replies do not depend on how fast
the computer is. The *next view* is planned after each solve; no decision rests on it.

``status`` and ``result`` wait for the background solve, ``hello`` for the task, each with a timer of its own. The
deferred requests of a connection end with it.

Each region (task, background, next view) has a number that its commands carry. An event that matches no region is
stale and is dropped: the work that it answers has ended.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, get_args

from eyebolt.calibration import MIN_PAIRS
from eyebolt.session import background, capture, reply, requests, solving
from eyebolt.session import messages as msg
from eyebolt.session.background import begin_background_solve
from eyebolt.session.state import (
    STAGES,
    AwaitingBackground,
    AwaitingImageFact,
    BackgroundRecording,
    BackgroundSolving,
    Capture,
    DeferringStage,
    Detecting,
    Grabbing,
    ImageWrite,
    Job,
    OpeningSession,
    PlanningNextView,
    RecordingNextView,
    RecordingReply,
    ReportedPose,
    SolvingPair,
    SolvingSession,
    Stage,
    State,
    Transition,
    WritingResult,
)

EVENTS: tuple[type[msg.TaskEvent], ...] = get_args(msg.TaskEvent)


class SessionDefect(Exception):
    """An event that cannot occur in the stage of its region: a defect of the daemon. The state is as it was."""


@dataclass(frozen=True)
class Handled:
    """An event that a stage handles."""

    handler: Callable[[State, Any, Any], Transition]
    """Called with the state, the stage and the event."""
    to: tuple[type[Stage] | None, ...]
    """Stages in which the region may be afterwards; None: it has ended."""
    defers: bool = False
    """While a background solve is not on record, the event waits in the stage: a ``DeferringStage``."""


@dataclass(frozen=True)
class Impossible:
    """An event that cannot occur in a stage."""

    reason: str


# A reply is recorded at once, or after the image that it is about.
_REPLY = (RecordingReply, AwaitingImageFact)
_WORKING = reply.send_working
_UNRECORDED = Handled(reply.fail_unrecorded, to=(None,))

_ROWS: dict[type[Stage], dict[type[msg.TaskEvent], Handled]] = {
    AwaitingBackground: {
        msg.TimerExpired: Handled(_WORKING, to=(AwaitingBackground,)),
    },
    OpeningSession: {
        msg.SessionOpened: Handled(capture.start_in_session, to=(Grabbing, RecordingReply)),
        msg.WriteFailed: _UNRECORDED,
        msg.TimerExpired: Handled(_WORKING, to=(OpeningSession,)),
    },
    Grabbing: {
        msg.Grabbed: Handled(capture.store_and_detect, to=(Detecting,)),
        msg.GrabFailed: Handled(capture.refuse_grab, to=(RecordingReply,), defers=True),
        msg.TimerExpired: Handled(_WORKING, to=(Grabbing,)),
    },
    Detecting: {
        msg.ImageStored: Handled(capture.record_image, to=(Detecting,)),
        msg.FactsRecorded: Handled(capture.image_recorded, to=(Detecting,)),
        msg.Detected: Handled(capture.assess_detection, to=(*_REPLY, SolvingPair), defers=True),
        msg.WorkerFailed: Handled(capture.refuse_failed_detection, to=_REPLY, defers=True),
        msg.WriteFailed: _UNRECORDED,
        msg.TimerExpired: Handled(_WORKING, to=(Detecting,)),
    },
    SolvingPair: {
        msg.ImageStored: Handled(capture.record_image, to=(SolvingPair,)),
        msg.FactsRecorded: Handled(capture.image_recorded, to=(SolvingPair,)),
        msg.Solved: Handled(solving.reply_to_pair, to=_REPLY, defers=True),
        msg.WorkerFailed: Handled(solving.refuse_failed_pair, to=_REPLY, defers=True),
        msg.WriteFailed: _UNRECORDED,
        msg.TimerExpired: Handled(_WORKING, to=(SolvingPair,)),
    },
    SolvingSession: {
        msg.Solved: Handled(solving.reply_to_session, to=(RecordingReply,), defers=True),
        msg.WorkerFailed: Handled(solving.reply_without_solve, to=(RecordingReply,), defers=True),
        msg.TimerExpired: Handled(_WORKING, to=(SolvingSession,)),
    },
    AwaitingImageFact: {
        msg.ImageStored: Handled(capture.record_image, to=(AwaitingImageFact,)),
        msg.FactsRecorded: Handled(reply.image_recorded_then_reply, to=(RecordingReply,)),
        msg.WriteFailed: _UNRECORDED,
        msg.TimerExpired: Handled(_WORKING, to=(AwaitingImageFact,)),
    },
    RecordingReply: {
        msg.FactsRecorded: Handled(reply.reply_recorded, to=(None, WritingResult)),
        msg.WriteFailed: _UNRECORDED,
        msg.TimerExpired: Handled(_WORKING, to=(RecordingReply,)),
    },
    WritingResult: {
        msg.ResultWritten: Handled(reply.result_written, to=(None,)),
        msg.TimerExpired: Handled(_WORKING, to=(WritingResult,)),
    },
    BackgroundSolving: {
        msg.Solved: Handled(background.record_background, to=(BackgroundRecording,)),
        msg.WorkerFailed: Handled(background.drop_background, to=(None,)),
    },
    BackgroundRecording: {
        msg.FactsRecorded: Handled(background.commit_background, to=(None,)),
        msg.WriteFailed: Handled(background.drop_background, to=(None,)),
    },
    PlanningNextView: {
        msg.NextViewPlanned: Handled(background.record_next_view, to=(RecordingNextView, None)),
        msg.WorkerFailed: Handled(background.drop_next_view, to=(None,)),
    },
    RecordingNextView: {
        msg.FactsRecorded: Handled(background.commit_next_view, to=(None,)),
        msg.WriteFailed: Handled(background.drop_next_view, to=(None,)),
    },
}


def _impossible(stage: type[Stage], event: type[msg.TaskEvent]) -> Impossible:
    answered = [command.__name__ for command, answers in msg.ANSWERS.items() if event in answers]
    return Impossible(f"{event.__name__} answers {' or '.join(answered)}, not outstanding in {stage.__name__}")


TABLE: Mapping[tuple[type[Stage], type[msg.TaskEvent]], Handled | Impossible] = MappingProxyType(
    {(stage, event): _ROWS[stage].get(event) or _impossible(stage, event) for stage in STAGES for event in EVENTS}
)


def step(state: State, event: msg.Event) -> Transition:
    """What follows from ``event``. Raises SessionDefect if it cannot occur; ``state`` is then still the state."""
    before = state.unrecorded_reply
    state, commands = _handle(state, event)
    while (following := _next_deferred(state)) is not None:
        state, more = following
        commands = [*commands, *more]
    for command in commands:
        if isinstance(command, msg.SendReply):
            state = _note_reply(state, command)
    if state.unrecorded_reply != before:
        commands = [*commands, msg.PublishStatus()]
    return state, commands


def _note_reply(state: State, command: msg.SendReply) -> State:
    """The state once a reply is sent: a failure that is not on record is shown, until a recorded reply follows.

    Polls (``hello``, ``status``, ``again``, ``result``) hide nothing: what they are answered with success is not shown.
    """
    if command.is_recorded:
        return replace(state, unrecorded_reply=None)
    if command.caller.is_operator:
        # Whoever asked shows it; what could not be recorded is noted where that is decided.
        return state
    code = command.reply.code
    is_holder = state.robot_connection in (None, command.caller.connection)
    if code.is_success or not code.is_final or not is_holder:
        return state
    return state.with_unrecorded_reply(command.reply.seq, code, command.message)


def resume(state: State) -> Transition:
    """What a restarted daemon does first.

    A background solve that is not on record is repeated; an image on record without a reply is taken up.
    """
    state, commands = begin_background_solve(state, is_after_restart=True)
    unanswered = state.log.unanswered if state.log is not None and state.is_open else None
    if unanswered is None:
        return state, commands
    image, pose = unanswered.image, None
    if unanswered.base_T_flange is not None:
        pose = ReportedPose(image.raw_pose, unanswered.base_T_flange, image.joints)
    job = Job(state.next_number, image.request, None, 0, image.timestamp)
    resumed = Capture(image.index, image.file, pose, ImageWrite.DONE, None, None, image)
    state = replace(state, task=Detecting(job, resumed), last_number=job.number)
    return state, [*commands, msg.Detect(job.number, resumed.file)]


def _handle(state: State, event: msg.Event) -> Transition:
    if isinstance(event, msg.RequestReceived):
        return requests.on_request(state, event)
    if isinstance(event, msg.LineRejected):
        return requests.on_line_rejected(state, event)
    if isinstance(event, msg.AcceptedResultRead):
        return requests.on_accepted_result(state, event)
    if isinstance(event, msg.AcceptedResultChanged):
        return replace(state, accepted=event.accepted), [msg.PublishStatus()]
    if isinstance(event, msg.Disconnected):
        return requests.on_disconnected(state, event)
    if isinstance(event, msg.TimerExpired) and any(d.number == event.task for d in state.deferred_requests):
        return requests.answer_as_things_stand(state, event.task)
    stage = _stage_of(state, event.task)
    return (state, []) if stage is None else _handle_in_stage(state, stage, event)


def _stage_of(state: State, number: int) -> Stage | None:
    """The stage of the region with this number; None if its work has ended."""
    if state.background is not None and state.background.number == number:
        return state.background
    if state.next_view is not None and state.next_view.number == number:
        return state.next_view
    if state.task is not None and state.task.job.number == number:
        return state.task
    return None


def _handle_in_stage(state: State, stage: Stage, event: msg.TaskEvent) -> Transition:
    cell = TABLE[type(stage), type(event)]
    if isinstance(cell, Impossible):
        raise SessionDefect(cell.reason)
    if cell.defers and state.background is not None and isinstance(stage, DeferringStage):
        return replace(state, task=replace(stage, deferred=event)), []
    return cell.handler(state, stage, event)


def _next_deferred(state: State) -> Transition | None:
    """The next thing that need not wait any longer; None if there is none."""
    task = state.task
    if state.background is not None:
        return requests.answer_next_deferred(state)
    if isinstance(task, AwaitingBackground):
        return requests.open_session(state, task)
    if isinstance(task, DeferringStage) and task.deferred is not None:
        event = task.deferred
        return _handle(replace(state, task=replace(task, deferred=None)), event)
    return requests.answer_next_deferred(state)


# Where a request's task begins, for the diagram: ``requests`` decides it.
_FIRST_STAGES: dict[type[Stage], str] = {
    Grabbing: "capture, check, place",
    OpeningSession: "the same or begin, no session open",
    AwaitingBackground: "begin, background solve running",
    SolvingSession: "solve, undo, touch, bye",
    RecordingReply: f"begin in an empty session, touch with fewer than {MIN_PAIRS} pairs",
    BackgroundSolving: "a reply that did not wait for its solve",
    PlanningNextView: "a solve on record",
}


def state_diagram() -> str:
    """The table as a state diagram in the Mermaid language; events that leave the stage as it is are left out."""
    arrows = [f"    [*] --> {stage.__name__}: {begins}" for stage, begins in _FIRST_STAGES.items()]
    arrows.append(f"    {AwaitingBackground.__name__} --> {OpeningSession.__name__}: background solve on record")
    for stage in STAGES:
        labels: dict[str, list[str]] = {}
        for event, cell in _ROWS[stage].items():
            for following in cell.to:
                if following is not stage:
                    goal = "[*]" if following is None else following.__name__
                    labels.setdefault(goal, []).append(event.__name__)
        arrows += [f"    {stage.__name__} --> {goal}: {', '.join(events)}" for goal, events in labels.items()]
    return "\n".join(["stateDiagram-v2", *arrows]) + "\n"
