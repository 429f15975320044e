"""Work after a reply, while the arm travels: the background solve, the result, and the next view.

Until the fact of the background solve is on record, nothing is decided that rests on its pairs. Images are taken,
stored and searched meanwhile, but each reply rests on the solves of all pairs before it, however long they took.
"""

from __future__ import annotations

from dataclasses import replace

from eyebolt.calibration import Refusal, Solution
from eyebolt.session import messages as msg
from eyebolt.session.facts import NextViewFact
from eyebolt.session.solve_report import SolveReport, basis_of, find_stop, is_solve_due
from eyebolt.session.state import (
    AwaitingBackground,
    BackgroundRecording,
    BackgroundSolving,
    BackgroundStage,
    NextViewStage,
    OpeningSession,
    PlanningNextView,
    RecordingNextView,
    State,
    Transition,
)


def begin_background_solve(state: State, is_after_restart: bool = False) -> Transition:
    """Starts the solve of the pairs that no recorded solve rests on, if there are any."""
    log = state.log
    if log is None or not is_solve_due(log):
        return state, []
    number = state.next_number
    solve = msg.Solve(number, log.dataset)
    return replace(state, background=BackgroundSolving(solve, state.kept, is_after_restart), last_number=number), [
        solve
    ]


def begin_next_view(state: State, solve: msg.Solve, outcome: Solution | Refusal) -> Transition:
    """Starts planning the next view after a solve; no decision depends on it."""
    if isinstance(outcome, Refusal) or not state.is_open:
        return state, []
    number = state.next_number
    command = msg.PlanNextView(number, solve.dataset.pairs, outcome)
    return replace(state, next_view=PlanningNextView(number, solve), last_number=number), [command]


def record_background(state: State, stage: BackgroundSolving, event: msg.Solved) -> Transition:
    """BackgroundSolving, Solved: the fact of the solve is recorded."""
    config, stop = state.config, find_stop(event.outcome)
    report = SolveReport.of(config.goal, config.result_format, stage.command, event, stage.kept, stop)
    state = replace(state, background=BackgroundRecording(report, stage.is_after_restart))
    return state, [msg.RecordFacts(stage.number, (report.fact(is_background=True),))]


def commit_background(state: State, stage: BackgroundRecording, _: msg.FactsRecorded) -> Transition:
    """BackgroundRecording, FactsRecorded: the solve counts; its result is written and the next view planned."""
    report = stage.report
    state = replace(state.with_facts((report.fact(is_background=True),)), background=None)
    state, commands = begin_next_view(state, report.command, report.outcome)
    result = report.result_command(state.config.accept_when_proven)
    return state, [msg.PublishStatus(), result, *commands]


def drop_background(state: State, _: BackgroundStage, __: msg.WorkerFailed | msg.WriteFailed) -> Transition:
    """A background solve that failed: its pairs are on record, and the next capture waits for its own solve of them."""
    return replace(state, background=None), [msg.PublishStatus()]


def record_next_view(state: State, stage: PlanningNextView, event: msg.NextViewPlanned) -> Transition:
    """PlanningNextView, NextViewPlanned: recorded, unless the session ends or another one is being opened.

    Nothing is written after the last reply of a session, nor into the next session.
    """
    task = state.task
    is_ending = isinstance(task, AwaitingBackground | OpeningSession) or (
        task is not None and task.job.request.verb == "bye"
    )
    if is_ending or not state.is_open:
        return drop_next_view(state, stage, event)
    fact = NextViewFact(based_on=basis_of(stage.solve), next_view=event.next_view)
    return replace(state, next_view=RecordingNextView(stage.number, fact)), [msg.RecordFacts(stage.number, (fact,))]


def commit_next_view(state: State, stage: RecordingNextView, _: msg.FactsRecorded) -> Transition:
    """RecordingNextView, FactsRecorded: the next view is shown."""
    return replace(state.with_facts((stage.fact,)), next_view=None), [msg.PublishStatus()]


def drop_next_view(
    state: State, _: NextViewStage, __: msg.NextViewPlanned | msg.WorkerFailed | msg.WriteFailed
) -> Transition:
    """There is no next view to show; nothing depends on it."""
    return replace(state, next_view=None), [msg.PublishStatus()]
