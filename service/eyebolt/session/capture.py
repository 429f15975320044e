"""A task on its way: picture, disk, board, verdict, solve, disk, answer.

What the session knows that a verdict on one view rests on: pairs kept, what they are like, live poses.

A corner of the placed board was touched: a fact, and a new look at the result.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, cast

from eyebolt.boards import Detection
from eyebolt.calibration import AcceptanceStatus, Refusal, RefusalCode, ResultAcceptance, Solution, assess_result
from eyebolt.geometry import Array, to_matrix4
from eyebolt.observations import Baseline, Pair, ViewAcceptance, assess_view
from eyebolt.protocol import Code, StepTimes
from eyebolt.session import messages as msg
from eyebolt.session.answer import place_message, record_reply, touch_message
from eyebolt.session.facts import FrameInfo, ImageFact, ImageVerb, RequestRef, TouchFact
from eyebolt.session.messages import Command
from eyebolt.session.session_log import SessionLog
from eyebolt.session.solving import (
    MIN_PAIRS_FOR_OUTLIERS,
    MIN_PAIRS_TO_SOLVE,
    find_stop,
    prediction_p_value,
    reply_needs_solve,
    solve_fact,
    write_result_command,
)
from eyebolt.session.state import SessionConfig, State, Task, reported_pose

Result = tuple[State, list[Command]]

# Requests that take a picture.
IMAGE_VERBS = ("capture", "check", "place")

_GRAB_CODES = {"camera-lost": Code.CAMERA_LOST}
_DONE_MESSAGES = {"undo": "the newest kept pair is taken back", "bye": "the session is closed"}


# Two pictures so far apart show whether the board stands still (common practice, no source).
PREVIEW_LEAD_NS = 150_000_000


def image_file_name(index: int) -> str:
    """File name of the picture with this capture index."""
    return f"{index:04d}.tif"


def open_command(task: Task, config: SessionConfig) -> Command:
    """A new session for a task, with its first fact but for the name."""
    return msg.OpenSession(task.number, config.station, config.mount, task.timestamp)


def begin_capture(state: State, extra_commands: list[Command]) -> Result:
    """The task's picture is wanted."""
    task = state.task
    if task is None:
        return state, extra_commands
    # Numbers of pictures are never used twice, not even after one that could not be recorded.
    index = state.log.captures[-1].index + 1 if state.log is not None and state.log.captures else 0
    state = state.with_task(stage="grab", index=index, image_name=image_file_name(index))
    settled_ns = task.at_ns + state.config.settle_ns
    preview_not_before_ns = max(task.at_ns, settled_ns - PREVIEW_LEAD_NS) if state.config.takes_preview else None
    return state, [*extra_commands, msg.Grab(task.number, settled_ns, preview_not_before_ns)]


def begin_solve(state: State, extra_commands: list[Command]) -> Result:
    """The task is to solve what is kept (without the newest pair, if it is to be taken back)."""
    task, log = state.task, state.log
    if task is None or log is None:
        return state, extra_commands
    gone = max(t.index for t in log.kept) if task.verb == "undo" else None
    dataset = log.dataset
    dataset = replace(dataset, pairs=tuple(pair for pair in dataset.pairs if pair.index != gone))
    return wait_for_solve(state, msg.Solve(task.number, dataset), extra_commands)


def wait_for_solve(state: State, solve: msg.Solve, extra_commands: list[Command]) -> Result:
    """The task waits for ``solve``."""
    return state.with_task(stage="solve", solve=solve), [*extra_commands, solve]


def on_session_opened(state: State, task: Task, event: msg.SessionOpened) -> Result:
    """A new folder with its first fact; numbering begins anew."""
    state = replace(state.with_facts((event.fact,)), next_view_search=None)
    if task.verb in IMAGE_VERBS:
        return begin_capture(state, [msg.PublishStatus()])
    message = "a new session with numbering of its own"
    return record_reply(state, Code.OK, message, "", state.kept, state.wanted, [])


def grabbed(state: State, task: Task, event: msg.Grabbed) -> Result:
    """A fresh picture: to disk with it, and the board is looked for meanwhile."""
    frame = FrameInfo(
        name=event.frame_name,
        method=event.method,
        received_ns=task.at_ns,
        exposed_ns=event.exposed_ns,
        arrived_ns=event.arrived_ns,
    )
    exposure_ms = None if state.config.exposure_ns is None else state.config.exposure_ns / 1e6
    timings_ms = StepTimes(
        wait=(event.exposed_ns - task.at_ns) / 1e6,
        exposure=exposure_ms,
        transfer=(event.arrived_ns - event.exposed_ns) / 1e6 - (exposure_ms or 0.0),
    )
    state = state.with_task(stage="detect", frame=frame, image_fact_pending=True, timings_ms=timings_ms)
    return state, [msg.StoreImage(task.number, task.image_name), msg.Detect(task.number, task.image_name)]


