"""The status message: what those who watch are told. A fold over the facts, plus who is alive just now."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from eyebolt.protocol import is_stop
from eyebolt.session.state import State

SCHEMA = 1


@dataclass(frozen=True)
class Alive:
    """Robot or camera: ``alive`` and one line about it."""

    alive: bool
    says: str


def status_message(
    state: State, robot: Alive, camera: Alive, accepted: bool, folder: str | None, wall: str
) -> dict[str, Any]:
    """The message (plain JSON values); lengths in mm. ``folder``: where the session is."""
    goal, log = state.terms.goal, state.log
    solved = log.solved if log is not None else None
    # While the newest pair is being solved, what the pairs before it tell still stands.
    current = solved if solved is not None and solved["kept"] <= state.kept else None
    return {
        "schema": SCHEMA,
        "station": state.terms.station,
        "mount": state.terms.mount,
        "session": log.name if log is not None else None,
        "folder": folder,
        "phase": _phase(state),
        "kept": state.kept,
        "wanted": state.wanted,
        "fewest": goal.fewest,
        "most": goal.most,
        "refused": log.refused if log is not None else 0,
        "checks": len(log.checks) if log is not None else 0,
        "tolerance_mm": goal.tolerance_mm,
        "expected_p95_mm": current["p95_mm"] if current is not None else None,
        "history_p95_mm": list(log.history_p95_mm) if log is not None else [],
        "last": dict(log.last_words) if log is not None and log.last_words is not None else None,
        "took_ms": dict(log.timed["ms"]) if log is not None and log.timed is not None else None,
        "robot": {"alive": robot.alive, "says": robot.says},
        "camera": {"alive": camera.alive, "says": camera.says},
        "progress": _progress(state, current),
        "result": _result(current),
        "accepted": accepted,
        "findings": [],
        "wall": wall,
    }


def _progress(state: State, current: Any) -> dict[str, Any] | None:
    """What is known and what would help next; a suggested pose is written as the robot writes poses."""
    # Earlier versions wrote none.
    found = None if current is None else current.get("progress")
    if found is None:
        return None
    following = found["next"]
    if following is not None:
        pose, terms = following["base_T_flange"], state.terms
        suggestion = None if pose is None else terms.pose_fields(np.array(pose))
        following = {"says": following["says"], "p95_mm": following["p95_mm"], "suggestion": suggestion}
    return {"says": found["says"], "known": found["known"], "next": following}


def _phase(state: State) -> str:
    log = state.log
    if state.task is not None:
        return "working"
    if log is None:
        return "idle"
    if log.closed:
        return "closed"
    if log.last_words is not None and is_stop(int(log.last_words["code"])):
        return "stopped"
    if log.solved is not None and log.solved["goal_met"] and log.solved["kept"] == state.kept:
        return "goal-met"
    return "open"


def _result(current: Any) -> dict[str, Any] | None:
    if current is None or current["p95_mm"] is None:
        return None
    return {"verdict": current["verdict"], "why": current["why"], "p95_mm": current["p95_mm"]}
