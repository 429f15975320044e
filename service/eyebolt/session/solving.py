"""A solve in the session: what goes into it, the fact that it leaves behind, the result that is written of it.

Whether a capture is answered before its solve, while the arm travels, or after it.

Answered after its solve is what may hang on it: the end of the session, a stop, a pair that does not belong. Everything
else is answered first. What the rule looks at are facts that are recorded, so that it does not matter how fast the
computer was.

What follows an answer while the arm travels: the solve that was not waited for, the result, what would help next.

Until the solve's fact is on disk nothing further is decided: pictures are taken, stored and searched meanwhile, but
every answer rests on the solves of all pairs before it, however fast or slow they were.
"""

from __future__ import annotations

from dataclasses import replace

from eyebolt.calibration import AcceptanceStatus, Refusal, Severity, Solution, assess_result
from eyebolt.observations import BoardPose, ViewAcceptance
from eyebolt.planning import ProgressReport
from eyebolt.protocol import Code
from eyebolt.session import messages as msg
from eyebolt.session.facts import (
    AcceptanceRecord,
    NextViewFact,
    PredictionRecord,
    SolveBasis,
    SolveFact,
)
from eyebolt.session.messages import Command
from eyebolt.session.session_log import SessionLog
from eyebolt.session.state import BackgroundSolve, NextViewSearch, SessionConfig, State, Task, reported_pose

MIN_PAIRS_TO_SOLVE = 3
# What the robot hears for a stop finding. Half-turned views are not among them: sessions put those right.
STOP_CODES = {
    **dict.fromkeys(("pose-format", "pairs-shifted"), Code.POSE_FORMAT_MISMATCH),
    "mount": Code.WRONG_MOUNT,
    **dict.fromkeys(("camera-moved", "tool-changed", "frame-changed"), Code.SETUP_MOVED),
    **dict.fromkeys(("corner-numbering", "board-scale", "board-or-lens"), Code.BOARD_OR_LENS_MISMATCH),
    **dict.fromkeys(
        ("lens-resolution", "already-undistorted", "distortion", "focal-length", "principal-point", "focus-changed"),
        Code.BOARD_OR_LENS_MISMATCH,
    ),
}


def find_stop(outcome: Solution | Refusal) -> ViewAcceptance | None:
    """What the pairs together say is so wrong that no further waypoint helps."""
    for finding in outcome.findings:
        if finding.severity == Severity.STOP and finding.code in STOP_CODES:
            # The log has no room of its own for the advice, and the line to change must be in it.
            return ViewAcceptance.from_code(
                STOP_CODES[finding.code], f"{finding.message}: {finding.remedy}", finding.remedy
            )
    return None


def is_solve_due(log: SessionLog) -> bool:
    """Whether pairs or checks are on record that the newest recorded solve does not rest on."""
    pairs = [t.index for t in log.usable]
    if log.is_closed or len(pairs) < MIN_PAIRS_TO_SOLVE:
        return False
    if log.last_solve is None:
        return True
    basis = SolveBasis(pairs=tuple(pairs), checks=tuple(t.index for t in log.checks))
    return log.last_solve.based_on != basis


def solve_fact(config: SessionConfig, solve: msg.Solve, event: msg.Solved, kept: int, background: bool) -> SolveFact:
    """The fact of a solve; ``kept``: pairs kept with its request. ``background``: it followed the answer."""
    goal, outcome = config.goal, event.outcome
    acceptance = assess_result(outcome, goal.tolerance_mm)
    found = outcome if isinstance(outcome, Solution) else None
    stop = find_stop(outcome)
    return SolveFact(
        based_on=basis_of(solve),
        is_background=background,
        kept=kept,
        refusal_code=outcome.code if isinstance(outcome, Refusal) else None,
        expected_p95_mm=None if found is None else found.expected_error_mm.p95,
        acceptance=AcceptanceRecord(status=acceptance.status, reason=acceptance.reason),
        stop_code=None if stop is None else stop.code,
        pairs_wanted=goal.pairs_wanted(kept, outcome),
        goal_met=goal.is_met(kept, outcome),
        excluded=tuple(p.pair for p in outcome.excluded),
        prediction=None if found is None or found.prediction is None else PredictionRecord.of(found.prediction),
        progress=ProgressReport.after(outcome, event.coverage),
        duration_ms=round(event.duration_ns / 1e6, 3),
    )


def basis_of(solve: msg.Solve) -> SolveBasis:
    """The captures that a solve rests on."""
    dataset = solve.dataset
    return SolveBasis(pairs=tuple(p.index for p in dataset.pairs), checks=tuple(p.index for p in dataset.checks))


def write_result_command(config: SessionConfig, task: int, event: msg.Solved, kept: int) -> msg.WriteResult:
    """The result to write once the fact of the solve is on disk."""
    acceptance = assess_result(event.outcome, config.goal.tolerance_mm)
    proven = acceptance.status is AcceptanceStatus.ACCEPT and config.goal.is_met(kept, event.outcome)
    return msg.WriteResult(task, event.outcome, acceptance, proven and config.accept_when_proven, event.coverage)