def on_grab_failed(state: State, task: Task, event: msg.GrabFailed) -> Result:
    """No picture."""
    code = _GRAB_CODES.get(event.code, Code.NO_FRESH_FRAME)
    return record_reply(state, code, event.message, code.remedy, state.kept, state.wanted, [])


def on_image_stored(state: State, task: Task, event: msg.ImageStored) -> Result:
    """The picture is safe; now the fact that it was taken."""
    if task.frame is None:
        return state, []
    fact = ImageFact(
        index=task.index,
        verb=cast(ImageVerb, task.verb),
        request=RequestRef(seq=task.seq, line=task.text),
        timestamp=task.timestamp,
        raw_pose=task.raw_pose,
        base_T_flange=None if task.base_T_flange is None else to_matrix4(task.base_T_flange),
        file=task.image_name,
        sha256=event.digest_sha256,
        frame=task.frame,
    )
    state = state.with_task(image_fact=fact, timings_ms=_timed(task, disk=event.duration_ns / 1e6))
    return state, [msg.RecordFacts(task.number, (fact,))]


def on_detected(state: State, task: Task, event: msg.Detected) -> Result:
    """The board was seen or not: the verdict, and the solve if the answer may hang on it."""
    log = state.log
    if log is None:
        return state, []
    timings_ms = _timed(task, detect=event.duration_ns / 1e6, view_check=event.view_duration_ns / 1e6)
    state = state.with_task(detection=event.detection, view=event.view, timings_ms=timings_ms)
    found = assess_task_view(state, task, event)
    state = state.with_task(view_acceptance=found)
    if not found.code.is_success:
        return record_reply(state, found.code, found.message, found.remedy, state.kept, state.wanted, [], found.measure)
    if task.verb == "place":
        return record_reply(
            state, found.code, place_message(state.config, task.base_T_flange, found), "", state.kept, state.wanted, []
        )
    state = state.with_task(p_value=prediction_p_value(state, task, event.board_pose))
    if state.task is None or not reply_needs_solve(state, state.task):
        return _reply_kept(state, task, found, None)
    dataset = log.dataset
    dataset = replace(dataset, pairs=(*dataset.pairs, _task_pair(task, event.detection)))
    return wait_for_solve(state, msg.Solve(task.number, dataset), [])


def on_solved(state: State, task: Task, event: msg.Solved) -> Result:
    """The solve that was waited for ended: the answer can be decided."""
    outcome = event.outcome
    if task.timings_ms is not None:
        state = state.with_task(timings_ms=_timed(task, solve=event.duration_ns / 1e6))
    if task.verb == "capture":
        found = task.view_acceptance or ViewAcceptance.from_code(Code.OK)
        if _is_outlier(task, outcome):
            excluded = next(p for p in outcome.excluded if p.pair == task.index)
            found = ViewAcceptance.from_code(Code.OUTLIER, excluded.reason)
        found = find_stop(outcome) or found
        kept = state.kept + found.code.is_success
        return _reply_kept(_with_solve_fact(state, event, kept), task, found, outcome)
    kept = state.kept - (task.verb == "undo")
    state = _with_solve_fact(state, event, kept)
    wanted = state.config.goal.pairs_wanted(kept, outcome)
    if task.verb == "solve":
        stop = find_stop(outcome)
        if stop is not None:
            return record_reply(state, stop.code, stop.message, stop.remedy, kept, wanted, [])
        acceptance = assess_result(outcome, state.config.goal.tolerance_mm)
        code, aux = _solve_code(state, outcome, acceptance)
        remedy = code.remedy if not code.is_success else "Read the result; the engineer accepts it."
        return record_reply(state, code, acceptance.reason, remedy, kept, wanted if not code.is_success else aux, [])
    message = touch_message(outcome) if task.verb == "touch" else _DONE_MESSAGES[task.verb]
    return record_reply(state, Code.OK, message, "", kept, wanted, [])


def on_worker_failed(state: State, task: Task, event: msg.WorkerFailed) -> Result:
    """A defect of ours must not lose the session: the pair is refused, the rest stands."""
    if task.verb in ("undo", "touch", "bye"):
        # None of them needs a solution.
        kept = state.kept - (task.verb == "undo")
        return record_reply(state, Code.OK, event.message, "", kept, state.config.goal.pairs_wanted(kept, None), [])
    code = Code.NOT_SOLVABLE if task.verb == "solve" else Code.NO_BOARD
    return record_reply(state, code, event.message, code.remedy, state.kept, state.wanted, [])


def _reply_kept(state: State, task: Task, found: ViewAcceptance, outcome: Solution | Refusal | None) -> Result:
    """The answer to a capture or check whose view is good; ``outcome`` None: it does not wait for its solve."""
    goal = state.config.goal
    kept = state.kept + (task.verb == "capture" and found.code.is_success)
    wanted = state.wanted_with(kept) if outcome is None else goal.pairs_wanted(kept, outcome)
    code, message, remedy = found.code, found.message, found.remedy
    if code.is_success and task.verb == "capture":
        if goal.is_met(kept, outcome):
            code, message, remedy = Code.GOAL_MET, Code.GOAL_MET.message, Code.GOAL_MET.remedy
        elif kept >= goal.max_pairs:
            code = Code.MAX_PAIRS_REACHED
            message, remedy = code.message, code.remedy
    return record_reply(state, code, message, remedy, kept, wanted, [], found.measure)


