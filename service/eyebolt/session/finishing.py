"""The end of a task: its answer is decided, goes to disk with all that led to it, and only then to the robot."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from eyebolt.pairs.ruling import Ground
from eyebolt.session import commands as do
from eyebolt.session import events as ev
from eyebolt.session.behind import begin_advice, begin_owed_solve
from eyebolt.session.commands import Command
from eyebolt.session.state import State, Task
from eyebolt.wire.replies import Reply

Result = tuple[State, list[Command]]

# After these the robot leaves the loop, and somebody reads the result.
ENDING = (3, 32, 33, 34, 37, 38)


def record_answer(
    state: State,
    code: int,
    says: str,
    advice: str,
    count: int,
    aux: int,
    also: list[Command],
    ground: Ground | None = None,
) -> Result:
    """The answer is decided. Its facts wait for that of the picture, if the disk is still at it."""
    task = state.task
    if task is None:
        return state, also
    facts = list(task.facts)
    if task.seen is not None:
        view = None if task.view is None else task.view.to_json()
        facts.append(
            {"fact": "seen", "index": task.index, "seen": task.seen.to_json(), "view": view, "fits": task.fits}
        )
    answer = {
        "fact": "answer",
        "seq": task.seq,
        "text": task.text,
        "code": code,
        "count": count,
        "aux": aux,
        "says": says,
        "advice": advice,
        "ground": None if ground is None else ground.to_json(),
        "wall": task.wall,
    }
    facts.append(answer)
    state = state.with_task(stage="record-answer", facts=tuple(facts), decided=True)
    if task.owes_picture:
        return state, also
    state, record = _record(state)
    return state, [*also, *record]


def picture_recorded(state: State, event: ev.Recorded) -> Result:
    """The fact of the picture is on disk; so may be the answer that waited for it."""
    task = state.task
    if task is None or task.picture_fact is None:
        return state, []
    state = state.with_facts((task.picture_fact,))
    disk_ms = (task.ms.get("disk") or 0.0) + event.took_ns / 1e6
    state = state.with_task(owes_picture=False, ms={**task.ms, "disk": disk_ms})
    if not task.decided:
        return state, [do.Publish()]
    state, record = _record(state)
    return state, [*record, do.Publish()]


def recorded(state: State, task: Task, event: ev.Recorded) -> Result:
    """Facts are on disk: they count now."""
    if task.owes_picture:
        return picture_recorded(state, event)
    state = state.with_facts(task.facts).with_task(facts=())
    if task.result is None:
        return _told(state, task, [])
    if task.verb == "capture" and int(task.facts[-1]["code"]) not in ENDING:
        # The robot goes on to the next waypoint; the result of these pairs is written while it travels.
        return _told(state, task, [task.result])
    return state.with_task(stage="write-result"), [task.result]


def result_written(state: State, task: Task, _: ev.ResultWritten) -> Result:
    """Who hears the answer can read the result."""
    return _told(state, task, [])


def record_failed(state: State, task: Task, event: ev.RecordFailed) -> Result:
    """Nothing of this task counts, and the robot must stop."""
    state = replace(state, task=None, unrecorded_seq=task.seq)
    if task.caller is None or task.told_working:
        return state, [do.Publish()]
    reply = Reply(31, task.seq, state.kept, state.wanted)
    return state, [do.Answer(task.caller, reply, task.bracketed, event.says), do.Publish()]


def _record(state: State) -> Result:
    """All facts of the answer in one write; how long the steps took stands before the answer, which is the last."""
    task = state.task
    if task is None:
        return state, []
    *facts, answer = task.facts
    if task.ms:
        ms: dict[str, Any] = {step: None if took is None else round(took, 3) for step, took in task.ms.items()}
        facts.append({"fact": "timed", "index": task.index, "ms": ms})
    state = state.with_task(facts=(*facts, answer))
    return state, [do.Record(task.number, (*facts, answer))]


def _told(state: State, task: Task, then: list[Command]) -> Result:
    """The answer that is on disk goes to the robot; what nobody waits for follows it."""
    state = replace(state, task=None)
    answer = state.log.answers[task.seq] if state.log is not None else None
    commands: list[Command] = []
    if answer is not None and task.caller is not None and not task.told_working:
        reply = Reply(answer.code, task.seq, answer.count, answer.aux)
        says = str((state.log.last_words or {}).get("says", "")) if state.log is not None else ""
        commands.append(do.Answer(task.caller, reply, task.bracketed, says))
    if task.solve is not None and task.result is not None:
        state, following = begin_advice(state, task.solve, task.result.outcome)
    elif task.verb in ("capture", "check"):
        state, following = begin_owed_solve(state)
    else:
        following = []
    return state, [*commands, do.Publish(), *then, *following]