# With fewer pairs a disagreement does not say whose fault it is.
MIN_PAIRS_FOR_OUTLIERS = 6
# The pairs with which wrong terms and a wrong mount come out: the robot program is to stop there, not later.
_DIAGNOSIS_PAIR_COUNTS = (4, 5)
# A pair less probable than this may be one that the solver leaves out. In a clean set it leaves out none that is not at
# least ten times less probable still (solve/outliers), so few pairs that belong wait in vain, and hardly one of the
# others passes.
_P_VALUE_THRESHOLD = 0.02


def reply_needs_solve(state: State, task: Task) -> bool:
    """Whether the answer to the task, whose view is good, may hang on the solve with its own pair.

    Pairs still wanted are never more than ``most`` leaves room for: 37 comes after a wait as well. A check is no part
    of what is solved: its answer never hangs on it.
    """
    log = state.log
    if task.verb != "capture" or log is None:
        return False
    pairs = len(log.dataset.pairs) + 1
    if pairs < MIN_PAIRS_TO_SOLVE:
        return False
    if state.wanted <= 1 or pairs in _DIAGNOSIS_PAIR_COUNTS:
        return True
    if pairs < MIN_PAIRS_FOR_OUTLIERS:
        return False
    return is_solve_due(log) or _has_stop(log) or not is_consistent(task.p_value)


def _has_stop(log: SessionLog) -> bool:
    return log.last_solve is not None and log.last_solve.stop_code is not None


def is_consistent(p_value: float | None) -> bool:
    """Whether a pair so probable is surely none that the solver would leave out; None: nobody can tell."""
    return p_value is not None and p_value >= _P_VALUE_THRESHOLD


def prediction_p_value(state: State, task: Task, board_pose: BoardPose | None) -> float | None:
    """How probable it is that the last solution sees a pair that belongs as far off as that of the task."""
    last_solve = state.log.last_solve if state.log is not None else None
    prediction = None if last_solve is None else last_solve.prediction
    if task.verb != "capture" or prediction is None or board_pose is None:
        return None
    return prediction.model().p_value(reported_pose(task), board_pose)


Result = tuple[State, list[Command]]


def begin_background_solve(state: State, restarted: bool = False) -> Result:
    """The pairs that no recorded solve rests on are solved, if there are any; ``restarted`` as in Behind."""
    log = state.log
    if log is None or not is_solve_due(log):
        return state, []
    number = state.task_count + 1
    solve = msg.Solve(number, log.dataset)
    return replace(state, background=BackgroundSolve(solve, state.kept, restarted), task_count=number), [solve]


def begin_next_view_search(state: State, solve: msg.Solve, outcome: Solution | Refusal) -> Result:
    """What would help next is looked for; no decision hangs on it."""
    if isinstance(outcome, Refusal) or state.log is None or state.log.is_closed:
        return state, []
    number = state.task_count + 1
    return replace(state, next_view_search=NextViewSearch(number, solve), task_count=number), [
        msg.PlanNextView(number, solve.dataset.pairs, outcome)
    ]


def on_background_event(state: State, background: BackgroundSolve, event: msg.Event) -> Result:
    """An event of the solve that follows an answer."""
    if isinstance(event, msg.Solved):
        fact = solve_fact(state.config, background.solve, event, background.kept, background=True)
        result = write_result_command(state.config, background.number, event, background.kept)
        return replace(state, background=replace(background, facts=(fact,), result=result)), [
            msg.RecordFacts(background.number, (fact,))
        ]
    if isinstance(event, msg.FactsRecorded) and background.result is not None:
        state = replace(state.with_facts(background.facts), background=None)
        state, commands = begin_next_view_search(state, background.solve, background.result.outcome)
        return state, [msg.PublishStatus(), background.result, *commands]
    if isinstance(event, msg.WorkerFailed | msg.WriteFailed):
        # The pairs are on record. The next capture waits for its solve, and is told if that fails again.
        return replace(state, background=None), [msg.PublishStatus()]
    return state, []


def on_next_view_event(state: State, next_view_search: NextViewSearch, event: msg.Event) -> Result:
    """An event of the advice that follows a solve."""
    if isinstance(event, msg.NextViewPlanned) and not _is_obsolete(state):
        fact = NextViewFact(based_on=basis_of(next_view_search.solve), next_view=event.next_view)
        return replace(state, next_view_search=replace(next_view_search, facts=(fact,))), [
            msg.RecordFacts(next_view_search.number, (fact,))
        ]
    return replace(
        state.with_facts(next_view_search.facts if isinstance(event, msg.FactsRecorded) else ()), next_view_search=None
    ), [msg.PublishStatus()]


def _is_obsolete(state: State) -> bool:
    """The session ends, or another one begins: nothing is written behind its last answer, nor into the next one."""
    task, log = state.task, state.log
    ends = task is not None and (task.stage == "open" or task.verb == "bye")
    return ends or log is None or log.is_closed
