"""The end of a task: its reply is decided, recorded with all facts that led to it, and only then sent."""

from __future__ import annotations

from dataclasses import dataclass, replace

from eyebolt.observations import Measure, ViewAcceptance
from eyebolt.protocol import Code, Reply, StepTimes
from eyebolt.session import messages as msg
from eyebolt.session.background import begin_background_solve, begin_next_view
from eyebolt.session.facts import DetectionFact, Fact, ReplyFact, TimingsFact
from eyebolt.session.messages import Command
from eyebolt.session.solve_report import SolveReport
from eyebolt.session.state import (
    AssessedView,
    AwaitingImageFact,
    Capture,
    ImageWrite,
    Job,
    RecordingReply,
    State,
    TaskStage,
    Transition,
    WritingResult,
)


@dataclass(frozen=True)
class Decision:
    """The reply to a request, before it is recorded."""

    code: Code
    message: str
    """In words, for the screen."""
    remedy: str
    """What to do, for the screen."""
    count: int
    """Pairs kept."""
    aux: int
    """Fourth number of the reply."""
    measure: Measure | None = None
    """The measured value that decided."""

    @classmethod
    def from_view(cls, found: ViewAcceptance, count: int, aux: int) -> Decision:
        """The decision that a view, or what all pairs together show, leads to."""
        return cls(found.code, found.message, found.remedy, count, aux, found.measure)


def record_reply(
    state: State,
    job: Job,
    decision: Decision,
    *,
    facts: tuple[Fact, ...] = (),
    capture: Capture | None = None,
    assessed: AssessedView | None = None,
    report: SolveReport | None = None,
) -> Transition:
    """Records a reply: after ``facts`` and the fact of the solve, the detection, the timings, the reply itself.

    The journal has the fact of an image before everything that follows from it: while that is not on record, the
    reply waits.
    """
    if report is not None:
        facts = (*facts, report.fact(is_background=False))
    if capture is not None and assessed is not None:
        record, view, p_value = assessed.detection.to_record(), assessed.view, assessed.p_value
        facts = (*facts, DetectionFact(index=capture.index, detection=record, view=view, p_value=p_value))
    reply = ReplyFact(
        request=job.request,
        code=decision.code,
        count=decision.count,
        aux=decision.aux,
        message=decision.message,
        remedy=decision.remedy,
        measure=decision.measure,
        timestamp=job.timestamp,
    )
    if capture is not None and capture.write is not ImageWrite.DONE:
        return replace(state, task=AwaitingImageFact(job, capture, facts, reply, report)), []
    return _record(state, job, capture, facts, reply, report)


def image_recorded_then_reply(state: State, stage: AwaitingImageFact, event: msg.FactsRecorded) -> Transition:
    """AwaitingImageFact, FactsRecorded: the fact of the image is on record, and the reply can follow it."""
    state, capture = with_image_fact(state, stage.capture, event)
    state, commands = _record(state, stage.job, capture, stage.facts, stage.reply, stage.report)
    return state, [*commands, msg.PublishStatus()]


def with_image_fact(state: State, capture: Capture, event: msg.FactsRecorded) -> tuple[State, Capture]:
    """The state and the capture once the fact of its image is on record."""
    if capture.fact is not None:
        state = state.with_facts((capture.fact,))
    times = capture.times or StepTimes()
    disk_ms = (times.disk or 0.0) + event.duration_ns / 1e6
    return state, replace(capture.timed(disk=disk_ms), write=ImageWrite.DONE)


def reply_recorded(state: State, stage: RecordingReply, _: msg.FactsRecorded) -> Transition:
    """RecordingReply, FactsRecorded: the request counts; the reply is sent, or the result written first."""
    state = state.with_facts(stage.facts)
    job, reply, report = stage.job, stage.reply, stage.report
    if report is None:
        return _send_reply(state, job, reply, None, [])
    result = report.result_command(state.config.accept_when_proven)
    if job.request.verb == "capture" and not reply.code.ends_program:
        # The robot goes on to the next waypoint; the result of these pairs is written while it travels.
        return _send_reply(state, job, reply, report, [result])
    # Whoever receives this reply reads the result next.
    return replace(state, task=WritingResult(job, reply, report)), [result]


def result_written(state: State, stage: WritingResult, _: msg.ResultWritten) -> Transition:
    """WritingResult, ResultWritten: the reply is sent."""
    return _send_reply(state, stage.job, stage.reply, stage.report, [])


def fail_unrecorded(state: State, stage: TaskStage, event: msg.WriteFailed) -> Transition:
    """WriteFailed: nothing of this task counts, and the robot must stop."""
    job = stage.job
    state = replace(state, task=None, unrecorded_seq=job.request.seq)
    # The robot may have been answered 10, and hears the 31 only when it polls: the screen shows it now.
    state = state.with_unrecorded_reply(job.request.seq, Code.CANNOT_RECORD, event.message)
    if job.origin is None or job.is_working_sent:
        return state, [msg.PublishStatus()]
    reply = Reply(Code.CANNOT_RECORD, job.request.seq, state.kept, state.pairs_wanted)
    return state, [msg.SendReply(job.origin.caller, reply, job.origin.bracketed, event.message), msg.PublishStatus()]


def send_working(state: State, stage: TaskStage, _: msg.TimerExpired) -> Transition:
    """TimerExpired: the work takes longer than a robot waits; the reply 10 makes it poll for the final one."""
    job = stage.job
    if job.is_working_sent or job.origin is None or job.origin.caller.is_operator:
        return state, []
    reply = Reply(Code.WORKING, job.request.seq, state.kept, state.pairs_wanted)
    state = replace(state, task=replace(stage, job=replace(job, is_working_sent=True)))
    return state, [msg.SendReply(job.origin.caller, reply, job.origin.bracketed, "still working")]


def _record(
    state: State,
    job: Job,
    capture: Capture | None,
    facts: tuple[Fact, ...],
    reply: ReplyFact,
    report: SolveReport | None,
) -> Transition:
    """All facts of the reply in one write; the reply is the last one."""
    if capture is not None and capture.times is not None:
        facts = (*facts, TimingsFact(index=capture.index, ms=_rounded(capture.times)))
    facts = (*facts, reply)
    return replace(state, task=RecordingReply(job, facts, reply, report)), [msg.RecordFacts(job.number, facts)]


def _rounded(times: StepTimes) -> StepTimes:
    """To a microsecond."""
    return StepTimes(**{step: None if ms is None else round(ms, 3) for step, ms in times})


def _send_reply(
    state: State, job: Job, reply: ReplyFact, report: SolveReport | None, following: list[Command]
) -> Transition:
    """Sends a recorded reply; work that never delays a reply begins after it."""
    state = replace(state, task=None).with_recorded_reply(reply, job.number)
    commands: list[Command] = []
    if job.origin is not None and not job.is_working_sent:
        answer = Reply(reply.code, job.request.seq, reply.count, reply.aux)
        commands.append(msg.SendReply(job.origin.caller, answer, job.origin.bracketed, reply.message, True))
    begun: list[Command] = []
    if report is not None:
        state, begun = begin_next_view(state, report.command, report.outcome)
    elif job.request.verb in ("capture", "check"):
        state, begun = begin_background_solve(state)
    return state, [*commands, msg.PublishStatus(), *following, *begun]
