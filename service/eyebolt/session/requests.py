"""What each verb means now: answered at once, begun as a task, or refused as out of place."""

from __future__ import annotations

from dataclasses import replace

from eyebolt.errors import InputFault
from eyebolt.geometry import Array
from eyebolt.protocol import VERBS, Reply, Request, failed_numbers, printed_pose
from eyebolt.session import messages as msg
from eyebolt.session.answer import record_answer
from eyebolt.session.capture import PICTURED, begin_picture, begin_solve, begin_touch, with_live_pose
from eyebolt.session.messages import Command
from eyebolt.session.state import State, Task, task_for

Result = tuple[State, list[Command]]

# The answer 10 leaves before the two seconds are over that the most impatient controllers wait.
WORKING_AFTER_NS = 1_400_000_000
# Requests answered at once, but for a solve that follows its answer: what they tell rests on it.
_RESTING_ON_SOLVES = ("status", "result")


def asked(state: State, event: msg.Asked) -> Result:
    """A well-formed line."""
    request, caller = event.request, event.caller
    if request.verb == "pose":
        return _live(state, event), []
    commands: list[Command] = []
    if state.robot not in (None, caller.connection):
        if request.verb != "hello":
            says = "another connection holds this station: say hello to take it over"
            return state, [_answer(state, caller, request, 45, says)]
        commands.append(msg.DropConnection(int(state.robot or 0)))
    state = replace(state, robot=caller.connection)
    if VERBS[request.verb].remembered:
        state, more = _remembered(state, event)
    else:
        state, more = _at_once(state, event)
    return state, commands + more


def line_failed(state: State, event: msg.LineFailed) -> Result:
    """A line that cannot be served; the seq stays free."""
    fault = event.fault
    if not fault.answered:
        return state, []
    numbers = _zeros(state, fault.verb) if fault.verb else None
    reply = Reply(fault.code, fault.seq, state.kept, state.wanted, numbers)
    return state, [msg.Answer(event.caller, reply, fault.bracketed, fault.says)]


def accepted_found(state: State, event: msg.AcceptedFound) -> Result:
    """``result`` can be answered."""
    if event.transform is None:
        says = "no result of this station is accepted yet: read result.json, then 'eyebolt accept SESSION --by NAME'"
        return state, [_answer(state, event.caller, event.request, 36, says)]
    fields = state.terms.reading.to_fields(event.transform)
    reply = Reply(0, event.request.seq or 0, 0, 0, printed_pose(fields, state.terms.reading))
    return state, [msg.Answer(event.caller, reply, event.request.bracketed, "the accepted transform")]


def held_long_enough(state: State) -> Result:
    """Requests that wait for a solve have waited as long as a robot does: they are answered as things stand."""
    commands: list[Command] = []
    for event in state.held:
        commands += _at_once(replace(state, behind=None), event)[1]
    return replace(state, held=()), commands


def woke(state: State, task: Task, _: msg.Woke) -> Result:
    """The work takes longer than a robot waits."""
    if task.told_working or task.caller is None:
        return state, []
    reply = Reply(10, task.seq, state.kept, state.wanted)
    return state.with_task(told_working=True), [msg.Answer(task.caller, reply, task.bracketed, "still working")]


def _live(state: State, event: msg.Asked) -> State:
    """A live pose of the robot that holds the station; one that is none is nothing: nobody waits for an answer."""
    if event.caller.connection != state.robot or event.request.pose is None:
        return state
    try:
        return with_live_pose(state, event.at_ns, state.terms.base_T_flange(event.request.pose))
    except InputFault:
        return state


def _at_once(state: State, event: msg.Asked) -> Result:
    request, caller = event.request, event.caller
    if request.verb == "hello":
        open_session = state.log is not None and not state.log.closed
        aux = state.last_seq if open_session else 0
        says = "an open session goes on" if open_session else "no session is open"
        return state, [_answer(state, caller, request, 0, says, aux=aux), msg.Publish()]
    # Who asks a daemon that just came back wants to know whether it is there, and what it still has.
    back = state.behind is not None and state.behind.restarted and request.verb == "status"
    if state.behind is not None and request.verb in _RESTING_ON_SOLVES and not back:
        wake = msg.WakeAt(state.behind.number, event.at_ns + WORKING_AFTER_NS)
        return replace(state, held=(*state.held, event)), [wake]
    if request.verb == "status":
        says = f"{state.kept} pairs kept, {state.wanted} wanted"
        return state, [_answer(state, caller, request, 0, says)]
    if request.verb == "again":
        return state, [_again(state, caller, request)]
    if request.verb == "result":
        return state, [msg.FindAccepted(caller, request)]
    return state, [_answer(state, caller, request, 45, f"'{request.verb}' is not served by this version")]


def _again(state: State, caller: msg.Caller, request: Request) -> Command:
    if state.task is not None and state.task.seq == request.seq:
        return _answer(state, caller, request, 10)
    stored = state.log.answers.get(request.seq or 0) if state.log is not None else None
    if stored is None and state.unrecorded_seq == request.seq:
        return _answer(state, caller, request, 31, f"request {request.seq} could not be recorded: nothing of it counts")
    if stored is None:
        says = f"no request {request.seq} in this session"
        return _answer(state, caller, request, 43, says, aux=state.last_seq)
    words = (state.log.last_words if state.log is not None else None) or {}
    says = str(words["says"]) if words.get("seq") == request.seq else ""
    return msg.Answer(caller, Reply(stored.code, request.seq or 0, stored.count, stored.aux), request.bracketed, says)


