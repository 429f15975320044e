"""A task on its way: picture, disk, board, verdict, solve, disk, answer.

What the session knows that a verdict on one view rests on: pairs kept, what they are like, live poses.

A corner of the placed board was touched: a fact, and a new look at the result.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from eyebolt.boards import Sighting
from eyebolt.calibration import Judgement, Refusal, Solution, judge
from eyebolt.geometry import Array
from eyebolt.observations import Pair, Usual, Verdict, judge_view, verdict
from eyebolt.protocol import CODES
from eyebolt.session import messages as msg
from eyebolt.session.answer import record_answer, says_of_place, says_of_touch
from eyebolt.session.facts import Log, pairs_of, touch_of
from eyebolt.session.messages import Command
from eyebolt.session.solving import (
    FEWEST_FOR_MAJORITY,
    FEWEST_TO_SOLVE,
    chance_of,
    result_of,
    solved_fact,
    stop_of,
    waits_for_solve,
)
from eyebolt.session.state import State, Task, Terms, flange_of

Result = tuple[State, list[Command]]

# Requests that take a picture.
PICTURED = ("capture", "check", "place")

_GRAB_CODES = {"camera-lost": 30}
_DONE = {"undo": "the newest kept pair is taken back", "bye": "the session is closed"}


# Two pictures so far apart show whether the board stands still (common practice, no source).
STILL_FOR_NS = 150_000_000


def picture_name(index: int) -> str:
    """File name of the picture with this capture index."""
    return f"{index:04d}.tif"


def open_command(task: Task, terms: Terms) -> Command:
    """A new session for a task, with its first fact but for the name."""
    fact = {"fact": "opened", "station": terms.station, "mount": terms.mount, "wall": task.wall}
    return msg.OpenSession(task.number, fact)


def begin_picture(state: State, also: list[Command]) -> Result:
    """The task's picture is wanted."""
    task = state.task
    if task is None:
        return state, also
    # Numbers of pictures are never used twice, not even after one that could not be recorded.
    index = state.log.taken[-1].index + 1 if state.log is not None and state.log.taken else 0
    state = state.with_task(stage="grab", index=index, picture=picture_name(index))
    settled_ns = task.at_ns + state.terms.settle_ns
    glance_ns = max(task.at_ns, settled_ns - STILL_FOR_NS) if state.terms.two_pictures else None
    return state, [*also, msg.Grab(task.number, settled_ns, glance_ns)]


def begin_solve(state: State, also: list[Command]) -> Result:
    """The task is to solve what is kept (without the newest pair, if it is to be taken back)."""
    task, log = state.task, state.log
    if task is None or log is None:
        return state, also
    gone = max(t.index for t in log.kept) if task.verb == "undo" else None
    pairs = pairs_of(t for t in log.solvable if t.index != gone)
    checks = pairs_of(log.checks)
    return solving(state, msg.Solve(task.number, pairs, checks, log.placed), also)


def solving(state: State, solve: msg.Solve, also: list[Command]) -> Result:
    """The task waits for ``solve``."""
    return state.with_task(stage="solve", solve=solve), [*also, solve]


def opened(state: State, task: Task, event: msg.Opened) -> Result:
    """A new folder with its first fact; numbering begins anew."""
    state = replace(state.with_facts((event.fact,)), advising=None)
    if task.verb in PICTURED:
        return begin_picture(state, [msg.Publish()])
    says = "a new session with numbering of its own"
    return record_answer(state, 0, says, "", state.kept, state.wanted, [])


