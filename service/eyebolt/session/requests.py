"""What each verb means now: answered at once, begun as a task, or refused as out of place."""

from __future__ import annotations

from dataclasses import replace

from eyebolt.errors import InputFault
from eyebolt.geometry import Array, Mount
from eyebolt.protocol import VERBS, Code, Reply, Request, printed_pose, zero_numbers
from eyebolt.session import messages as msg
from eyebolt.session.answer import record_reply
from eyebolt.session.capture import IMAGE_VERBS, begin_capture, begin_solve, begin_touch, with_live_pose
from eyebolt.session.messages import Command
from eyebolt.session.state import State, Task, with_new_task

Result = tuple[State, list[Command]]

# The answer 10 leaves before the two seconds are over that the most impatient controllers wait.
WORKING_REPLY_AFTER_NS = 1_400_000_000
# Requests answered at once, but for a solve that follows its answer: what they tell rests on it.
_NEED_BACKGROUND_SOLVE = ("status", "result")


def on_request(state: State, event: msg.RequestReceived) -> Result:
    """A well-formed line."""
    request, caller = event.request, event.caller
    if request.verb == "pose":
        return _with_live_pose(state, event), []
    commands: list[Command] = []
    if state.robot not in (None, caller.connection):
        if request.verb != "hello":
            message = "another connection holds this station: say hello to take it over"
            return state, [_reply(state, caller, request, Code.NOT_NOW, message)]
        commands.append(msg.CloseConnection(int(state.robot or 0)))
    state = replace(state, robot=caller.connection)
    if VERBS[request.verb].is_recorded:
        state, more = _recorded_request(state, event)
    else:
        state, more = _answer_at_once(state, event)
    return state, commands + more


def on_line_rejected(state: State, event: msg.LineRejected) -> Result:
    """A line that cannot be served; the seq stays free."""
    fault = event.fault
    if not fault.has_reply:
        return state, []
    numbers = _zero_numbers(state, fault.verb) if fault.verb else None
    reply = Reply(fault.code, fault.seq, state.kept, state.wanted, numbers)
    return state, [msg.SendReply(event.caller, reply, fault.bracketed, fault.message)]


def on_accepted_result(state: State, event: msg.AcceptedResultRead) -> Result:
    """``result`` can be answered."""
    if event.transform is None:
        message = "no result of this station is accepted yet: read result.json, then 'eyebolt accept SESSION --by NAME'"
        return state, [_reply(state, event.caller, event.request, Code.NOT_ACCEPTED, message)]
    fields = state.config.pose_format.to_fields(event.transform)
    reply = Reply(Code.OK, event.request.seq or 0, 0, 0, printed_pose(fields, state.config.pose_format.decimals))
    return state, [msg.SendReply(event.caller, reply, event.request.bracketed, "the accepted transform")]


def answer_deferred_requests(state: State) -> Result:
    """Requests that wait for a solve have waited as long as a robot does: they are answered as things stand."""
    commands: list[Command] = []
    for event in state.deferred_requests:
        commands += _answer_at_once(replace(state, background=None), event)[1]
    return replace(state, deferred_requests=()), commands


def on_timer(state: State, task: Task, _: msg.TimerExpired) -> Result:
    """The work takes longer than a robot waits."""
    if task.working_sent or task.caller is None:
        return state, []
    reply = Reply(Code.WORKING, task.seq, state.kept, state.wanted)
    return state.with_task(working_sent=True), [msg.SendReply(task.caller, reply, task.bracketed, "still working")]


def _with_live_pose(state: State, event: msg.RequestReceived) -> State:
    """A live pose of the robot that holds the station; one that is none is nothing: nobody waits for an answer."""
    if event.caller.connection != state.robot or event.request.pose is None:
        return state
    try:
        return with_live_pose(state, event.at_ns, state.config.base_T_flange(event.request.pose))
    except InputFault:
        return state


