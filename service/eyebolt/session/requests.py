"""What a line of the robot means now: answered at once, begun as a task, or refused as out of place.

Requests with a seq that is recorded (see the verb table of the protocol) become a task; a repeated one gets the
recorded reply. Nothing of a refused line is recorded, and its seq stays free.
"""

from __future__ import annotations

from dataclasses import replace

from eyebolt.errors import InputFault
from eyebolt.geometry import Array, Mount
from eyebolt.protocol import VERBS, Code, Reply, is_same_line, printed_pose, zero_numbers
from eyebolt.session import messages as msg
from eyebolt.session.capture import begin_capture, record_begin
from eyebolt.session.facts import IMAGE_VERBS
from eyebolt.session.messages import Command
from eyebolt.session.session_log import SessionLog
from eyebolt.session.solving import begin_solve, begin_touch
from eyebolt.session.state import (
    WORKING_REPLY_AFTER_NS,
    AwaitingBackground,
    DeferredRequest,
    Detecting,
    Grabbing,
    Job,
    OpeningSession,
    ReportedPose,
    State,
    Transition,
    new_job,
)

# A ``result`` that waits for the background solve leaves this much of that time for the disk.
_READ_RESULT_WITHIN_NS = 200_000_000
# What an operator may request: the seq is given here, and never collides with a robot's.
OPERATOR_VERBS = ("begin", "capture", "undo", "bye")
# Requests that are answered at once, except during a background solve: their replies rest on it.
_NEED_BACKGROUND_SOLVE = ("status", "result")


def on_request(state: State, event: msg.RequestReceived) -> Transition:
    """A well-formed line."""
    request, caller = event.request, event.caller
    if caller.is_operator:
        return _answer_or_defer(state, event)
    if request.verb == "pose":
        return _with_live_pose(state, event), []
    commands: list[Command] = []
    if state.robot_connection not in (None, caller.connection):
        if request.verb != "hello":
            message = "another connection holds this station: say hello to take it over"
            if VERBS[request.verb].is_recorded:
                state = state.with_unrecorded_reply(request.seq or 0, Code.NOT_NOW, message)
            return state, [_reply(state, event, Code.NOT_NOW, message)]
        superseded = int(state.robot_connection or 0)
        commands.append(msg.CloseConnection(superseded))
        state = _without_deferred_of(state, superseded)
    state = replace(state, robot_connection=caller.connection)
    state, more = _answer_or_defer(state, event)
    return state, commands + more


def on_line_rejected(state: State, event: msg.LineRejected) -> Transition:
    """A line that is not well-formed."""
    fault = event.fault
    if not fault.has_reply:
        return state, []
    numbers = _zero_numbers(state, fault.verb, ()) if fault.verb else None
    reply = Reply(fault.code, fault.seq, state.kept, state.pairs_wanted, numbers)
    return state, [msg.SendReply(event.caller, reply, fault.bracketed, fault.message)]


def on_accepted_result(state: State, event: msg.AcceptedResultRead) -> Transition:
    """The reply to ``result``, unless it could not wait for the disk."""
    request = _deferred(state, event.number)
    if request is None:
        return state, []
    return _without_deferred(state, request), [_result_reply(state, request.event, event.accepted)]


def on_disconnected(state: State, event: msg.Disconnected) -> Transition:
    """The connection that holds the station releases it; others change nothing, and nothing is published for them.

    Requests of the connection that are deferred end with it: a reply would go nowhere.
    """
    state = _without_deferred_of(state, event.connection)
    if state.robot_connection != event.connection:
        return state, []
    return replace(state, robot_connection=None), [msg.PublishStatus()]


def answer_as_things_stand(state: State, number: int) -> Transition:
    """The deferred request with this number has waited as long as a robot does."""
    request = _deferred(state, number)
    if request is None:
        return state, []
    if request.is_reading:
        # The disk is slow, for this process as for the one that would accept another result meanwhile.
        reply = _result_reply(state, request.event, state.accepted, " (as read before: the disk does not answer)")
        return _without_deferred(state, request), [reply]
    if _waits_for_operator(state, request.event):
        # The robot is in nobody's way and does nothing wrong: its request is served after the operator's.
        waiting = replace(request, is_working_sent=True)
        others = tuple(waiting if deferred is request else deferred for deferred in state.deferred_requests)
        return replace(state, deferred_requests=others), [_reply(state, request.event, Code.WORKING)]
    return _answer_deferred(state, request)