def _is_outlier(task: Task, outcome: Solution | Refusal) -> bool:
    if isinstance(outcome, Refusal) or outcome.pairs_used + len(outcome.excluded) < MIN_PAIRS_FOR_OUTLIERS:
        return False
    return any(p.pair == task.index for p in outcome.excluded)


def _solve_code(state: State, outcome: Solution | Refusal, acceptance: ResultAcceptance) -> tuple[Code, int]:
    """Code and, for 0, p95 in micrometres."""
    if isinstance(outcome, Refusal):
        return (
            Code.INSUFFICIENT_ROTATION if outcome.code is RefusalCode.INSUFFICIENT_ROTATION else Code.NOT_SOLVABLE
        ), 0
    if acceptance.status is not AcceptanceStatus.REJECT:
        return Code.OK, round(outcome.expected_error_mm.p95 * 1e3)
    if outcome.expected_error_mm.p95 <= state.config.goal.tolerance_mm:
        return Code.NOT_ACCEPTED, 0
    return (Code.MAX_PAIRS_REACHED if state.kept >= state.config.goal.max_pairs else Code.NOT_SOLVABLE), 0


def _with_solve_fact(state: State, event: msg.Solved, kept: int) -> State:
    """The task with the fact of its solve, and the result to write once that fact is on disk."""
    task = state.task
    if task is None or task.solve is None:
        return state
    fact = solve_fact(state.config, task.solve, event, kept, background=False)
    return state.with_task(
        facts=(*task.facts, fact), result=write_result_command(state.config, task.number, event, kept)
    )


def _timed(task: Task, **steps_ms: float) -> StepTimes:
    return (task.timings_ms or StepTimes()).model_copy(update=steps_ms)


def _task_pair(task: Task, detection: Any) -> Pair:
    return Pair(task.index, reported_pose(task), detection.ids, detection.corners_px, task.raw_pose)


# Live poses come many a second; more than these are of no use for one picture.
MAX_LIVE_POSES = 256


def assess_task_view(state: State, task: Task, event: msg.Detected) -> ViewAcceptance:
    """The verdict on the view of the task in work."""
    log = state.log
    kept = [] if log is None else log.kept
    return assess_view(
        event.detection,
        state.config.lens_size_px,
        state.config.board_corner_count,
        reported_pose(task),
        [t.base_T_flange for t in kept if t.base_T_flange is not None],
        allow_repeated_pose=task.verb != "capture",
        view=event.view,
        baseline=_usual(log),
        live_poses=_live_until_exposure(task),
    )


def with_live_pose(state: State, at_ns: int, base_T_flange: Array) -> State:
    """The robot streams where it is: of use while a picture is taken."""
    task = state.task
    if (
        task is None
        or task.base_T_flange is None
        or task.detection is not None
        or len(task.live_poses) >= MAX_LIVE_POSES
    ):
        return state
    return state.with_task(live_poses=(*task.live_poses, (at_ns, base_T_flange)))


def _live_until_exposure(task: Task) -> list[Array]:
    """Live poses from the request to the first one after the exposure began."""
    if task.frame is None:
        return []
    exposed_ns = task.frame.exposed_ns
    after = [pose for at_ns, pose in task.live_poses if at_ns >= exposed_ns]
    return [pose for at_ns, pose in task.live_poses if at_ns < exposed_ns] + after[:1]


def _usual(log: SessionLog | None) -> Baseline:
    if log is None:
        return Baseline()
    kept = [*log.kept, *log.checks]
    blurs_px = [t.detection.blur_px for t in kept if isinstance(t.detection, Detection)]
    return Baseline.from_kept(blurs_px, [t.residual_px for t in kept if t.residual_px is not None])


def begin_touch(state: State, corner: int, base_T_flange: Array, extra_commands: list[Command]) -> Result:
    """The task is a touch: with it the pairs are solved anew, if there are enough."""
    task, log = state.task, state.log
    if task is None or log is None or log.placed_board is None:
        return state, extra_commands
    fact = TouchFact(
        placed_board=log.placed_board,
        corner=corner,
        request=RequestRef(seq=task.seq, line=task.text),
        timestamp=task.timestamp,
        base_T_flange=to_matrix4(base_T_flange),
    )
    state = state.with_task(stage="solve", facts=(fact,))
    dataset = log.dataset
    if len(dataset.pairs) < MIN_PAIRS_TO_SOLVE:
        message = f"corner {corner} is touched; there are too few pairs yet to compare it with"
        return record_reply(state, Code.OK, message, "", state.kept, state.wanted, extra_commands)
    dataset = replace(dataset, placed_boards=log.placed_boards_with((fact,)))
    return wait_for_solve(state, msg.Solve(task.number, dataset), extra_commands)
