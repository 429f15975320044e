"""Replies that wait for a solve: to captures that may depend on it, and to ``solve``, ``undo``, ``touch``, ``bye``."""

from __future__ import annotations

from dataclasses import replace

from eyebolt.calibration import MIN_PAIRS, AcceptanceStatus, Refusal, RefusalCode, Solution
from eyebolt.geometry import to_matrix4
from eyebolt.observations import ViewAcceptance
from eyebolt.protocol import Code
from eyebolt.session import messages as msg
from eyebolt.session.facts import SolveFact, TouchFact
from eyebolt.session.reply import Decision, record_reply
from eyebolt.session.session_log import SessionLog
from eyebolt.session.solve_report import MIN_PAIRS_FOR_OUTLIERS, SolveReport, find_stop
from eyebolt.session.state import (
    AssessedView,
    Capture,
    Job,
    ReportedPose,
    SolvingPair,
    SolvingSession,
    State,
    Transition,
)

_DONE_MESSAGES = {"undo": "the newest kept pair is undone", "bye": "the session is closed"}


def begin_solve(state: State, job: Job, log: SessionLog) -> Transition:
    """``solve``, ``undo`` and ``bye``: solves the recorded pairs, for ``undo`` without the newest kept one."""
    undone = max(c.index for c in log.kept) if job.request.verb == "undo" else None
    dataset = log.dataset
    dataset = replace(dataset, pairs=tuple(pair for pair in dataset.pairs if pair.index != undone))
    command = msg.Solve(job.number, dataset)
    return replace(state, task=SolvingSession(job, command)), [command]


def begin_touch(
    state: State, job: Job, log: SessionLog, placed_board: int, corner: int, pose: ReportedPose
) -> Transition:
    """``touch``: solves the recorded pairs with this touch, if there are enough of them."""
    touch = TouchFact(
        placed_board=placed_board,
        corner=corner,
        request=job.request,
        timestamp=job.timestamp,
        base_T_flange=to_matrix4(pose.base_T_flange),
        joints=pose.joints,
    )
    dataset = log.dataset
    if len(dataset.pairs) < MIN_PAIRS:
        message = f"corner {corner} is touched; there are too few pairs yet to compare it with"
        decision = Decision(Code.OK, message, "", state.kept, state.pairs_wanted)
        return record_reply(state, job, decision, facts=(touch,))
    command = msg.Solve(job.number, replace(dataset, placed_boards=log.placed_boards_with((touch,))))
    return replace(state, task=SolvingSession(job, command, touch)), [command]


def reply_to_pair(state: State, stage: SolvingPair, event: msg.Solved) -> Transition:
    """SolvingPair, Solved: the pair is kept, or refused because of what all pairs together show."""
    outcome, stop = event.outcome, find_stop(event.outcome)
    found = stop or _as_outlier(stage.capture.index, outcome) or stage.assessed.acceptance
    kept = state.kept + found.code.is_success
    report = SolveReport.of(state.config.goal, state.config.result_format, stage.command, event, kept, stop)
    capture = stage.capture
    if capture.times is not None:
        capture = capture.timed(solve=event.duration_ns / 1e6)
    return reply_to_accepted_view(state, stage.job, capture, stage.assessed, found, report)


def reply_to_accepted_view(
    state: State,
    job: Job,
    capture: Capture,
    assessed: AssessedView,
    found: ViewAcceptance,
    report: SolveReport | None,
) -> Transition:
    """The reply to a capture or check whose view is accepted; ``report`` None: it does not wait for its solve.

    ``found``: the acceptance of the view, or what all pairs together show against the pair.
    """
    goal, is_capture = state.config.goal, job.request.verb == "capture"
    kept = state.kept + (is_capture and found.code.is_success)
    wanted = state.pairs_wanted_with(kept) if report is None else report.pairs_wanted
    decision = Decision.from_view(found, kept, wanted)
    if is_capture and found.code.is_success:
        end = None
        met: SolveReport | SolveFact | None = report if report is not None and report.goal_met else None
        if report is None and state.log is not None:
            met = state.log.settled_solve
        if met is not None:
            end = Code.GOAL_MET
        elif kept >= goal.max_pairs:
            end = Code.MAX_PAIRS_REACHED
        if end is not None:
            message, remedy = end.message, end.remedy
            if met is not None and met.gap is not None:
                # Captures end, since no further waypoint helps, but the robot cannot be given the transform yet.
                message, remedy = (
                    f"no further waypoint helps, but {met.gap.message}",
                    met.gap.remedy,
                )
            decision = replace(decision, code=end, message=message, remedy=remedy)
    return record_reply(state, job, decision, capture=capture, assessed=assessed, report=report)