def answer_next_deferred(state: State) -> Transition | None:
    """The reply to the oldest deferred request whose work has ended; None without one."""
    waiting = (deferred for deferred in state.deferred_requests if not deferred.is_reading)
    request = next((deferred for deferred in waiting if not _must_wait(state, deferred.event)), None)
    return None if request is None else _answer_deferred(state, request)


def _answer_deferred(state: State, request: DeferredRequest) -> Transition:
    # The station stays whose it is: nothing but a request that has just been received takes it.
    state, commands = _answer(_without_deferred(state, request), request.event)
    if not request.is_working_sent:
        return state, commands
    if state.task is not None:
        state = replace(state, task=replace(state.task, job=replace(state.task.job, is_working_sent=True)))
    return state, [command for command in commands if not isinstance(command, msg.SendReply)]


def _deferred(state: State, number: int) -> DeferredRequest | None:
    """The deferred request with this number; None if it has been answered, or its connection has ended."""
    return next((deferred for deferred in state.deferred_requests if deferred.number == number), None)


def _without_deferred(state: State, request: DeferredRequest) -> State:
    others = tuple(deferred for deferred in state.deferred_requests if deferred is not request)
    return replace(state, deferred_requests=others)


def _without_deferred_of(state: State, connection: int) -> State:
    others = tuple(d for d in state.deferred_requests if d.event.caller.connection != connection)
    return state if len(others) == len(state.deferred_requests) else replace(state, deferred_requests=others)


def open_session(state: State, stage: AwaitingBackground) -> Transition:
    """The background solve of the open session is on record, if there was one: a new session can be opened."""
    job, config = stage.job, state.config
    state = replace(state, task=OpeningSession(job, stage.pose))
    origin = job.origin
    is_guided = config.guided and origin is not None and origin.caller.is_operator
    return state, [msg.OpenSession(job.number, config.station, config.mount, job.timestamp, config.inputs, is_guided)]


def _with_live_pose(state: State, event: msg.RequestReceived) -> State:
    """A live pose from the connection that holds the station, of use until the board has been detected.

    An invalid one is ignored: no reply is expected.
    """
    stage, request = state.task, event.request
    if event.caller.connection != state.robot_connection or request.pose is None:
        return state
    if stage is None or stage.job.guided is not None:
        # The image of a guided pair was exposed before its request.
        return state
    if not isinstance(stage, AwaitingBackground | OpeningSession | Grabbing | Detecting) or stage.pose is None:
        return state
    try:
        pose = stage.pose.with_live(event.at_ns, state.config.base_T_flange(request.pose))
    except InputFault:
        return state
    if isinstance(stage, Detecting):
        return replace(state, task=replace(stage, capture=replace(stage.capture, pose=pose)))
    return replace(state, task=replace(stage, pose=pose))


def _answer_or_defer(state: State, event: msg.RequestReceived) -> Transition:
    """Answered, or begun as a task, at once, unless it has to wait for work in progress."""
    if not _must_wait(state, event):
        return _answer(state, event)
    wait_ns = WORKING_REPLY_AFTER_NS
    if event.request.verb == "result":
        wait_ns -= _READ_RESULT_WITHIN_NS
    state, timer = _defer(state, event, wait_ns)
    return state, [timer]


def _defer(
    state: State, event: msg.RequestReceived, wait_ns: int, is_reading: bool = False
) -> tuple[State, msg.StartTimer]:
    """The state with a deferred request more, and its timer."""
    request = DeferredRequest(state.next_number, event, is_reading)
    state = replace(state, deferred_requests=(*state.deferred_requests, request), last_number=request.number)
    return state, msg.StartTimer(request.number, event.at_ns + wait_ns)


