"""The end of a task: its answer is decided, goes to disk with all that led to it, and only then to the robot.

What is said of boards that lie still and of corners touched.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from eyebolt.calibration import Refusal, Solution
from eyebolt.geometry import Array
from eyebolt.observations import Ground, Verdict
from eyebolt.protocol import Reply
from eyebolt.session import messages as msg
from eyebolt.session.messages import Command
from eyebolt.session.solving import begin_advice, begin_owed_solve
from eyebolt.session.state import State, Task, Terms

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


def picture_recorded(state: State, event: msg.Recorded) -> Result:
    """The fact of the picture is on disk; so may be the answer that waited for it."""
    task = state.task
    if task is None or task.picture_fact is None:
        return state, []
    state = state.with_facts((task.picture_fact,))
    disk_ms = (task.ms.get("disk") or 0.0) + event.took_ns / 1e6
    state = state.with_task(owes_picture=False, ms={**task.ms, "disk": disk_ms})
    if not task.decided:
        return state, [msg.Publish()]
    state, record = _record(state)
    return state, [*record, msg.Publish()]


def recorded(state: State, task: Task, event: msg.Recorded) -> Result:
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


def result_written(state: State, task: Task, _: msg.ResultWritten) -> Result:
    """Who hears the answer can read the result."""
    return _told(state, task, [])


def record_failed(state: State, task: Task, event: msg.RecordFailed) -> Result:
    """Nothing of this task counts, and the robot must stop."""
    state = replace(state, task=None, unrecorded_seq=task.seq)
    if task.caller is None or task.told_working:
        return state, [msg.Publish()]
    reply = Reply(31, task.seq, state.kept, state.wanted)
    return state, [msg.Answer(task.caller, reply, task.bracketed, event.says), msg.Publish()]


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
    return state, [msg.Record(task.number, (*facts, answer))]


def _told(state: State, task: Task, then: list[Command]) -> Result:
    """The answer that is on disk goes to the robot; what nobody waits for follows it."""
    state = replace(state, task=None)
    answer = state.log.answers[task.seq] if state.log is not None else None
    commands: list[Command] = []
    if answer is not None and task.caller is not None and not task.told_working:
        reply = Reply(answer.code, task.seq, answer.count, answer.aux)
        says = str((state.log.last_words or {}).get("says", "")) if state.log is not None else ""
        commands.append(msg.Answer(task.caller, reply, task.bracketed, says))
    if task.solve is not None and task.result is not None:
        state, following = begin_advice(state, task.solve, task.result.outcome)
    elif task.verb in ("capture", "check"):
        state, following = begin_owed_solve(state)
    else:
        following = []
    return state, [*commands, msg.Publish(), *then, *following]


def says_of_place(terms: Terms, base_T_flange: Array | None, found: Verdict) -> str:
    """The board was seen, with code 0 or with advice; ``base_T_flange`` as the robot sent it, if it did."""
    says = "the board lies still and is seen: touch its corners" + (f" ({found.says})" if found.code else "")
    noted = terms.mount == "fixed" and base_T_flange is not None
    return says + ("; the pose is noted, a fixed camera needs none" if noted else "")


def says_of_touch(outcome: Solution | Refusal) -> str:
    """The touch is recorded; how far off all touches are, if that can be said."""
    if isinstance(outcome, Refusal) or outcome.touches is None:
        return "the corner is touched; there is no result yet to compare it with"
    return (
        f"the corner is touched; {outcome.touches.count} so far lie {outcome.touches.rms_mm:.2f} mm (RMS) from where"
        f" the result has them, worst {outcome.touches.worst_mm:.2f} mm"
    )