def reply_to_session(state: State, stage: SolvingSession, event: msg.Solved) -> Transition:
    """SolvingSession, Solved: the reply to ``solve``, ``undo``, ``touch`` or ``bye``."""
    job, verb, outcome = stage.job, stage.job.request.verb, event.outcome
    kept = state.kept - (verb == "undo")
    config, stop = state.config, find_stop(outcome)
    report = SolveReport.of(config.goal, config.result_format, stage.command, event, kept, stop)
    if verb == "solve":
        decision = _solve_decision(state, report)
    else:
        message = _touch_message(outcome) if verb == "touch" else _DONE_MESSAGES[verb]
        decision = Decision(Code.OK, message, "", kept, report.pairs_wanted)
    facts = () if stage.touch is None else (stage.touch,)
    return record_reply(state, job, decision, facts=facts, report=report)


def refuse_failed_pair(state: State, stage: SolvingPair, event: msg.WorkerFailed) -> Transition:
    """SolvingPair, WorkerFailed: a defect of the program must not cost the session; the pair is refused."""
    code = Code.NO_BOARD
    decision = Decision(code, event.message, code.remedy, state.kept, state.pairs_wanted)
    return record_reply(state, stage.job, decision, capture=stage.capture, assessed=stage.assessed)


def reply_without_solve(state: State, stage: SolvingSession, event: msg.WorkerFailed) -> Transition:
    """SolvingSession, WorkerFailed: only ``solve`` needs a solution; the others are done without one."""
    verb, code = stage.job.request.verb, Code.NO_USABLE_RESULT
    if verb == "solve":
        decision = Decision(code, event.message, code.remedy, state.kept, state.pairs_wanted)
    else:
        kept = state.kept - (verb == "undo")
        decision = Decision(Code.OK, event.message, "", kept, state.config.goal.pairs_wanted(kept, None))
    facts = () if stage.touch is None else (stage.touch,)
    return record_reply(state, stage.job, decision, facts=facts)


def _as_outlier(index: int, outcome: Solution | Refusal) -> ViewAcceptance | None:
    """Code 27 if the solve excluded this pair, and had enough pairs to tell."""
    if isinstance(outcome, Refusal) or outcome.pairs_used + len(outcome.excluded) < MIN_PAIRS_FOR_OUTLIERS:
        return None
    excluded = next((p for p in outcome.excluded if p.pair == index), None)
    return None if excluded is None else ViewAcceptance.from_code(Code.OUTLIER, excluded.reason)


def _solve_decision(state: State, report: SolveReport) -> Decision:
    """The reply to ``solve``: 0 with the bound of the p95 in micrometres, or why there is no result that can be used.

    The error is the one which ``[goal] tolerance_of`` names.
    """
    goal, outcome, wanted = state.config.goal, report.outcome, report.pairs_wanted
    if report.stop is not None:
        stop = report.stop
        return Decision(stop.code, stop.message, stop.remedy, report.kept, wanted)
    if isinstance(outcome, Refusal):
        code = (
            Code.INSUFFICIENT_ROTATION if outcome.code is RefusalCode.INSUFFICIENT_ROTATION else Code.NO_USABLE_RESULT
        )
    elif report.acceptance.status is not AcceptanceStatus.REJECT and report.gap is not None:
        gap = report.gap
        return Decision(Code.NOT_ACCEPTED, gap.message, gap.remedy, report.kept, wanted)
    elif report.acceptance.status is not AcceptanceStatus.REJECT:
        p95_upper_um = round(outcome.error_compared_mm(goal.tolerance_of).p95_upper * 1e3)
        reservation = report.reservation
        message = f"{report.acceptance.reason}; but {reservation}" if reservation else report.acceptance.reason
        remedy = "Read the findings, then the result." if reservation else "Read the result; the engineer accepts it."
        return Decision(Code.OK, message, remedy, report.kept, p95_upper_um)
    elif outcome.error_compared_mm(goal.tolerance_of).p95_upper <= goal.tolerance_mm:
        # Not the cause of the acceptance: a stop of half-turned views precedes the p95 there and is not in ``stop``.
        code = Code.NOT_ACCEPTED
    else:
        code = Code.MAX_PAIRS_REACHED if report.kept >= goal.max_pairs else Code.NO_USABLE_RESULT
    return Decision(code, report.acceptance.reason, code.remedy, report.kept, wanted)


def _touch_message(outcome: Solution | Refusal) -> str:
    """How far all touches are from the corners that the solution predicts, if that can be computed."""
    if isinstance(outcome, Refusal) or outcome.touches is None:
        return "the corner is touched; there is no result yet to compare it with"
    touches = outcome.touches
    return (
        f"the corner is touched; {touches.count} so far are {touches.rms_mm:.2f} mm (RMS) from where the result"
        f" predicts them, worst {touches.worst_mm:.2f} mm"
    )
