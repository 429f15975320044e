"""The end of a task: its answer is decided, goes to disk with all that led to it, and only then to the robot.

What is said of boards that lie still and of corners touched.
"""

from __future__ import annotations

from dataclasses import replace

from eyebolt.calibration import Refusal, Solution
from eyebolt.geometry import Array, Mount
from eyebolt.observations import Measure, ViewAcceptance
from eyebolt.protocol import Code, Reply, StepTimes
from eyebolt.session import messages as msg
from eyebolt.session.facts import (
    DetectionFact,
    Fact,
    ReplyFact,
    RequestRef,
    TimingsFact,
)
from eyebolt.session.messages import Command
from eyebolt.session.solving import begin_background_solve, begin_next_view_search
from eyebolt.session.state import SessionConfig, State, Task

Result = tuple[State, list[Command]]


def record_reply(
    state: State,
    code: Code,
    message: str,
    remedy: str,
    count: int,
    aux: int,
    extra_commands: list[Command],
    measure: Measure | None = None,
) -> Result:
    """The answer is decided. Its facts wait for that of the picture, if the disk is still at it."""
    task = state.task
    if task is None:
        return state, extra_commands
    facts: list[Fact] = list(task.facts)
    if task.detection is not None:
        facts.append(
            DetectionFact(index=task.index, detection=task.detection.to_record(), view=task.view, p_value=task.p_value)
        )
    answer = ReplyFact(
        request=RequestRef(seq=task.seq, line=task.text),
        code=code,
        count=count,
        aux=aux,
        message=message,
        remedy=remedy,
        measure=measure,
        timestamp=task.timestamp,
    )
    facts.append(answer)
    state = state.with_task(stage="record-reply", facts=tuple(facts), reply_decided=True)
    if task.image_fact_pending:
        return state, extra_commands
    state, record = _record_facts(state)
    return state, [*extra_commands, *record]


def on_image_recorded(state: State, event: msg.FactsRecorded) -> Result:
    """The fact of the picture is on disk; so may be the answer that waited for it."""
    task = state.task
    if task is None or task.image_fact is None:
        return state, []
    state = state.with_facts((task.image_fact,))
    timings_ms = task.timings_ms or StepTimes()
    disk_ms = (timings_ms.disk or 0.0) + event.duration_ns / 1e6
    state = state.with_task(image_fact_pending=False, timings_ms=timings_ms.model_copy(update={"disk": disk_ms}))
    if not task.reply_decided:
        return state, [msg.PublishStatus()]
    state, record = _record_facts(state)
    return state, [*record, msg.PublishStatus()]


def on_recorded(state: State, task: Task, event: msg.FactsRecorded) -> Result:
    """Facts are on disk: they count now."""
    if task.image_fact_pending:
        return on_image_recorded(state, event)
    state = state.with_facts(task.facts).with_task(facts=())
    if task.result is None:
        return _send_reply(state, task, [])
    if task.verb == "capture" and not _reply_code(task).ends_program:
        # The robot goes on to the next waypoint; the result of these pairs is written while it travels.
        return _send_reply(state, task, [task.result])
    return state.with_task(stage="write-result"), [task.result]


def on_result_written(state: State, task: Task, _: msg.ResultWritten) -> Result:
    """Who hears the answer can read the result."""
    return _send_reply(state, task, [])


def on_write_failed(state: State, task: Task, event: msg.WriteFailed) -> Result:
    """Nothing of this task counts, and the robot must stop."""
    state = replace(state, task=None, unrecorded_seq=task.seq)
    if task.caller is None or task.working_sent:
        return state, [msg.PublishStatus()]
    reply = Reply(Code.CANNOT_RECORD, task.seq, state.kept, state.wanted)
    return state, [msg.SendReply(task.caller, reply, task.bracketed, event.message), msg.PublishStatus()]


def _reply_code(task: Task) -> Code:
    last = task.facts[-1]
    return last.code if isinstance(last, ReplyFact) else Code.OK


def _record_facts(state: State) -> Result:
    """All facts of the answer in one write; how long the steps took stands before the answer, which is the last."""
    task = state.task
    if task is None:
        return state, []
    *facts, answer = task.facts
    if task.timings_ms is not None:
        facts.append(TimingsFact(index=task.index, ms=_rounded(task.timings_ms)))
    state = state.with_task(facts=(*facts, answer))
    return state, [msg.RecordFacts(task.number, (*facts, answer))]


def _rounded(times: StepTimes) -> StepTimes:
    """To a microsecond."""
    return StepTimes(**{step: None if ms is None else round(ms, 3) for step, ms in times})


def _send_reply(state: State, task: Task, then: list[Command]) -> Result:
    """The answer that is on disk goes to the robot; what nobody waits for follows it."""
    state = replace(state, task=None)
    answer = state.log.replies[task.seq] if state.log is not None else None
    commands: list[Command] = []
    if answer is not None and task.caller is not None and not task.working_sent:
        reply = Reply(answer.code, task.seq, answer.count, answer.aux)
        commands.append(msg.SendReply(task.caller, reply, task.bracketed, answer.message))
    if task.solve is not None and task.result is not None:
        state, following = begin_next_view_search(state, task.solve, task.result.outcome)
    elif task.verb in ("capture", "check"):
        state, following = begin_background_solve(state)
    else:
        following = []
    return state, [*commands, msg.PublishStatus(), *then, *following]


def place_message(config: SessionConfig, base_T_flange: Array | None, found: ViewAcceptance) -> str:
    """The board was seen, with code 0 or with advice; ``base_T_flange`` as the robot sent it, if it did."""
    message = "the board lies still and is seen: touch its corners" + (
        f" ({found.message})" if found.code.is_advice else ""
    )
    noted = config.mount is Mount.FIXED and base_T_flange is not None
    return message + ("; the pose is noted, a fixed camera needs none" if noted else "")


def touch_message(outcome: Solution | Refusal) -> str:
    """The touch is recorded; how far off all touches are, if that can be said."""
    if isinstance(outcome, Refusal) or outcome.touches is None:
        return "the corner is touched; there is no result yet to compare it with"
    return (
        f"the corner is touched; {outcome.touches.count} so far lie {outcome.touches.rms_mm:.2f} mm (RMS) from where"
        f" the result has them, worst {outcome.touches.worst_mm:.2f} mm"
    )