def grabbed(state: State, task: Task, event: msg.Grabbed) -> Result:
    """A fresh picture: to disk with it, and the board is looked for meanwhile."""
    details = {
        "asked_ns": task.at_ns,
        "exposed_ns": event.exposed_ns,
        "arrived_ns": event.arrived_ns,
        "method": event.method,
        "source_name": event.source_name,
    }
    exposure_ms = None if state.terms.exposure_ns is None else state.terms.exposure_ns / 1e6
    ms = {
        "waiting": (event.exposed_ns - task.at_ns) / 1e6,
        "exposure": exposure_ms,
        "transfer": (event.arrived_ns - event.exposed_ns) / 1e6 - (exposure_ms or 0.0),
    }
    state = state.with_task(stage="detect", grabbed=details, owes_picture=True, ms=ms)
    return state, [msg.StorePicture(task.number, task.picture), msg.Detect(task.number, task.picture)]


def grab_failed(state: State, task: Task, event: msg.GrabFailed) -> Result:
    """No picture."""
    code = _GRAB_CODES.get(event.code, 22)
    return record_answer(state, code, event.says, CODES[code].advice, state.kept, state.wanted, [])


def stored(state: State, task: Task, event: msg.Stored) -> Result:
    """The picture is safe; now the fact that it was taken."""
    fact: dict[str, Any] = {
        "fact": "picture",
        "index": task.index,
        "kind": task.verb,
        "seq": task.seq,
        "text": task.text,
        "base_T_flange": None if task.base_T_flange is None else task.base_T_flange.tolist(),
        "fields": None if task.fields is None else list(task.fields),
        "picture": task.picture,
        "sha256": event.digest_sha256,
        "wall": task.wall,
        **(task.grabbed or {}),
    }
    state = state.with_task(picture_fact=fact, ms={**task.ms, "disk": event.took_ns / 1e6})
    return state, [msg.Record(task.number, (fact,))]


def detected(state: State, task: Task, event: msg.Detected) -> Result:
    """The board was seen or not: the verdict, and the solve if the answer may hang on it."""
    log = state.log
    if log is None:
        return state, []
    ms = {**task.ms, "detection": event.took_ns / 1e6, "verdict": event.measured_ns / 1e6}
    state = state.with_task(seen=event.seen, view=event.view, ms=ms)
    found = judge_task(state, task, event)
    state = state.with_task(verdict=found)
    if found.code >= 10:
        return record_answer(state, found.code, found.says, found.advice, state.kept, state.wanted, [], found.ground)
    if task.verb == "place":
        return record_answer(
            state, found.code, says_of_place(state.terms, task.base_T_flange, found), "", state.kept, state.wanted, []
        )
    state = state.with_task(fits=chance_of(state, task, event.view))
    if state.task is None or not waits_for_solve(state, state.task):
        return _keep(state, task, found, None)
    pairs = (*pairs_of(log.solvable), _pair_of_task(task, event.seen))
    return solving(state, msg.Solve(task.number, pairs, pairs_of(log.checks), log.placed), [])


def solved(state: State, task: Task, event: msg.Solved) -> Result:
    """The solve that was waited for ended: the answer can be decided."""
    outcome = event.outcome
    if task.ms:
        state = state.with_task(ms={**task.ms, "solve": event.took_ns / 1e6})
    if task.verb == "capture":
        found = task.verdict or verdict(0)
        if _disagrees(task, outcome):
            left_out = next(p for p in outcome.left_out if p.pair == task.index)
            found = verdict(27, left_out.reason)
        found = stop_of(outcome) or found
        kept = state.kept + (found.code < 10)
        return _keep(_with_solved(state, event, kept), task, found, outcome)
    kept = state.kept - (task.verb == "undo")
    state = _with_solved(state, event, kept)
    wanted = state.terms.goal.wanted(kept, outcome)
    if task.verb == "solve":
        stop = stop_of(outcome)
        if stop is not None:
            return record_answer(state, stop.code, stop.says, stop.advice, kept, wanted, [])
        judgement = judge(outcome, state.terms.goal.tolerance_mm)
        code, aux = _solve_code(state, outcome, judgement)
        advice = CODES[code].advice if code else "Read the result; the engineer accepts it."
        return record_answer(state, code, judgement.why, advice, kept, wanted if code else aux, [])
    says = says_of_touch(outcome) if task.verb == "touch" else _DONE[task.verb]
    return record_answer(state, 0, says, "", kept, wanted, [])