def _piece(state: State, event: msg.RequestReceived) -> slice:
    """Which of the result's numbers ``result`` wants; those beyond the last are included."""
    first, *amount = event.request.numbers or (1, state.config.result_format.pose_format.field_count)
    return slice(int(first) - 1, int(first) - 1 + int(amount[0] if amount else 1))


def _begin_reading(state: State, event: msg.RequestReceived) -> Transition:
    """``result``: the accepted result is read, after everything that the disk was given before."""
    piece, count = _piece(state, event), state.config.result_format.pose_format.field_count
    if not 0 <= piece.start < piece.stop <= count:
        amount = piece.stop - piece.start
        message = f"first is {piece.start + 1} and amount {amount}, and the result has the numbers 1 to {count}"
        return state, [_reply(state, event, Code.OUT_OF_RANGE, message)]
    state, timer = _defer(state, event, WORKING_REPLY_AFTER_NS, is_reading=True)
    return state, [timer, msg.ReadAcceptedResult(timer.task)]


def _result_reply(
    state: State, event: msg.RequestReceived, accepted: msg.AcceptedResult | None, note: str = ""
) -> Command:
    """The reply to ``result``; ``note`` is for the log."""
    if accepted is None:
        message = "no result of this station is accepted yet: read result.json, then 'eyebolt accept SESSION --by NAME'"
        return _reply(state, event, Code.NOT_ACCEPTED, message + note)
    if accepted.gap is not None or accepted.transform is None:
        gap = accepted.gap
        message = "the accepted result cannot be read" if gap is None else f"{gap.message}: {gap.remedy}"
        return _reply(state, event, Code.NOT_ACCEPTED, message + note)
    pose_format = state.config.result_format.pose_format
    numbers = printed_pose(pose_format.to_fields(accepted.transform), pose_format.decimals)
    reply = Reply(Code.OK, event.request.seq or 0, 0, 0, numbers[_piece(state, event)])
    return msg.SendReply(event.caller, reply, event.request.bracketed, "the accepted transform" + note)


def _must_wait(state: State, event: msg.RequestReceived) -> bool:
    """Whether the request waits for work in progress."""
    verb, background = event.request.verb, state.background
    if VERBS[verb].is_recorded:
        # After a restart or on a new connection the robot cannot know that the task, begun before, is not done yet.
        return _is_task_of_another_connection(state, event)
    if verb == "hello":
        # The robot goes on after the seq that it is told: the request in progress has one already, and any other
        # request would be answered 45 meanwhile.
        return state.task is not None
    # ``status`` to a daemon that was just restarted is a liveness probe, and shows which pairs are on record.
    is_first_status = background is not None and background.is_after_restart and verb == "status"
    return background is not None and verb in _NEED_BACKGROUND_SOLVE and not is_first_status


def _is_task_of_another_connection(state: State, event: msg.RequestReceived) -> bool:
    """Whether another request is in progress that was not received on this connection.

    The operator's count as received on connections of their own.
    """
    if state.task is None or state.task.job.request.seq == event.request.seq:
        return False
    origin = state.task.job.origin
    return origin is None or event.caller.is_operator or origin.caller.connection != event.caller.connection


def _waits_for_operator(state: State, event: msg.RequestReceived) -> bool:
    """Whether a request of a robot waits for the operator's."""
    origin = None if state.task is None else state.task.job.origin
    return origin is not None and origin.caller.is_operator and not event.caller.is_operator


def _answer(state: State, event: msg.RequestReceived) -> Transition:
    if event.caller.is_operator:
        return _operator_request(state, event)
    request = event.request
    if VERBS[request.verb].is_recorded:
        return _recorded_request(state, event)
    if request.verb == "hello":
        is_open = state.is_open or state.task is not None
        message = "an open session is continued" if is_open else "no session is open"
        aux = state.last_seq if is_open else 0
        return state, [_reply(state, event, Code.OK, message, aux=aux), msg.PublishStatus()]
    if request.verb == "status":
        message = f"{state.kept} {'pair' if state.kept == 1 else 'pairs'} kept, {state.pairs_wanted} wanted"
        return state, [_reply(state, event, Code.OK, message)]
    if request.verb == "again":
        return state, [_again(state, event)]
    if request.verb == "result":
        return _begin_reading(state, event)
    return state, [_reply(state, event, Code.NOT_NOW, f"'{request.verb}' is not served by this version")]


