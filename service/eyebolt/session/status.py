"""The status message of a session: a fold over its facts, with the state of the connections at this moment."""

from __future__ import annotations

from typing import Any

import numpy as np

from eyebolt.protocol import (
    AcceptanceStatus,
    Code,
    CoverageStatus,
    LastReply,
    LinkStatus,
    NextViewStatus,
    Phase,
    ProgressStatus,
    ResultStatus,
    StatusMessage,
    StepTimes,
)
from eyebolt.session.state import State


def status_message(
    state: State, robot: LinkStatus, camera: LinkStatus, is_accepted: bool, session_folder: str | None, timestamp: str
) -> StatusMessage:
    """The message for subscribers. ``is_accepted``: whether the station uses the result of this session."""
    goal, log = state.config.goal, state.log
    last_solve = log.last_solve if log is not None else None
    # While the newest pair is being solved, the solution of the pairs before it is still the current one. After `undo`
    # it rests on a pair that no longer counts.
    current = last_solve if last_solve is not None and last_solve["kept"] <= state.kept else None
    return StatusMessage(
        station=state.config.station,
        mount=state.config.mount,
        session=log.name if log is not None else None,
        session_folder=session_folder,
        phase=_phase(state),
        kept=state.kept,
        wanted=state.wanted,
        min_pairs=goal.min_pairs,
        max_pairs=goal.max_pairs,
        refused=log.refused if log is not None else 0,
        checks=len(log.checks) if log is not None else 0,
        tolerance_mm=goal.tolerance_mm,
        expected_p95_mm=current["p95_mm"] if current is not None else None,
        p95_history_mm=log.history_p95_mm if log is not None else (),
        last_reply=LastReply(**log.last_reply) if log is not None and log.last_reply is not None else None,
        timings_ms=StepTimes(**log.timings["timings_ms"]) if log is not None and log.timings is not None else None,
        robot=robot,
        camera=camera,
        progress=_progress(state, current),
        result=_result(current),
        is_accepted=is_accepted,
        timestamp=timestamp,
    )


def _progress(state: State, current: Any) -> ProgressStatus | None:
    if current is None or current.get("progress") is None:
        return None
    found = current["progress"]
    next_view = coverage = None
    if found["next_view"] is not None:
        suggestion = found["next_view"]
        pose = suggestion["base_T_flange"]
        # Written as the robot writes poses, so that it can be compared with the teach pendant.
        fields = None if pose is None else tuple(state.config.pose_fields(np.array(pose)))
        next_view = NextViewStatus(message=suggestion["message"], p95_mm=suggestion["p95_mm"], pose=fields)
    if found["coverage"] is not None:
        measured = dict(found["coverage"])
        coverage = CoverageStatus(weakest_direction=measured.pop("weakest"), **measured)
    return ProgressStatus(message=found["message"], coverage=coverage, next_view=next_view)


def _phase(state: State) -> Phase:
    log = state.log
    if state.task is not None:
        return Phase.WORKING
    if log is None:
        return Phase.IDLE
    if log.closed:
        return Phase.CLOSED
    if log.last_reply is not None and Code(log.last_reply["code"]).is_stop:
        return Phase.STOPPED
    if log.last_solve is not None and log.last_solve["goal_met"] and log.last_solve["kept"] == state.kept:
        return Phase.GOAL_MET
    return Phase.OPEN


def _result(current: Any) -> ResultStatus | None:
    if current is None or current["p95_mm"] is None:
        return None
    acceptance = AcceptanceStatus(status=current["acceptance"], reason=current["reason"])
    return ResultStatus(acceptance=acceptance, p95_mm=current["p95_mm"])