def work_failed(state: State, task: Task, event: msg.WorkFailed) -> Result:
    """A defect of ours must not lose the session: the pair is refused, the rest stands."""
    if task.verb in ("undo", "touch", "bye"):
        # None of them needs a solution.
        kept = state.kept - (task.verb == "undo")
        return record_answer(state, 0, event.says, "", kept, state.terms.goal.wanted(kept, None), [])
    code = 28 if task.verb == "solve" else 20
    return record_answer(state, code, event.says, CODES[code].advice, state.kept, state.wanted, [])


def _keep(state: State, task: Task, found: Verdict, outcome: Solution | Refusal | None) -> Result:
    """The answer to a capture or check whose view is good; ``outcome`` None: it does not wait for its solve."""
    goal = state.terms.goal
    kept = state.kept + (task.verb == "capture" and found.code < 10)
    wanted = state.wanted_with(kept) if outcome is None else goal.wanted(kept, outcome)
    code, says, advice = found.code, found.says, found.advice
    if code < 10 and task.verb == "capture":
        if goal.met(kept, outcome):
            code, says, advice = 3, CODES[3].says, CODES[3].advice
        elif kept >= goal.most:
            code, says, advice = 37, CODES[37].says, CODES[37].advice
    return record_answer(state, code, says, advice, kept, wanted, [], found.ground)


def _disagrees(task: Task, outcome: Solution | Refusal) -> bool:
    if isinstance(outcome, Refusal) or outcome.kept + len(outcome.left_out) < FEWEST_FOR_MAJORITY:
        return False
    return any(p.pair == task.index for p in outcome.left_out)


def _solve_code(state: State, outcome: Solution | Refusal, judgement: Judgement) -> tuple[int, int]:
    """Code and, for 0, p95 in micrometres."""
    if isinstance(outcome, Refusal):
        return (35 if outcome.code == "turns-too-little" else 28), 0
    if judgement.verdict != "reject":
        return 0, round(outcome.expected_error_mm.p95 * 1e3)
    if outcome.expected_error_mm.p95 <= state.terms.goal.tolerance_mm:
        return 36, 0
    return (37 if state.kept >= state.terms.goal.most else 28), 0


def _with_solved(state: State, event: msg.Solved, kept: int) -> State:
    """The task with the fact of its solve, and the result to write once that fact is on disk."""
    task = state.task
    if task is None or task.solve is None:
        return state
    fact = solved_fact(state.terms, task.solve, event, kept, behind=False)
    return state.with_task(facts=(*task.facts, fact), result=result_of(state.terms, task.number, event, kept))


def _pair_of_task(task: Task, seen: Any) -> Pair:
    return Pair(task.index, flange_of(task), seen.ids, seen.corners_px, task.fields)


# Live poses come many a second; more than these are of no use for one picture.
MOST_LIVE = 256


def judge_task(state: State, task: Task, event: msg.Detected) -> Verdict:
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


def begin_touch(state: State, corner: int, base_T_flange: Array, also: list[Command]) -> Result:
    """The task is a touch: with it the pairs are solved anew, if there are enough."""
    task, log = state.task, state.log
    if task is None or log is None or log.board is None:
        return state, also
    fact = {
        "fact": "touch",
        "board": log.board,
        "corner": corner,
        "seq": task.seq,
        "text": task.text,
        "base_T_flange": base_T_flange.tolist(),
        "wall": task.wall,
    }
    state = state.with_task(stage="solve", facts=(fact,))
    pairs = pairs_of(log.solvable)
    if len(pairs) < FEWEST_TO_SOLVE:
        says = f"corner {corner} is touched; there are too few pairs yet to compare it with"
        return record_answer(state, 0, says, "", state.kept, state.wanted, also)
    placed = replace(log, touched=(*log.touched, touch_of(fact))).placed
    return solving(state, msg.Solve(task.number, pairs, pairs_of(log.checks), placed), also)