def _remembered(state: State, event: msg.Asked) -> Result:
    request, caller = event.request, event.caller
    seq = request.seq or 0
    if state.task is not None:
        if state.task.seq == seq:
            code = 10 if state.task.text == request.text else 47
            return state, [_answer(state, caller, request, code, aux=None if code == 10 else seq)]
        return state, [_answer(state, caller, request, 45, f"request {state.task.seq} is still in work")]
    log = state.log
    if log is not None and request.verb == "begin" and not log.empty:
        return _open(state, event)
    stored = log.answers.get(seq) if log is not None else None
    if log is not None and stored is not None and (not log.closed or request.verb == "bye"):
        if stored.text == request.text:
            reply = Reply(stored.code, seq, stored.count, stored.aux)
            return state, [msg.Answer(caller, reply, request.bracketed, "asked before: the stored answer")]
        says = f"seq {seq} was used for '{stored.text}'"
        return state, [_answer(state, caller, request, 47, says, aux=log.last_seq)]
    return _take_up(state, event)


def _take_up(state: State, event: msg.Asked) -> Result:
    request, caller = event.request, event.caller
    is_open = state.log is not None and not state.log.closed
    if request.verb in PICTURED:
        if request.verb == "place" and request.pose is None and state.terms.mount == "arm":
            says = "place wants the flange pose: the camera is on the arm, and where the board lies depends on it"
            return state, [_answer(state, caller, request, 41, says)]
        try:
            base_T_flange = _flange(state, request)
        except InputFault as fault:
            return state, [_answer(state, caller, request, 43, fault.message)]
        if not is_open:
            return _open(state, event)
        state = task_for(state, request, caller, event.at_ns, event.wall, "grab")
        return begin_picture(state.with_task(base_T_flange=base_T_flange), [_wake(state, event)])
    if request.verb == "begin":
        if not is_open:
            return _open(state, event)
        state = task_for(state, request, caller, event.at_ns, event.wall, "record-answer")
        return _answer_task(state, "a new session with numbering of its own", event)
    if not is_open:
        return state, [_answer(state, caller, request, 45, "no session is open: begin one")]
    if request.verb == "touch":
        return _touch(state, event)
    if request.verb == "undo" and not state.kept:
        return state, [_answer(state, caller, request, 45, "no kept pair to take back")]
    state = task_for(state, request, caller, event.at_ns, event.wall, "solve")
    return begin_solve(state, [_wake(state, event)])


def _touch(state: State, event: msg.Asked) -> Result:
    request, caller, log = event.request, event.caller, state.log
    if not state.terms.tip_known:
        says = (
            "where the tip is nobody knows: add tip_mm = [x, y, z], in the flange frame, to [robot] in the station file"
        )
        return state, [_answer(state, caller, request, 45, says)]
    if log is None or log.board is None:
        says = "no placed board: lay the board still in the camera's view, send place, and touch it after a 0"
        return state, [_answer(state, caller, request, 45, says)]
    corner, count = int(request.numbers[0]), state.terms.board_corner_count
    if corner >= count:
        says = f"k is {corner}, and the board's inner corners are numbered 0 to {count - 1}, row by row"
        return state, [_answer(state, caller, request, 43, says)]
    try:
        base_T_flange = state.terms.base_T_flange(request.pose or ())
    except InputFault as fault:
        return state, [_answer(state, caller, request, 43, fault.message)]
    state = task_for(state, request, caller, event.at_ns, event.wall, "solve")
    return begin_touch(state, corner, base_T_flange, [_wake(state, event)])


def _flange(state: State, request: Request) -> Array | None:
    """The flange pose of a request; None where it may be left out and is. Raises InputFault ``pose-numbers``."""
    return None if request.pose is None else state.terms.base_T_flange(request.pose)


def _open(state: State, event: msg.Asked) -> Result:
    state = task_for(state, event.request, event.caller, event.at_ns, event.wall, "open")
    if event.request.verb in PICTURED:
        try:
            state = state.with_task(base_T_flange=_flange(state, event.request))
        except InputFault as fault:
            return replace(state, task=None), [_answer(state, event.caller, event.request, 43, fault.message)]
    # A solve that still runs belongs to the session that is open: a new one waits for it.
    return state.with_task(to_open=True), [_wake(state, event)]


def _answer_task(state: State, says: str, event: msg.Asked) -> Result:
    return record_answer(state, 0, says, "", state.kept, state.wanted, [_wake(state, event)])


def _wake(state: State, event: msg.Asked) -> Command:
    return msg.WakeAt(state.tasks_begun, event.at_ns + WORKING_AFTER_NS)


def _zeros(state: State, verb: str) -> tuple[tuple[float, int], ...] | None:
    row = VERBS[verb]
    return failed_numbers(row.reply_number_count(state.terms.reading.field_count)) if row.reply == "numbers" else None


def _answer(
    state: State, caller: msg.Caller, request: Request, code: int, says: str = "", aux: int | None = None
) -> Command:
    numbers = _zeros(state, request.verb)
    reply = Reply(code, request.seq or 0, state.kept, state.wanted if aux is None else aux, numbers)
    return msg.Answer(caller, reply, request.bracketed, says)