def _answer_at_once(state: State, event: msg.RequestReceived) -> Result:
    request, caller = event.request, event.caller
    if request.verb == "hello":
        open_session = state.log is not None and not state.log.is_closed
        aux = state.last_seq if open_session else 0
        message = "an open session goes on" if open_session else "no session is open"
        return state, [_reply(state, caller, request, Code.OK, message, aux=aux), msg.PublishStatus()]
    # Who asks a daemon that just came back wants to know whether it is there, and what it still has.
    back = state.background is not None and state.background.restarted and request.verb == "status"
    if state.background is not None and request.verb in _NEED_BACKGROUND_SOLVE and not back:
        wake = msg.StartTimer(state.background.number, event.at_ns + WORKING_REPLY_AFTER_NS)
        return replace(state, deferred_requests=(*state.deferred_requests, event)), [wake]
    if request.verb == "status":
        message = f"{state.kept} pairs kept, {state.wanted} wanted"
        return state, [_reply(state, caller, request, Code.OK, message)]
    if request.verb == "again":
        return state, [_again(state, caller, request)]
    if request.verb == "result":
        return state, [msg.ReadAcceptedResult(caller, request)]
    return state, [_reply(state, caller, request, Code.NOT_NOW, f"'{request.verb}' is not served by this version")]


def _again(state: State, caller: msg.Caller, request: Request) -> Command:
    if state.task is not None and state.task.seq == request.seq:
        return _reply(state, caller, request, Code.WORKING)
    stored = state.log.replies.get(request.seq or 0) if state.log is not None else None
    if stored is None and state.unrecorded_seq == request.seq:
        return _reply(
            state,
            caller,
            request,
            Code.CANNOT_RECORD,
            f"request {request.seq} could not be recorded: nothing of it counts",
        )
    if stored is None:
        message = f"no request {request.seq} in this session"
        return _reply(state, caller, request, Code.OUT_OF_RANGE, message, aux=state.last_seq)
    reply = Reply(stored.code, request.seq or 0, stored.count, stored.aux)
    return msg.SendReply(caller, reply, request.bracketed, stored.message)


def _recorded_request(state: State, event: msg.RequestReceived) -> Result:
    request, caller = event.request, event.caller
    seq = request.seq or 0
    if state.task is not None:
        if state.task.seq == seq:
            code = Code.WORKING if state.task.text == request.text else Code.SEQ_REUSED
            return state, [_reply(state, caller, request, code, aux=None if code is Code.WORKING else seq)]
        return state, [_reply(state, caller, request, Code.NOT_NOW, f"request {state.task.seq} is still in work")]
    log = state.log
    if log is not None and request.verb == "begin" and not log.is_empty:
        return _start_in_new_session(state, event)
    stored = log.replies.get(seq) if log is not None else None
    if log is not None and stored is not None and (not log.is_closed or request.verb == "bye"):
        if stored.request.line == request.text:
            reply = Reply(stored.code, seq, stored.count, stored.aux)
            return state, [msg.SendReply(caller, reply, request.bracketed, "asked before: the stored answer")]
        message = f"seq {seq} was used for '{stored.request.line}'"
        return state, [_reply(state, caller, request, Code.SEQ_REUSED, message, aux=log.last_seq)]
    return _start_task(state, event)


