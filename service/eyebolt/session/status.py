"""The status message: what those who watch are told. A fold over the facts, plus who is alive just now."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from eyebolt.protocol import Code
from eyebolt.session.state import State

SCHEMA = 1


@dataclass(frozen=True)
class LinkStatus:
    """Robot or camera: ``alive`` and one line about it."""

    alive: bool
    message: str


def status_message(
    state: State, robot: LinkStatus, camera: LinkStatus, accepted: bool, folder: str | None, timestamp: str
) -> dict[str, Any]:
    """The message (plain JSON values); lengths in mm. ``folder``: where the session is."""
    goal, log = state.config.goal, state.log
    last_solve = log.last_solve if log is not None else None
    # While the newest pair is being solved, what the pairs before it tell still stands.
    current = last_solve if last_solve is not None and last_solve["kept"] <= state.kept else None
    return {
        "schema": SCHEMA,
        "station": state.config.station,
        "mount": state.config.mount,
        "session": log.name if log is not None else None,
        "folder": folder,
        "phase": _phase(state),
        "kept": state.kept,
        "wanted": state.wanted,
        "min_pairs": goal.min_pairs,
        "max_pairs": goal.max_pairs,
        "refused": log.refused if log is not None else 0,
        "checks": len(log.checks) if log is not None else 0,
        "tolerance_mm": goal.tolerance_mm,
        "expected_p95_mm": current["p95_mm"] if current is not None else None,
        "history_p95_mm": list(log.history_p95_mm) if log is not None else [],
        "last_reply": dict(log.last_reply) if log is not None and log.last_reply is not None else None,
        "timings_ms": dict(log.timings["timings_ms"]) if log is not None and log.timings is not None else None,
        "robot": {"alive": robot.alive, "message": robot.message},
        "camera": {"alive": camera.alive, "message": camera.message},
        "progress": _progress(state, current),
        "result": _result(current),
        "accepted": accepted,
        "findings": [],
        "timestamp": timestamp,
    }


def _progress(state: State, current: Any) -> dict[str, Any] | None:
    """What is known and what would help next; a suggested pose is written as the robot writes poses."""
    # Earlier versions wrote none.
    found = None if current is None else current.get("progress")
    if found is None:
        return None
    following = found["next_view"]
    if following is not None:
        pose, config = following["base_T_flange"], state.config
        suggestion = None if pose is None else config.pose_fields(np.array(pose))
        following = {"message": following["message"], "p95_mm": following["p95_mm"], "pose": suggestion}
    return {"message": found["message"], "coverage": found["coverage"], "next_view": following}


def _phase(state: State) -> str:
    log = state.log
    if state.task is not None:
        return "working"
    if log is None:
        return "idle"
    if log.closed:
        return "closed"
    if log.last_reply is not None and Code(log.last_reply["code"]).is_stop:
        return "stopped"
    if log.last_solve is not None and log.last_solve["goal_met"] and log.last_solve["kept"] == state.kept:
        return "goal-met"
    return "open"


def _result(current: Any) -> dict[str, Any] | None:
    if current is None or current["p95_mm"] is None:
        return None
    return {"acceptance": current["acceptance"], "reason": current["reason"], "p95_mm": current["p95_mm"]}