def _operator_request(state: State, event: msg.RequestReceived) -> Transition:
    """A request of the operator, which is numbered and then served as a robot's; it takes no station over."""
    request, log = event.request, state.log
    if request.verb not in OPERATOR_VERBS:
        return state, [_reply(state, event, Code.NOT_NOW, f"an operator requests {', '.join(OPERATOR_VERBS)}")]
    if request.verb == "capture" and not state.is_open:
        return state, [_reply(state, event, Code.NOT_NOW, "no session is open: begin one")]
    if request.verb == "begin" and (log is None or log.is_closed or not log.is_empty):
        # A session's numbers go on after its begin, whoever began it: hello replies 1, and again 1 with this reply.
        seq = 1
    else:
        seq = (log or SessionLog(name="")).next_operator_seq
    verb, _, *fields = request.text.split(" ")
    numbered = replace(request, seq=seq, text=" ".join([verb, str(seq), *fields]))
    return _recorded_request(state, replace(event, request=numbered))


def _again(state: State, event: msg.RequestReceived) -> Command:
    """The reply to a request that was made before, as far as there is one."""
    seq = event.request.seq
    waiting = (d.event.request.seq for d in state.deferred_requests if d.is_working_sent)
    if (state.task is not None and state.task.job.request.seq == seq) or seq in waiting:
        return _reply(state, event, Code.WORKING)
    recorded = state.log.replies.get(seq or 0) if state.log is not None else None
    if recorded is not None:
        reply = Reply(recorded.code, seq or 0, recorded.count, recorded.aux)
        return msg.SendReply(event.caller, reply, event.request.bracketed, recorded.message, True)
    if state.unrecorded_seq == seq:
        message = f"request {seq} could not be recorded and does not count"
        return _reply(state, event, Code.CANNOT_RECORD, message)
    return _reply(state, event, Code.OUT_OF_RANGE, f"no request {seq} in this session", aux=state.last_seq)


def _recorded_request(state: State, event: msg.RequestReceived) -> Transition:
    request, log = event.request, state.log
    seq = request.seq or 0
    if state.task is not None:
        current = state.task.job.request
        if current.seq != seq:
            return state, [_reply(state, event, Code.NOT_NOW, f"request {current.seq} is in progress")]
        if not is_same_line(current.line, request.text):
            return state, [_reply(state, event, Code.SEQ_REUSED, aux=seq)]
        return state, [_reply(state, event, Code.WORKING)]
    if log is not None and request.verb == "begin" and not log.is_empty:
        return _start_in_new_session(state, event, None)
    recorded = log.replies.get(seq) if log is not None else None
    if log is not None and recorded is not None and (not log.is_closed or request.verb == "bye"):
        if is_same_line(recorded.request.line, request.text):
            reply = Reply(recorded.code, seq, recorded.count, recorded.aux)
            return state, [msg.SendReply(event.caller, reply, request.bracketed, "repeated: the recorded reply", True)]
        message = f"seq {seq} was used for '{recorded.request.line}'"
        return state, [_reply(state, event, Code.SEQ_REUSED, message, aux=log.last_seq)]
    return _start_task(state, event)


def _start_task(state: State, event: msg.RequestReceived) -> Transition:
    request, log = event.request, state.log
    if request.verb in IMAGE_VERBS:
        return _start_capture(state, event)
    if request.verb == "begin":
        if not state.is_open:
            return _start_in_new_session(state, event, None)
        state, job = new_job(state, event)
        return _with_timer(event, job, record_begin(state, job))
    if log is None or log.is_closed:
        return state, [_reply(state, event, Code.NOT_NOW, "no session is open: begin one")]
    if request.verb == "touch":
        return _start_touch(state, event, log)
    if request.verb == "undo" and not state.kept:
        return state, [_reply(state, event, Code.NOT_NOW, "no kept pair to undo")]
    state, job = new_job(state, event)
    return _with_timer(event, job, begin_solve(state, job, log))


