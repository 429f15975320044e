"""The status message of a session: a fold over its facts, with the state of the connections at this moment."""

from __future__ import annotations

import dataclasses

import numpy as np

from eyebolt.protocol import (
    AcceptanceSummary,
    AcceptedResultStatus,
    CoverageStatus,
    GapSummary,
    GuidanceStatus,
    KeptView,
    LastReply,
    LinkStatus,
    LiveProof,
    MeasuredValue,
    NextViewStatus,
    Phase,
    ProgressStatus,
    RequestStatus,
    ResultStatus,
    StatusMessage,
)
from eyebolt.session.facts import ReplyFact, SolveFact
from eyebolt.session.messages import AcceptedResult
from eyebolt.session.session_log import SessionLog
from eyebolt.session.state import (
    AwaitingBackground,
    AwaitingImageFact,
    Detecting,
    Grabbing,
    OpeningSession,
    SolvingPair,
    State,
)

# Bounds the message: 100 views are about 12 kB.
_MAX_KEPT_VIEWS = 100


def status_message(
    state: State,
    robot: LinkStatus,
    camera: LinkStatus,
    session_folder: str | None,
    timestamp: str,
    log_lines_lost: int = 0,
    guidance: GuidanceStatus | None = None,
    proof: LiveProof | None = None,
) -> StatusMessage:
    """The message for subscribers."""
    goal, log, accepted = state.config.goal, state.log, state.accepted
    last_solve = log.last_solve if log is not None else None
    # While the newest pair is being solved, the solution of the pairs before it is still the current one. After `undo`
    # it rests on a pair that no longer counts.
    current = last_solve if last_solve is not None and last_solve.kept <= state.kept else None
    return StatusMessage(
        station=state.config.station,
        mount=state.config.mount,
        session=log.name if log is not None else None,
        session_folder=session_folder,
        phase=_phase(state),
        kept=state.kept,
        wanted=state.pairs_wanted,
        min_pairs=goal.min_pairs,
        max_pairs=goal.max_pairs,
        refused=log.refused_count if log is not None else 0,
        checks=len(log.checks) if log is not None else 0,
        tolerance_mm=goal.tolerance_mm,
        tolerance_of=goal.tolerance_of,
        p95_upper_mm=current.p95_upper_mm if current is not None else None,
        p95_upper_history_mm=log.p95_upper_history_mm if log is not None else (),
        request=_request_in_progress(state),
        last_reply=_newest_reply(state),
        timings_ms=log.last_timings.ms if log is not None and log.last_timings is not None else None,
        robot=robot,
        camera=camera,
        last_refusal=_last_refusal(log),
        kept_views=_kept_views(log, current),
        progress=_progress(state, current),
        result=_result(current),
        findings=current.findings if current is not None else (),
        is_accepted=(
            accepted is not None
            and log is not None
            and accepted.session == log.name
            and accepted.is_newest
            and accepted.gap is None
        ),
        accepted_result=_accepted_result(accepted),
        timestamp=timestamp,
        log_lines_lost=log_lines_lost,
        guidance=guidance,
        proof=proof,
    )


def last_reply(fact: ReplyFact) -> LastReply:
    """A recorded reply as it is published."""
    measure = None if fact.measure is None else MeasuredValue(**dataclasses.asdict(fact.measure))
    return LastReply(
        seq=fact.request.seq,
        verb=fact.request.verb,
        code=fact.code,
        message=fact.message,
        remedy=fact.remedy,
        measure=measure,
    )


def _request_in_progress(state: State) -> RequestStatus | None:
    stage = state.task
    if stage is None:
        return None
    pose = None
    if isinstance(stage, AwaitingBackground | OpeningSession | Grabbing | Detecting):
        pose = stage.pose
    elif isinstance(stage, SolvingPair | AwaitingImageFact):
        pose = stage.capture.pose
    request = stage.job.request
    return RequestStatus(seq=request.seq, verb=request.verb, pose=None if pose is None else pose.raw)


def _newest_reply(state: State) -> LastReply | None:
    """The newest reply: a failure that is not on record, or else the newest recorded one."""
    unrecorded, log = state.unrecorded_reply, state.log
    if unrecorded is not None:
        code = unrecorded.code
        return LastReply(
            seq=unrecorded.seq, code=code, message=unrecorded.message, remedy=code.remedy, is_recorded=False
        )
    if log is None or log.last_reply is None:
        return None
    ended_stop = state.ended_stop or log.ended_stop
    return last_reply(log.last_reply).model_copy(update={"ended_stop": ended_stop})


def _last_refusal(log: SessionLog | None) -> LastReply | None:
    refusal = None if log is None else log.last_refusal
    return None if refusal is None else last_reply(refusal)


def _kept_views(log: SessionLog | None, current: SolveFact | None) -> tuple[KeptView, ...]:
    if log is None:
        return ()
    excluded = () if current is None else current.excluded
    views = []
    for capture in log.kept[-_MAX_KEPT_VIEWS:]:
        measured = None if capture.detection_fact is None else capture.detection_fact.view
        views.append(
            KeptView(
                outline=capture.outline,
                tilt_deg=_rounded(None if measured is None else measured.tilt_deg),
                tilt_direction_deg=_rounded(None if measured is None else measured.tilt_direction_deg),
                distance_mm=_rounded(None if measured is None else measured.distance_mm),
                is_used=capture.index not in excluded,
            )
        )
    return tuple(views)


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 1)


def _progress(state: State, current: SolveFact | None) -> ProgressStatus | None:
    if current is None:
        return None
    found = current.progress
    next_view = coverage = None
    if found.next_view is not None:
        pose = found.next_view.base_T_flange
        # Written as the robot writes poses, so that it can be compared with the teach pendant.
        fields = None if pose is None else tuple(state.config.pose_fields(np.array(pose)))
        next_view = NextViewStatus(
            message=found.next_view.message, p95_upper_mm=found.next_view.p95_upper_mm, pose=fields
        )
    if found.coverage is not None:
        coverage = CoverageStatus(**dataclasses.asdict(found.coverage))
    return ProgressStatus(
        message=found.message, coverage=coverage, next_view=next_view, error_sources=found.error_sources
    )


def _phase(state: State) -> Phase:
    log, unrecorded = state.log, state.unrecorded_reply
    if state.task is not None:
        return Phase.WORKING
    if unrecorded is not None and unrecorded.code.is_stop and not (log is not None and log.is_closed):
        return Phase.STOPPED
    if log is None:
        return Phase.IDLE
    if log.is_closed:
        return Phase.CLOSED
    if log.last_reply is not None and log.last_reply.code.is_stop:
        return Phase.STOPPED
    solve = log.last_solve
    if solve is not None and solve.goal_met and (solve.kept == state.kept or solve.is_settled):
        return Phase.GOAL_MET
    return Phase.OPEN


def _result(current: SolveFact | None) -> ResultStatus | None:
    if current is None or current.p95_upper_mm is None:
        return None
    acceptance = AcceptanceSummary(status=current.acceptance.status, reason=current.acceptance.reason)
    excluded = len(current.excluded)
    used = len(current.based_on.pairs) - excluded
    return ResultStatus(
        acceptance=acceptance, p95_upper_mm=current.p95_upper_mm, used=used, excluded=excluded, gap=current.gap
    )


def _accepted_result(accepted: AcceptedResult | None) -> AcceptedResultStatus | None:
    if accepted is None:
        return None
    gap = None if accepted.gap is None else GapSummary(message=accepted.gap.message, remedy=accepted.gap.remedy)
    return AcceptedResultStatus(session=accepted.session, by=accepted.by, gap=gap)
