"""What the session knows that a verdict on one view rests on: pairs kept, what they are like, live poses."""

from __future__ import annotations

import numpy as np

from eyebolt.board.sighting import Sighting
from eyebolt.geometry.rigid import Array
from eyebolt.pairs.verdict import Usual, Verdict, judge_view
from eyebolt.session import events as ev
from eyebolt.session.facts import Log
from eyebolt.session.state import State, Task

# Live poses come many a second; more than these are of no use for one picture.
MOST_LIVE = 256


def judge_task(state: State, task: Task, event: ev.Detected) -> Verdict:
    """The verdict on the view of the task in work."""
    log = state.log
    kept = [] if log is None else log.kept
    return judge_view(
        event.seen,
        state.terms.lens_size_px,
        state.terms.board_corner_count,
        flange_of(task),
        [t.base_T_flange for t in kept if t.base_T_flange is not None],
        picture_only=task.verb != "capture",
        view=event.view,
        usual=_usual(log),
        live=_live_until_exposed(task),
    )


def flange_of(task: Task) -> Array:
    """The reported pose (4, 4), or the identity where none was needed."""
    return np.eye(4) if task.base_T_flange is None else task.base_T_flange


def with_live_pose(state: State, at_ns: int, base_T_flange: Array) -> State:
    """The robot streams where it is: of use while a picture is taken."""
    task = state.task
    if task is None or task.base_T_flange is None or task.seen is not None or len(task.live) >= MOST_LIVE:
        return state
    return state.with_task(live=(*task.live, (at_ns, base_T_flange)))


def _live_until_exposed(task: Task) -> list[Array]:
    """Live poses from the request to the first one after the exposure began."""
    if task.grabbed is None:
        return []
    exposed_ns = int(task.grabbed["exposed_ns"])
    after = [pose for at_ns, pose in task.live if at_ns >= exposed_ns]
    return [pose for at_ns, pose in task.live if at_ns < exposed_ns] + after[:1]


def _usual(log: Log | None) -> Usual:
    if log is None:
        return Usual()
    kept = [*log.kept, *log.checks]
    blurs_px = [t.seen.blur_px for t in kept if isinstance(t.seen, Sighting)]
    return Usual.of(blurs_px, [t.misfit_px for t in kept if t.misfit_px is not None])