def _start_task(state: State, event: msg.RequestReceived) -> Result:
    request, caller = event.request, event.caller
    is_open = state.log is not None and not state.log.is_closed
    if request.verb in IMAGE_VERBS:
        if request.verb == "place" and request.pose is None and state.config.mount is Mount.ARM:
            message = "place wants the flange pose: the camera is on the arm, and where the board lies depends on it"
            return state, [_reply(state, caller, request, Code.WRONG_FIELD_COUNT, message)]
        try:
            base_T_flange = _requested_pose(state, request)
        except InputFault as fault:
            return state, [_reply(state, caller, request, Code.OUT_OF_RANGE, fault.message)]
        if not is_open:
            return _start_in_new_session(state, event)
        state = with_new_task(state, request, caller, event.at_ns, event.timestamp, "grab")
        return begin_capture(state.with_task(base_T_flange=base_T_flange), [_working_timer(state, event)])
    if request.verb == "begin":
        if not is_open:
            return _start_in_new_session(state, event)
        state = with_new_task(state, request, caller, event.at_ns, event.timestamp, "record-reply")
        return _reply_to_task(state, "a new session with numbering of its own", event)
    if not is_open:
        return state, [_reply(state, caller, request, Code.NOT_NOW, "no session is open: begin one")]
    if request.verb == "touch":
        return _start_touch(state, event)
    if request.verb == "undo" and not state.kept:
        return state, [_reply(state, caller, request, Code.NOT_NOW, "no kept pair to take back")]
    state = with_new_task(state, request, caller, event.at_ns, event.timestamp, "solve")
    return begin_solve(state, [_working_timer(state, event)])


def _start_touch(state: State, event: msg.RequestReceived) -> Result:
    request, caller, log = event.request, event.caller, state.log
    if not state.config.has_tip:
        message = (
            "where the tip is nobody knows: add tip_mm = [x, y, z], in the flange frame, to [robot] in the station file"
        )
        return state, [_reply(state, caller, request, Code.NOT_NOW, message)]
    if log is None or log.placed_board is None:
        message = "no placed board: lay the board still in the camera's view, send place, and touch it after a 0"
        return state, [_reply(state, caller, request, Code.NOT_NOW, message)]
    corner, count = int(request.numbers[0]), state.config.board_corner_count
    if corner >= count:
        message = f"k is {corner}, and the board's inner corners are numbered 0 to {count - 1}, row by row"
        return state, [_reply(state, caller, request, Code.OUT_OF_RANGE, message)]
    try:
        base_T_flange = state.config.base_T_flange(request.pose or ())
    except InputFault as fault:
        return state, [_reply(state, caller, request, Code.OUT_OF_RANGE, fault.message)]
    state = with_new_task(state, request, caller, event.at_ns, event.timestamp, "solve")
    return begin_touch(state, corner, base_T_flange, [_working_timer(state, event)])


def _requested_pose(state: State, request: Request) -> Array | None:
    """The flange pose of a request; None where it may be left out and is. Raises InputFault ``pose-numbers``."""
    return None if request.pose is None else state.config.base_T_flange(request.pose)


def _start_in_new_session(state: State, event: msg.RequestReceived) -> Result:
    state = with_new_task(state, event.request, event.caller, event.at_ns, event.timestamp, "open")
    if event.request.verb in IMAGE_VERBS:
        try:
            state = state.with_task(base_T_flange=_requested_pose(state, event.request))
        except InputFault as fault:
            return replace(state, task=None), [
                _reply(state, event.caller, event.request, Code.OUT_OF_RANGE, fault.message)
            ]
    # A solve that still runs belongs to the session that is open: a new one waits for it.
    return state.with_task(open_deferred=True), [_working_timer(state, event)]


def _reply_to_task(state: State, message: str, event: msg.RequestReceived) -> Result:
    return record_reply(state, Code.OK, message, "", state.kept, state.wanted, [_working_timer(state, event)])


def _working_timer(state: State, event: msg.RequestReceived) -> Command:
    return msg.StartTimer(state.task_count, event.at_ns + WORKING_REPLY_AFTER_NS)


def _zero_numbers(state: State, verb: str) -> tuple[tuple[float, int], ...] | None:
    row = VERBS[verb]
    return (
        zero_numbers(row.reply_number_count(state.config.pose_format.field_count)) if row.reply == "numbers" else None
    )


def _reply(
    state: State, caller: msg.Caller, request: Request, code: Code, message: str = "", aux: int | None = None
) -> Command:
    numbers = _zero_numbers(state, request.verb)
    reply = Reply(code, request.seq or 0, state.kept, state.wanted if aux is None else aux, numbers)
    return msg.SendReply(caller, reply, request.bracketed, message)