def _start_capture(state: State, event: msg.RequestReceived) -> Transition:
    request, pose = event.request, None
    if request.verb == "place" and request.pose is None and state.config.mount is Mount.ARM:
        message = "place needs the flange pose: the camera is on the arm, and the board's pose depends on it"
        return state, [_reply(state, event, Code.WRONG_FIELD_COUNT, message)]
    if request.pose is not None:
        base_T_flange = _flange_pose(state, request.pose)
        if isinstance(base_T_flange, InputFault):
            return state, [_reply(state, event, Code.OUT_OF_RANGE, base_T_flange.message)]
        pose = ReportedPose(request.pose, base_T_flange, request.joints)
    if not state.is_open:
        return _start_in_new_session(state, event, pose)
    state, job = new_job(state, event)
    return _with_timer(event, job, begin_capture(state, job, pose))


def _start_touch(state: State, event: msg.RequestReceived, log: SessionLog) -> Transition:
    request = event.request
    if not state.config.has_tip:
        message = (
            "the pointer's tip is unknown: add tip_mm = [x, y, z], in the flange frame, to [robot] in the station file"
        )
        return state, [_reply(state, event, Code.NOT_NOW, message)]
    if log.placed_board is None:
        message = "no placed board: lay the board still in the camera's view, send place, and touch it after a 0"
        return state, [_reply(state, event, Code.NOT_NOW, message)]
    corner, count = int(request.numbers[0]), state.config.board_corner_count
    if corner >= count:
        message = f"k is {corner}, and the board's inner corners are numbered 0 to {count - 1}, row by row"
        return state, [_reply(state, event, Code.OUT_OF_RANGE, message)]
    base_T_flange = _flange_pose(state, request.pose or ())
    if isinstance(base_T_flange, InputFault):
        return state, [_reply(state, event, Code.OUT_OF_RANGE, base_T_flange.message)]
    pose = ReportedPose(request.pose, base_T_flange, request.joints)
    state, job = new_job(state, event)
    return _with_timer(event, job, begin_touch(state, job, log, log.placed_board, corner, pose))


def _flange_pose(state: State, raw_pose: tuple[float, ...]) -> Array | InputFault:
    """The flange pose (4, 4), metres, or why these numbers are not one."""
    try:
        return state.config.base_T_flange(raw_pose)
    except InputFault as fault:
        return fault


def _start_in_new_session(state: State, event: msg.RequestReceived, pose: ReportedPose | None) -> Transition:
    """Opens a session for the request; a background solve belongs to the open session and is waited for."""
    state, job = new_job(state, event)
    stage = AwaitingBackground(job, pose)
    if state.background is not None:
        return _with_timer(event, job, (replace(state, task=stage), []))
    return _with_timer(event, job, open_session(state, stage))


def _with_timer(event: msg.RequestReceived, job: Job, result: Transition) -> Transition:
    """The same, with the timer for the reply 10 as the first command; the status announces the request."""
    state, commands = result
    timer = msg.StartTimer(job.number, event.at_ns + state.config.reply_wait_ns)
    return state, [timer, msg.PublishStatus(), *commands]


def _zero_numbers(state: State, verb: str, requested: tuple[float, ...]) -> tuple[tuple[float, int], ...] | None:
    """The numbers of a reply that has some but failed; None for replies without."""
    row = VERBS[verb]
    field_count = state.config.result_format.pose_format.field_count
    return zero_numbers(row.reply_number_count(field_count, requested)) if row.reply == "numbers" else None


def _reply(
    state: State,
    event: msg.RequestReceived,
    code: Code,
    message: str = "",
    aux: int | None = None,
) -> Command:
    request = event.request
    numbers = _zero_numbers(state, request.verb, request.numbers)
    reply = Reply(code, request.seq or 0, state.kept, state.pairs_wanted if aux is None else aux, numbers)
    return msg.SendReply(event.caller, reply, request.bracketed, message)
